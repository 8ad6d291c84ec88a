"""The demo designs can be built, and what their files and the texts about them say is what comes out."""

from __future__ import annotations

import numpy as np
import pytest
from click.testing import CliRunner

from envlab.analog.rectifiers.active import ActiveRectifier
from envlab.circuit.circuit import circuit_of
from envlab.cli import main
from envlab.light.lightness import lightness_cie1976
from envlab.metrics.clip_metrics import LIT_LSTAR
from envlab.report.facts import command_words
from envlab.shipped import DEMOS
from envlab.study.specification.parts_list import parts_list
from envlab.study.specification.specification import Specification, demo_specification
from envlab.units import FloatArray


@pytest.fixture(scope="module", params=DEMOS)
def asked(request: pytest.FixtureRequest) -> Specification:
    return demo_specification(request.param)


def lightness_on(asked: Specification, label: str) -> FloatArray:
    """L* of each frame of a clip, of the brightest that the costume can show; on the board of the file."""
    clip = next(clip for clip in asked.clips if clip.label == label)
    duty = asked.chain.run(clip.recording(), 1).duty
    table = asked.chain.brightness_table()
    return lightness_cie1976(np.clip(duty * table.full_code / table.brightest_code, 0, 1))


def test_parts_make_every_demo_and_no_design_rule_is_broken(asked: Specification) -> None:
    assert isinstance(asked.chain.rectifier, ActiveRectifier)
    assert circuit_of(asked.chain).remarks == ()
    assert asked.chain.design_rule_warnings == ()


def test_the_floor_lies_above_what_the_rectifier_rests_at(asked: Specification) -> None:
    """The floor moves the reading by more than the converter's own noise."""
    chain = asked.chain
    silent = chain.quiescent_counts
    assert silent == pytest.approx(chain.adc.top_code / 2, rel=0.02)  # the bias, half the supply
    assert chain.count_map().floor_counts > 3 * chain.adc.noise_lsb


def test_walking_lights_the_parades_yoke_as_its_file_says() -> None:
    """The texts: lit while walking too, but well below the street, whose strokes reach 90 L* and more."""
    parade = demo_specification()
    walking = lightness_on(parade, "walking 78 dB")
    street = lightness_on(parade, "drum_line 92 dB")
    asked_most = next(one.limit for one in parade.targets.items if one.metric == "false_light_lstar")
    assert np.mean(walking > LIT_LSTAR) > 0.75
    assert np.percentile(walking, 95) < asked_most
    assert np.percentile(street, 95) > 90
    # Why no floor tells them apart: walking is brighter than the singers, frame by frame.
    singers = lightness_on(parade, "voices_bells 72 dB")
    assert np.median(walking) > np.median(singers)
    assert np.percentile(walking, 95) > np.percentile(singers, 95)


def test_the_quiet_room_stays_dark(asked: Specification) -> None:
    room = next(clip.label for clip in asked.clips if "room" in clip.tags)
    assert lightness_on(asked, room).max() == 0.0


def test_the_garden_moon_is_what_its_file_says() -> None:
    """Its scenario: 50 pixels of 3 · 20 mA and 8 bit, 3 A on a pack of 2 A; 12 bit with dead zones."""
    chain = demo_specification("garden-moon").chain
    pixels = chain.pixels
    assert pixels.count * pixels.channels * pixels.channel_a == pytest.approx(3.0)
    assert (chain.supply.limit_a, chain.pixel_bits, chain.adc.bits) == (2.0, 8, 12)
    assert chain.refresh_hz == 400.0
    # Fed as telephones are: no cells and no converter to buy beside the bank.
    kinds = {part.kind: part for part in parts_list(chain)}
    assert kinds["pack"].specification == "power bank, 5 V, ≥ 2 A lasting, that stays on at 0.05 A"
    assert "converter" not in kinds and kinds["fuse"].value == 3.15
    assert chain.adc.dead_low_v > 0 and chain.adc.dead_high_v > 0
    # The rest lies where the converter reads, and a full light ends before its upper dead zone.
    assert chain.adc.dead_low_v < chain.quiescent_v < chain.adc.reference_v - chain.adc.dead_high_v
    full = chain.quiescent_counts + chain.count_map().ceiling_counts
    assert full < chain.adc.top_code


def test_the_command_names_a_demo(asked: Specification) -> None:
    demo = next(name for name in DEMOS if name.replace("-", "_") in asked.name)
    assert command_words(asked) == "envlab design" + (f" --demo {demo}" if demo != DEMOS[0] else "")


def test_a_demo_is_named_or_a_file_but_not_both(tmp_path) -> None:
    out = tmp_path / "all.csv"
    both = CliRunner().invoke(main, ["sweep", "mine.toml", "--demo", "garden-moon", "--out", str(out)])
    assert both.exit_code == 2
    assert "--demo garden-moon and the design mine.toml are both given; name one of them." in both.output
    unknown = CliRunner().invoke(main, ["sweep", "--demo", "moon", "--out", str(out)])
    assert unknown.exit_code == 2
    assert "'lantern-parade', 'garden-moon'" in unknown.output
    assert not out.exists()
