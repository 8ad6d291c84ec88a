"""The verb for whoever writes a design file in an editor: schema."""

from __future__ import annotations

from pathlib import Path

import click

from envlab.cli.group import main
from envlab.cli.options import force_option, quiet_option, refuse_existing
from envlab.cli.saying import say


@main.command(
    short_help="Write what an editor needs to complete and check design files.",
    epilog="\b\nExample:\n  envlab schema --out design_schema.json",
)
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    default=Path("design_schema.json"),
    show_default=True,
    help="File for the JSON Schema.",
)
@force_option
@quiet_option
def schema(out: Path, force: bool) -> None:
    """Write the JSON Schema of design files: their keys, units, limits and choices.

    An editor that knows schemas of TOML files takes it from the design file's first line:
    #:schema ./design_schema.json
    """
    from envlab.files.whole import write_whole
    from envlab.study.specification.design_schema import schema_text

    refuse_existing(out, force=force)
    write_whole(out, schema_text().encode())
    say(f"The schema is in {out}. First line of a design file beside it:  #:schema ./{out.name}")
