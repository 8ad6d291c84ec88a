"""Numbers of layouts whose light, current and flashes are known by construction."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from reference.flashes import worst_flashes

from envlab.errors import ParameterError
from envlab.light.lightness import lightness_cie1976
from envlab.light.viewing import Viewing
from envlab.metrics.contrast import contrast_of_frames
from envlab.study.layouts import play as play_module
from envlab.study.layouts.figures import ClipDuties, figures_of
from envlab.study.layouts.play import brightest_of, played
from envlab.study.layouts.steps import steps_of

AIR = Viewing(distance_m=10.0, transmissivity_per_km=1.0, candela_per_a=20.0)


NAMES = ("alike", "share", "bar", "travelling", "blinking")


def with_guard(duties):
    """The same behind the guard of every layout."""
    return dict.fromkeys(NAMES, duties)


def beat(made, share_on=0.5, seconds=3, label="beat", no_beat=""):
    """Two strokes a second, full light and none."""
    on = np.arange(seconds * 100) % 50 < 50 * share_on
    duties = np.where(on, made.full_duty, 0)
    return ClipDuties(label, duties, with_guard(duties), no_beat)


def figures(made, board, names, clips, viewing=AIR):
    plays = {name: getattr(made, name) for name in names}
    found = figures_of(plays, clips, board, viewing, limit_codes=made.limit_codes)
    return {one.name: one for one in found}


def test_a_quarter_at_full_against_all_dim(made, board):
    """64 of 255 codes in 24 pixels, or 255 in six, half of the time."""
    found = figures(made, board, ("alike", "share"), [beat(made)])
    alike, share = found["alike"], found["share"]
    assert alike.lit_lstar == pytest.approx(float(lightness_cie1976(64 / 255)))
    assert share.lit_lstar == pytest.approx(100.0)
    assert (alike.lit_pixels, share.lit_pixels) == (24, 6)
    # 24 · 64 codes against 6 · 255: 0.45 A for each pixel at full, 24 mA idle.
    assert alike.mean_a == pytest.approx(0.024 + 0.5 * 24 * 64 / 255 * 0.45)
    assert share.peak_a == pytest.approx(0.024 + 6 * 0.45)
    assert share.most_codes == 6 * 255 * 3 == share.limit_codes
    assert share.keeps_current
    assert not alike.keeps_current
    # 20 cd/A towards the eye; at 10 m a hundredth of it in lx.
    assert share.peak_cd == pytest.approx(20 * 2.7)
    assert share.intensity_cd == pytest.approx(10 * 2.7)
    assert share.equal_lux == pytest.approx(share.equal_cd / 100)


def test_every_lit_pixel_of_every_frame_counts_alike_and_the_barely_lit_do_not(made, board):
    """Of 300 frames 30 at full, 90 at half, the others at one code of 255, which is L* 3.5: not lit."""
    full, half, one_code = made.full_duty, made.full_duty // 2 + 1, made.full_duty // 255 + 1
    duties = np.repeat([full, half, one_code], [30, 90, 180])
    codes = [int(made.share.show(np.array([one]), None)[0].max()) for one in (full, half, one_code)]
    assert codes[2] == 1
    found = figures(made, board, ("share",), [ClipDuties("some", duties, with_guard(duties))])["share"]
    bright, dim = (float(lightness_cie1976(code / 255)) for code in codes[:2])
    assert found.lit_lstar == pytest.approx((30 * bright + 90 * dim) / 120)
    assert found.lit_pixels == 6


def test_pixels_at_rest_light_are_not_lit(made, board):
    """Six at full, the others at one code of 255, L* 3.5."""

    def show(duties, state):
        return np.maximum(made.share.show(duties, state)[0], 1), state

    resting = replace(made.share, show=show, at_full=np.maximum(made.share.at_full, 1))
    plays, clips = {"share": resting}, [beat(made)]
    (found,) = figures_of(plays, clips, board, AIR, limit_codes=made.limit_codes)
    assert (found.lit_pixels, found.lit_lstar) == (6, pytest.approx(100.0))
    assert not found.keeps_current


def test_at_equal_current_all_send_the_same_light_away(made, board):
    found = figures(made, board, NAMES, [beat(made), beat(made, 0.2)])
    least = min(one.intensity_cd for one in found.values())
    for one in found.values():
        assert one.equal_cd == pytest.approx(least)
        assert one.equal_lit_lstar <= one.lit_lstar
    # The travelling group is lit all the time, the share 35 % of it: dimmed to that, six pixels at 0.35.
    assert found["share"].intensity_cd == pytest.approx(least)
    assert found["travelling"].equal_lit_lstar == pytest.approx(float(lightness_cie1976(0.35)))


def test_contrast_near_and_far(made, board):
    """Full light and none: 100 for all. A bar of three of six pixels: half of the area, and L*(1/2) afar."""
    half = np.where(np.arange(300) % 50 < 25, made.full_duty // 2 + 1, 0)
    found = figures(made, board, ("alike", "share", "bar"), [ClipDuties("half", half, with_guard(half))])
    assert found["bar"].contrast_near_lstar == pytest.approx(50.0)
    assert found["bar"].contrast_far_lstar == pytest.approx(76.0693, abs=1e-4)  # CIE 1976: L* of Y = 0.5
    assert found["alike"].contrast_near_lstar == pytest.approx(found["alike"].contrast_far_lstar)
    assert found["alike"].contrast_far_lstar == pytest.approx(76.0693, abs=1e-4)
    whole = figures(made, board, ("alike", "travelling"), [beat(made)])
    assert whole["alike"].contrast_near_lstar == pytest.approx(100.0)
    # A group that takes no notice of the music shows none of its beat, however it moves.
    assert whole["travelling"].contrast_near_lstar == pytest.approx(0.0, abs=1e-9)
    assert whole["travelling"].contrast_far_lstar == 0.0


def test_the_least_contrast_of_the_clips_counts_and_those_without_beat_do_not(made, board):
    soft = np.where(np.arange(300) % 50 < 25, made.full_duty // 4, 0)
    quiet = ClipDuties("quiet", np.zeros(300, int), with_guard(np.zeros(300, int)), "not tagged as beat")
    found = figures(made, board, ("alike",), [beat(made), ClipDuties("soft", soft, with_guard(soft)), quiet])[
        "alike"
    ]
    luminance = soft * 64 // made.full_duty / 64
    expected = contrast_of_frames(lightness_cie1976(luminance), 100.0)
    assert [found.contrast_far_lstar, found.contrast_near_lstar] == pytest.approx([expected] * 2)
    none = figures(made, board, ("alike",), [beat(made, no_beat="it is without any beat")])["alike"]
    assert np.isnan(none.contrast_near_lstar)


def test_flashes_without_and_with_the_guard(made, board):
    fast = np.where(np.arange(300) % 20 < 10, made.full_duty, 0)
    calm = np.full(300, made.full_duty)
    found = figures(made, board, ("alike", "travelling"), [ClipDuties("fast", fast, with_guard(calm))])
    expected = worst_flashes((fast / made.full_duty).tolist(), 100.0)
    assert (found["alike"].flashes_per_s, found["alike"].flashes_guarded) == (expected, 0)
    assert found["travelling"].flashes_per_s == found["travelling"].flashes_guarded == 0
    assert found["travelling"].regions.worst_per_s == 5


def test_the_largest_frame_counts_whether_the_guard_lets_it_through_or_not(made, board):
    """Full light that a guard holds dark, and the other way round."""
    full, dark = np.full(100, made.full_duty), np.zeros(100, int)
    for free, guarded in ((full, dark), (dark, full)):
        clips = [ClipDuties("one", free, with_guard(guarded))]
        assert figures(made, board, ("share",), clips)["share"].most_codes == 6 * 255 * 3


def test_what_never_lights_is_not_judged(made, board):
    dark = np.zeros(200, int)
    found = figures(made, board, ("alike", "share"), [ClipDuties("dark", dark, with_guard(dark))])
    for one in found.values():
        assert np.isnan([one.lit_lstar, one.equal_lit_lstar, one.equal_cd, one.equal_lux]).all()
        assert (one.lit_pixels, one.intensity_cd) == (0.0, 0.0)
        assert one.mean_a == pytest.approx(0.024)


def test_a_bar_steps_by_a_pixel_and_dim_pixels_by_a_code(made):
    """L*(1/64) where light begins; one of six pixels is a sixth of the area, and L*(1/6) from afar."""
    bar, alike = (steps_of(one, brightest_of(one, ())) for one in (made.bar, made.alike))
    assert [bar.near_lstar, bar.first_near_lstar] == pytest.approx([100 / 6] * 2)
    assert [bar.far_lstar, bar.first_far_lstar] == pytest.approx([116 * (1 / 6) ** (1 / 3) - 16] * 2)
    assert alike.near_lstar == pytest.approx(alike.far_lstar)
    # Y = 1/64 is above the knee at 216/24389.
    assert [alike.far_lstar, alike.first_far_lstar] == pytest.approx([116 * (1 / 64) ** (1 / 3) - 16] * 2)
    assert steps_of(made.travelling, brightest_of(made.travelling, ())).far_lstar == 0.0
    # What moves by itself is no step of the envelope.
    assert steps_of(made.blinking, brightest_of(made.blinking, ())).near_lstar == 0.0


def test_steps_are_looked_for_up_to_full_light(made):
    """Everything at a quarter, but at the very last word: from L*(1/4) to 100."""

    def show(duties, state):
        return np.repeat(np.where(duties == made.full_duty, 64, 16)[:, None], 24, axis=1), state

    sudden = replace(made.alike, show=show, at_full=show(np.array([made.full_duty]), None)[0])
    steps = steps_of(sudden, brightest_of(sudden, ()))
    assert steps.far_lstar == pytest.approx(100 - (116 * 0.25 ** (1 / 3) - 16))


def test_a_long_chain_is_tried_at_fewer_words(made):
    def show(duties, state):
        return np.repeat((duties >> 8)[:, None], 5000, 1), state

    long = replace(made.alike, show=show, at_full=show(np.array([made.full_duty]), None)[0])
    steps = steps_of(long, brightest_of(long, ()))
    assert steps.far_lstar == pytest.approx(116 * (1 / 63) ** (1 / 3) - 16)


def test_blocks_of_any_length_give_the_same(made, monkeypatch):
    duties = np.random.default_rng(5).integers(0, made.full_duty + 1, 700)
    for play in (made.share, made.travelling):
        brightest = brightest_of(play, ())
        whole = played(play, duties, brightest)
        monkeypatch.setattr(play_module, "AT_ONCE", 24 * 37)
        parts = played(play, duties, brightest)
        monkeypatch.undo()
        for name in ("code_sum", "lightness_sum", "lit", "pixels_of_code"):
            assert np.array_equal(getattr(whole, name), getattr(parts, name)), name


def test_a_light_over_the_pixels_depth_is_refused(made):
    wrong = replace(made.alike, full_code=60, at_full=np.full((1, 24), 60))
    with pytest.raises(ParameterError, match="codes"):
        played(wrong, np.array([made.full_duty]), brightest_of(wrong, ()))


@pytest.mark.parametrize(("names", "clips", "says"), [((), 1, "layouts"), (("alike",), 0, "clips")])
def test_nothing_to_compare_is_refused(made, board, names, clips, says):
    with pytest.raises(ParameterError, match=says):
        figures(made, board, names, [beat(made)] * clips)
