"""Chain.run gives what it gave at version 0.1, board by board (see record.py)."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from engine.comparison import SOUND, rounding_lsb, seen_lsb, truth
from engine.record import RECORD, rows_of
from zoo import ZOO


@pytest.fixture(scope="module")
def record() -> pd.DataFrame:
    return pd.read_csv(RECORD).set_index("board")


def test_every_board_is_recorded(record):
    assert list(record.index.unique()) == list(ZOO)


@pytest.mark.parametrize("board", ZOO)
def test_reads_what_it_read(board, record):
    chain, before, now = ZOO[board].chain, record.loc[board], rows_of(board)
    run = truth(chain, SOUND, None)
    readings = before["reading"].to_numpy()
    assert list(now["reading"]) == list(readings)
    # Another processor may fuse a product and a sum where this one did not; 12 digits were written.
    rounding = rounding_lsb(chain, run)
    volts = rounding * chain.adc.lsb_v / chain.adc.settled_share + 1e-11 * float(run.detector_v.max())
    np.testing.assert_allclose(now["detector_v"], before["detector_v"], rtol=0, atol=volts)
    assert now["clipped_share"].iloc[0] == pytest.approx(before["clipped_share"].iloc[0], abs=1e-11)
    lsb = seen_lsb(chain, run, None)
    # A count on whose edge a reading lies may fall either way; a follower carries that on.
    on_edge = bool(np.any(np.abs(lsb - np.round(lsb)) <= rounding))
    np.testing.assert_allclose(now["adc_counts"], before["adc_counts"], rtol=0, atol=float(on_edge))
    envelope = float(on_edge) + 1e-8
    np.testing.assert_allclose(now["envelope_counts"], before["envelope_counts"], rtol=0, atol=envelope)
    if not on_edge:
        # Where floor and ceiling are simulated, their last digits may move a code: two of the pixel's depth.
        codes = 2 / (2**chain.pixel_bits - 1)
        np.testing.assert_allclose(now["duty"], before["duty"], rtol=0, atol=codes)
