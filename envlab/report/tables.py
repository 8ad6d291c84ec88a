"""A table of results as the bytes of a file, by the ending of its name."""

from __future__ import annotations

import io
from pathlib import Path
from typing import TYPE_CHECKING

from envlab.errors import FileError

if TYPE_CHECKING:
    import pandas as pd


def check_ending(path: Path) -> None:
    """Raise FileError unless results can be written under this name."""
    if path.suffix not in (".csv", ".parquet"):
        raise FileError(f"{path}: results end in .csv or .parquet")


def table_bytes(table: pd.DataFrame, path: Path) -> bytes:
    """Return the table as CSV (.csv, nine digits) or Parquet (.parquet, whole precision).

    Raises FileError for another ending, or where the package that writes Parquet is missing.
    """
    check_ending(path)
    if path.suffix == ".csv":
        return table.to_csv(float_format="%.9g", lineterminator="\n").encode()
    out = io.BytesIO()
    try:
        table.to_parquet(out)
    except ImportError:
        raise FileError(f"{path}: needs one more package: pip install pyarrow; or take .csv") from None
    return out.getvalue()
