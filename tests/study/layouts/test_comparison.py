"""All layouts on a real board and real clips: limits in every frame, and what all alike must agree with."""

from __future__ import annotations

import tracemalloc
from dataclasses import replace

import numpy as np
import pytest
from reference.small_specification import write_small_design

from envlab.errors import EnvlabWarning
from envlab.light.flashes.flash import count_flashes
from envlab.light.pixels import Pixels, Supply, supply_current_a
from envlab.light.viewing import Viewing
from envlab.metrics.contrast import contrast_of_frames
from envlab.shipped import DEMOS, demo_design
from envlab.sound.clip import Clip
from envlab.sound.recording import Recording
from envlab.study.exported.light import ExportedFirmware, worn_light
from envlab.study.exported.scenarios import heard_by
from envlab.study.layouts import comparison
from envlab.study.layouts import play as play_module
from envlab.study.layouts.comparison import judge_layouts
from envlab.study.layouts.play import brightest_of, played
from envlab.study.layouts.plays import falling_weights, limit_codes, plays_of
from envlab.study.specification.specification import Specification, read_specification

ALL = ("all alike", "from end", "from middle", "share", "travelling", "weights")
DEPTHS = ({"pixel_bits": 8}, {"pixel_bits": 8, "dither_bits": 2}, {"pixel_bits": 12}, {})


@pytest.fixture(scope="module")
def asked(tmp_path_factory) -> Specification:
    return read_specification(write_small_design(tmp_path_factory.mktemp("layouts")))


@pytest.fixture(scope="module")
def heard(asked):
    return heard_by(asked.chain, asked)


@pytest.fixture(scope="module")
def found(asked, heard):
    return judge_layouts(asked, heard=heard)


def test_all_layouts_are_there_and_the_designs_own_is_named(found):
    assert tuple(one.name for one in found.figures) == ALL
    assert found.worn == "all alike"
    assert found.made_up_weights
    assert found.not_judged == {}
    assert found.clips == ("drums 92 dB", "voices 72 dB")


def test_all_alike_is_what_the_exported_firmware_shows(asked, heard, found):
    """Flashes, contrast and current as they are counted on the exported light, without any layout."""
    alike, chain = found.of("all alike"), asked.chain
    lights = {clip.label: worn_light(chain, counts, guard=False) for clip, counts in heard.clips.items()}
    contrast = contrast_of_frames(lights["drums 92 dB"].lightness, chain.frame_rate_hz)
    assert [alike.contrast_near_lstar, alike.contrast_far_lstar] == pytest.approx([contrast] * 2, abs=1e-3)
    flashes = [count_flashes(one.luminance, chain.frame_rate_hz) for one in lights.values()]
    assert alike.flashes_per_s == alike.regions.worst_per_s == max(flashes)
    duty = np.concatenate([one.luminance * one.full_duty for one in lights.values()])
    current_a = supply_current_a(duty, chain.pixels, volts=chain.supply.volts)
    assert alike.mean_a == pytest.approx(current_a.mean(), rel=1e-4)
    assert alike.peak_a == pytest.approx(current_a.max(), rel=1e-4)


@pytest.mark.parametrize("depth", DEPTHS)
def test_the_sum_of_every_frame_of_every_clip_is_within_the_limit(asked, heard, depth):
    """Without the guard and with it, at the depth of a dither pattern and in each of its refreshes."""
    chain = replace(asked.chain, **depth)
    limit, channels = limit_codes(chain), chain.pixels.channels
    made = plays_of(chain)
    assert tuple(made.plays) == ALL
    for name, play in made.plays.items():
        firmware = ExportedFirmware(made.boards[name])
        for counts in heard.clips.values():
            for guard in (False, True):
                light = firmware.light(counts, guard=guard, state=firmware.running())
                most = max(int(codes.sum(axis=1).max()) for codes in play.blocks(light.duty))
                assert most * channels <= limit, name
                if name != "all alike":
                    refreshes = firmware.of_pixels(light).reshape(-1, chain.pixels.count)
                    assert refreshes.sum(axis=1).max() * channels <= firmware.design.frame_words.limit, name


@pytest.mark.slow
@pytest.mark.parametrize("demo", DEMOS)
def test_the_sum_of_every_frame_of_every_clip_of_the_demos_is_within_the_limit(demo):
    """The whole question, as it is worn: sums, and flashes of the whole without the guard."""
    asked = read_specification(demo_design(demo))
    found = judge_layouts(asked)
    assert tuple(one.name for one in found.figures) == ALL
    assert len(found.clips) == len(asked.clips)
    for one in found.figures:
        assert 0 < one.most_codes <= one.limit_codes == limit_codes(asked.chain), one.name
        assert one.flashes_per_s <= asked.targets.flash_limit, one.name
        assert one.flashes_guarded <= 3, one.name


@pytest.mark.parametrize("depth", DEPTHS)
def test_the_whole_is_the_light_that_the_exported_firmware_counts(asked, heard, depth):
    """Luminance of the whole, guard and all, of each layout as the light path of the twin has it."""
    made = plays_of(replace(asked.chain, **depth))
    for name, play in made.plays.items():
        brightest = brightest_of(play, ())
        for counts in heard.clips.values():
            light = worn_light(made.boards[name], counts)
            seen = played(play, light.duty, brightest).far_luminance(brightest)
            if name == "all alike":
                # Its luminance is over the table's brightest; where dithering's highest threshold would pass
                # the limit, the whole stays under that.
                seen = seen * brightest.whole / (24 * made.boards[name].brightness_table().brightest_code)
            # Exact without dithering; with it each of 24 pixels is rounded once more, to a quarter of a code,
            # in the light and in the brightest that it is divided by.
            near = 24 * (0.5 + 0.5) / brightest.whole if depth.get("dither_bits") else 1e-12
            assert np.abs(seen - light.luminance).max() <= near, name


def test_a_travelling_group_stands_where_the_firmware_has_it(asked, heard):
    made = plays_of(asked.chain)
    firmware = ExportedFirmware(made.boards["travelling"])
    for counts in heard.clips.values():
        light = firmware.light(counts, state=firmware.running())
        shown = np.concatenate(list(made.plays["travelling"].blocks(light.duty)))
        assert np.array_equal(shown, firmware.of_pixels(light))


def test_the_sum_of_a_full_frame_uses_the_limit_and_no_more(asked):
    """Full light: within two codes a channel of what the supply bears, wherever it stands."""
    limit, channels = limit_codes(asked.chain), asked.chain.pixels.channels
    for name, play in plays_of(asked.chain).plays.items():
        sums = play.at_full.sum(axis=1) * channels
        assert sums.min() > limit - 2 * channels * play.pixels, name
        assert sums.max() <= limit, name


def test_a_table_up_to_full_is_held_by_the_limiter_where_all_are_alike(asked, heard):
    chain = replace(asked.chain, current_limit="frame", pixel_bits=8)
    found = judge_layouts(asked, chain, heard=heard)
    assert all(one.keeps_current for one in found.figures)
    assert found.of("all alike").peak_a == pytest.approx(found.of("share").peak_a, rel=0.02)


def test_what_is_said_of_current_holds_for_every_layout(found):
    assert len({round(one.equal_cd, 9) for one in found.figures}) == 1
    assert all(one.keeps_current for one in found.figures)


def test_a_scene_shows_what_the_firmware_shows(asked, heard, found):
    scene = found.scene
    (clip,) = [one for one in heard.clips if one.label == scene.clip]
    codes = worn_light(asked.chain, heard.clips[clip]).codes
    first = round(scene.start_s * scene.frame_rate_hz)
    shown = scene.codes["all alike"]
    assert np.array_equal(shown, np.repeat(codes[first : first + len(shown), None], 24, axis=1))
    assert set(scene.codes) == set(ALL)
    assert "beat" in clip.tags


def test_a_scene_is_where_the_envelope_rises_most(asked, heard, monkeypatch):
    """A silent second, then the voices; of whole seconds the one with the largest sum of rises."""
    monkeypatch.setattr(comparison, "SCENE_S", 1.0)
    (clip,) = [one for one in heard.clips if "beat" not in one.tags]
    counts = np.concatenate((heard.silence[:1000], heard.clips[clip]))
    scene = judge_layouts(asked, heard=replace(heard, clips={clip: counts})).scene
    duty = worn_light(asked.chain, counts, guard=False).duty
    rises = [np.maximum(np.diff(second), 0).sum() for second in duty[:300].reshape(3, 100)]
    assert scene.start_s == int(np.argmax(rises)) > 0
    first = round(scene.start_s * 100)
    codes = worn_light(asked.chain, counts).codes[first : first + 100]
    assert np.array_equal(scene.codes["all alike"][:, 3], codes)


def test_codes_from_a_frame_on_are_the_last_of_all(asked, monkeypatch):
    duties = np.random.default_rng(7).integers(0, 1 << 16, 700).astype(np.uint16)
    made = plays_of(asked.chain)
    for at_once in (24, 24 * 100, 1 << 17):
        monkeypatch.setattr(play_module, "AT_ONCE", at_once)
        for name, one in made.plays.items():
            whole = np.concatenate(list(one.blocks(duties.astype(np.int64))))
            for first in (0, 1, 350, 699):
                assert np.array_equal(one.codes_of(duties, first), whole[first:]), (name, first)


def test_of_a_long_night_no_pixels_are_held(asked, heard):
    """Half an hour; for its scene every pixel of every frame was held before, 70 MB."""
    (clip,) = [one for one in heard.clips if "beat" in one.tags]
    night = replace(heard, clips={clip: np.resize(heard.clips[clip], 1_800_000)})
    shares: list[float] = []
    tracemalloc.start()
    found = judge_layouts(asked, heard=night, progress=shares.append)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert found.scene is not None
    # Of each of 180,000 frames: seven duties of 16 bit, and of one layout at a time a dozen numbers.
    assert peak < 180_000 * (7 * 2 + 12 * 8) + 16e6
    assert shares == sorted(shares)
    assert len(shares) == 7 + 6
    assert shares[-1] == 1.0


def test_what_no_clip_shows_is_said_and_not_passed(asked):
    silent = Clip(Recording(np.zeros(96_000), 48_000.0, "silent"), 60.0, ("beat",))
    with pytest.warns(EnvlabWarning, match="silent"):
        found = judge_layouts(replace(asked, clips=(silent,)))
    assert (found.figures, found.scene) == ((), None)
    assert "silent" in found.not_judged["silent 60 dB"]
    assert {one.kind for one in found.sentences} == {"layouts_not_judged"}


def test_without_a_beat_clip_contrast_is_not_judged(asked):
    quiet = replace(asked, clips=asked.clips[1:])
    found = judge_layouts(quiet)
    assert np.isnan([one.contrast_near_lstar for one in found.figures]).all()
    assert "tagged as beat" in found.not_judged["contrast on the beat"]


@pytest.mark.parametrize("pixels", [1, 2, 3])
def test_few_pixels_have_the_layouts_that_they_can_show(asked, heard, pixels):
    few = Pixels(count=pixels, channel_a=0.02)
    chain = replace(asked.chain, pixels=few, supply=Supply(limit_a=0.045 * pixels))
    found = judge_layouts(asked, chain, heard=heard)
    assert {one.name for one in found.figures} | set(found.not_judged) == set(ALL)
    assert all(one.keeps_current for one in found.figures)
    if pixels == 1:
        assert "pixels_per_second" in found.not_judged["travelling"]


def test_pixels_that_no_layout_can_light_are_said_so(asked, heard):
    found = judge_layouts(asked, replace(asked.chain, pixel_bits=6), heard=heard)
    assert found.figures == ()
    assert all("8" in why for why in found.not_judged.values())


def test_other_spectators_change_the_light_that_reaches_them_alone(asked, heard, found):
    near = judge_layouts(asked, viewing=Viewing(distance_m=3.0), heard=heard)
    for one, other in zip(near.figures, found.figures, strict=True):
        assert one.equal_lux == pytest.approx(100 * other.equal_lux, rel=0.01)
        assert one.equal_lit_lstar == other.equal_lit_lstar
    stated = judge_layouts(replace(asked, viewing=Viewing(distance_m=3.0)), heard=heard)
    assert [one.equal_lux for one in stated.figures] == [one.equal_lux for one in near.figures]


def test_made_up_weights_fall_from_the_middle():
    assert falling_weights(1) == (1.0,)
    assert falling_weights(5) == (1 / 3, 2 / 3, 1.0, 2 / 3, 1 / 3)
