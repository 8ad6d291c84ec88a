"""What each board of the zoo read before the engine was rewritten, kept as numbers.

The paths are held against Chain.run; were they all to call the same loop, they would agree whatever it did.
So what Chain.run itself gave at version 0.1 stands in record.csv. It is no truth: that stands in tests/analog
and tests/reference. It says that a change which was not meant to change numbers did not. A change that was
meant to is recorded anew with ``python tests/engine/record.py``, and the difference explained.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pandas as pd

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parent.parent))

from engine.comparison import SOUND, detector_at_readings, truth
from zoo import ZOO

RECORD = Path(__file__).parent / "record.csv"
# In silence; in the quiet tone; as each stroke rises and falls; in the silence after them.
INSTANTS_S = (0.02, 0.07, 0.082, 0.12, 0.192, 0.25, 0.302, 0.32, 0.38, 0.44, 0.47, 0.495)


def rows_of(board: str) -> pd.DataFrame:
    """Return what a board reads at INSTANTS_S, without noise: V, counts, and the duty of the frame then."""
    chain = ZOO[board].chain
    run = truth(chain, SOUND, None)
    readings = np.array([round(at_s * chain.adc.rate_hz) for at_s in INSTANTS_S])
    shown = (readings / chain.adc.rate_hz * chain.frame_rate_hz + 1e-9).astype(int)
    return pd.DataFrame(
        {
            "board": board,
            "reading": readings,
            "detector_v": detector_at_readings(run, chain)[readings],
            "adc_counts": run.adc_counts[readings],
            "envelope_counts": run.envelope_counts[readings],
            "duty": run.duty[np.minimum(shown, run.duty.size - 1)],
            "clipped_share": run.clipped_share,
        }
    )


if __name__ == "__main__":
    pd.concat([rows_of(board) for board in ZOO]).to_csv(RECORD, index=False, float_format="%.12g")
