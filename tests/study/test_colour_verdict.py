"""A design's colour on clips whose flashes are known by construction, and what would mend them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from envlab.chain import Chain
from envlab.light.costume_colour import CostumeColour
from envlab.light.flashes.flash import find_flashes
from envlab.light.pixels import Supply, drawn_current_a
from envlab.sound.clip import Clip
from envlab.sound.recording import Recording
from envlab.study.chosen_on_clips import ClipLight, relit
from envlab.study.colour_verdict import ColourVerdict, judge_colour
from envlab.study.sentences import of_kind

PLANNED = Supply(3.0, margin=0.1, controller_a=0.03)
BOARD = Chain(supply=PLANNED)
SILENCE = Recording(np.zeros(8000), 8000.0, "made")


def light_of(envelope: np.ndarray, name: str) -> ClipLight:
    clip = Clip(replace(SILENCE, name=name), 80.0)
    blank = ClipLight(
        clip, envelope, envelope, 1.0, 100.0, envelope, find_flashes(np.zeros(envelope.size), 100.0)
    )
    return relit((blank,), BOARD)[0]


def pulses(half_period: int, high: float, low: float = 0.0) -> np.ndarray:
    return np.where(np.arange(400) // half_period % 2 == 0, high, low)


# Full light that comes and goes 2.5 times a second; a glow of a few counts that does so six times.
STEADY = light_of(np.full(400, 700.0), "steady")
STROKES = light_of(pulses(20, 900.0), "strokes")
GLOW = light_of(pulses(8, BOARD.count_map().floor_counts * 2.2), "glow")


def judged(full: str, *lights: ClipLight, dim: str | None = None, limit: float = 3.0) -> ColourVerdict:
    verdict = judge_colour(replace(BOARD, colour=CostumeColour(full, dim)), lights, limit)
    assert verdict is not None
    return verdict


def test_a_board_without_a_colour_has_no_verdict():
    assert judge_colour(BOARD, (STEADY,), 3.0) is None


def test_flashes_that_are_known_by_construction():
    verdict = judged("#ff0000", STEADY, STROKES, GLOW)
    by_name = {one.clip.split()[0]: one for one in verdict.clips}
    # A closed second holds 6 changes that are 0.2 s apart: three pairs; 13 that are 0.08 s apart: six.
    assert (by_name["steady"].red, by_name["steady"].general) == (0, 0)
    assert (by_name["strokes"].red, by_name["strokes"].general) == (3, 3)
    assert (by_name["glow"].red, by_name["glow"].general) == (6, 0)
    assert verdict.red_per_s == 6
    assert verdict.general_per_s == 3
    assert not verdict.keeps


def test_the_row_stands_against_the_limit():
    broken, kept = judged("#ff0000", GLOW), judged("#ff8000", GLOW)
    red = {row.key: row for row in broken.rows}["red"]
    assert (red.value, red.asked, red.met) == ("6 in 1 s", "at most 3", False)
    assert {row.key: row for row in kept.rows}["red"].met
    assert kept.keeps
    assert judged("#ff0000", GLOW, limit=6.0).keeps


def test_the_mixture_with_white_just_does_it():
    verdict = judged("#ff0000", STROKES, GLOW)
    assert verdict.tint is not None
    share, tinted = verdict.tint
    assert tinted.dim is None
    mended = judge_colour(replace(BOARD, colour=tinted), (STROKES, GLOW), 3.0)
    assert mended is not None
    assert mended.keeps
    (said,) = of_kind(verdict.sentences, "colour_relief")
    assert said.behind == {"share": share}
    assert f'full = "{tinted.full}"' in said.text
    # A twentieth less does not.
    assert share > 0.05
    less = share - 0.05
    linear = np.array([1.0, less, less])
    from envlab.light.colour import preview_hex

    still = judge_colour(replace(BOARD, colour=CostumeColour(preview_hex(linear))), (STROKES, GLOW), 3.0)
    assert still is not None
    assert not still.keeps
    assert of_kind(judged("#ff8000", GLOW).sentences, "colour_relief") == ()


def test_current_of_the_channels_by_hand():
    # Pure red at full on 24 pixels: what is planned with, less the controller and the dark pixels, in one
    # channel.
    verdict = judged("#ff0000", light_of(np.full(400, 1023.0), "loud"))
    assert verdict.peak_a == pytest.approx(2.7, abs=1e-3)
    assert verdict.mean_a == pytest.approx(verdict.peak_a)
    white = judged("#ffffff", STROKES)
    assert white.peak_a == pytest.approx(float(STROKES.current_a.max()), abs=1e-3)
    dark = judged("#ff0000", light_of(np.zeros(400), "dark"))
    assert dark.peak_a == pytest.approx(float(drawn_current_a(0.0, BOARD.pixels, PLANNED)))


def test_white_flashes_as_the_brightness_table_does():
    for light in (STEADY, STROKES, GLOW):
        verdict = judged("#ffffff", light)
        assert verdict.clips[0].general == light.flashes.worst_per_s
        assert verdict.clips[0].red == 0


def test_a_ramp_from_red_to_white_is_red_only_where_it_is_dim():
    verdict = judged("#ffffff", STROKES, GLOW, dim="#ff0000")
    assert verdict.hue_error_uv < 0.004
    assert len(verdict.preview) == 16
    (said,) = of_kind(verdict.sentences, "colour")
    assert "#ff0000 when dim and #ffffff at full" in said.text


def test_chromaticities_that_are_taken_are_said():
    (said,) = of_kind(judged("#ff0000", STEADY).sentences, "colour_assumed")
    assert "red, green, blue, white" in said.text
    stated = CostumeColour("#ff0000", None, (0.68, 0.32), (0.2, 0.7), (0.14, 0.06), (0.31, 0.33))
    verdict = judge_colour(replace(BOARD, colour=stated), (STEADY,), 3.0)
    assert verdict is not None
    assert of_kind(verdict.sentences, "colour_assumed") == ()
