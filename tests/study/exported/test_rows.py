"""Rows on readings whose light is known: flashes, recovery and idle light."""

from __future__ import annotations

import math
import sys
import threading
import time
from dataclasses import replace

import numpy as np
import pytest

from envlab.chain import Chain
from envlab.light.curve import BrightnessMap
from envlab.light.lightness import luminance_cie1976
from envlab.sound.clip import Clip
from envlab.sound.recording import Recording
from envlab.study.exported import rows as rows_module
from envlab.study.exported.light import ExportedFirmware, ExportedLight
from envlab.study.exported.rows import (
    STARTS,
    Setting,
    idle_lstar,
    recovery_s,
    rows_of,
    rows_of_clip,
    settings_of,
)
from envlab.study.exported.scenarios import Heard

CHAIN = Chain(brightness=BrightnessMap(66.0, 102.0))
RATE = 100.0


def light(lightness_lstar: np.ndarray) -> ExportedLight:
    luminance = luminance_cie1976(lightness_lstar)
    frames = luminance.size
    return ExportedLight(np.zeros(frames, int), np.zeros(frames, int), np.zeros(frames, bool), luminance, 1.0)


def heard(quiet_counts: int = 0, shout_counts: int = 1000) -> Heard:
    silence = np.zeros(60_000, int)
    return Heard({}, {}, silence, silence + quiet_counts, "a room", np.full(3000, shout_counts))


def strokes(per_second: float, seconds: float = 6.0) -> np.ndarray:
    time_s = np.arange(round(1000 * seconds)) / 1000
    return np.where((time_s * per_second) % 1 < 0.5, 900, 0)


class TestRecovery:
    """Peaks of each second that begins with a frame: the definition at the top of rows.py."""

    def test_light_that_comes_back_after_two_seconds(self):
        calm, shouted = np.full(600, 70.0), np.full(600, 70.0)
        shouted[:200] = 40.0
        # The second that begins with frame 101 is the first that holds a frame of 70 L*.
        assert recovery_s(light(shouted), light(calm), 600, RATE) == pytest.approx(1.01)

    def test_light_that_never_comes_back(self):
        assert recovery_s(light(np.full(600, 40.0)), light(np.full(600, 70.0)), 600, RATE) == math.inf

    @pytest.mark.parametrize(("left_lstar", "seconds"), [(60.1, 0.0), (59.9, math.inf)])
    def test_ten_lstar_apart_is_as_before(self, left_lstar, seconds):
        shouted = light(np.full(600, left_lstar))
        assert recovery_s(shouted, light(np.full(600, 70.0)), 600, RATE) == seconds

    def test_what_comes_before_the_end_of_the_shout_is_not_looked_at(self):
        shouted = np.concatenate((np.full(300, 100.0), np.full(600, 70.0)))
        assert recovery_s(light(shouted), light(np.full(900, 70.0)), 600, RATE) == 0.0


class TestRows:
    def test_flashes_are_those_of_the_whole_run_with_and_without_the_guard(self):
        rows = rows_of_clip(Setting("none"), ExportedFirmware(CHAIN), "strokes", strokes(5.0), heard())
        assert [row.start for row in rows] == list(STARTS)
        for row in rows:
            assert row.flashes_per_s == 5
            assert row.flashes_guarded == 3
            assert 0 < row.guard_held_share < 0.5

    def test_what_is_done_is_told_within_a_clip(self):
        shares = []
        rows_of_clip(
            Setting("none"), ExportedFirmware(CHAIN), "strokes", strokes(5.0), heard(), shares.append
        )
        # Twice for each start: without the guard and with it.
        assert len(shares) == 2 * len(STARTS)
        assert shares == sorted(shares)
        assert shares[-1] == 1

    def test_on_long_clips_one_setting_is_judged_at_a_time_and_gives_the_same(self, monkeypatch):
        runs = {Setting(name): ExportedFirmware(CHAIN, name) for name in ("none", "automatic")}
        clip = Clip(Recording(np.zeros(480), 48_000.0, "strokes"), 80.0)
        known, threads, at_work = replace(heard(), clips={clip: strokes(5.0)}), set(), []
        before = rows_of(known, runs)

        def alone(*told):
            assert not at_work
            at_work.append(threading.get_ident())
            threads.add(at_work[0])
            time.sleep(0.05)
            found = rows_of_clip(*told)
            at_work.clear()
            return found

        monkeypatch.setattr(rows_module, "rows_of_clip", alone)
        monkeypatch.setattr(rows_module, "_LARGE", 6000)
        # repr: a number that does not apply is NaN, which is no equal of its own.
        assert repr(rows_of(known, runs)) == repr(before)
        assert len(threads) == 1

    def test_a_quiet_minute_that_flashes_counts(self):
        """The clip itself is steady; the room before it blinks five times a second."""
        room = heard()
        room.quiet[:] = strokes(5.0, 60.0)
        rows = {
            row.start: row
            for row in rows_of_clip(Setting("none"), ExportedFirmware(CHAIN), "hum", np.full(6000, 900), room)
        }
        assert rows["quiet minute"].flashes_per_s == 5
        assert rows["power-up"].flashes_per_s == 0

    def test_metrics_are_those_of_the_clip_after_the_quiet_minute(self):
        """Half the time at full light, half dark, once a second: 100 L* between the 5 and 95 % points."""
        rows = {
            row.start: row
            for row in rows_of_clip(
                Setting("none"),
                ExportedFirmware(CHAIN),
                "slow",
                strokes(1.0) + 123 * (strokes(1.0) > 0),
                heard(),
            )
        }
        row = rows["quiet minute"]
        assert row.contrast_lstar == pytest.approx(100.0, abs=0.1)
        assert row.lit_share == pytest.approx(0.5, abs=0.01)
        assert row.lightness_95_lstar == pytest.approx(100.0, abs=0.1)
        assert math.isnan(rows["power-up"].contrast_lstar)
        assert math.isnan(row.recovery_s)
        assert rows["shout"].recovery_s == 0.0

    def test_idle_light_is_that_of_a_board_that_has_been_on(self):
        firmware = ExportedFirmware(CHAIN)
        assert idle_lstar(firmware, np.zeros(10_000, int)) == 0.0
        assert idle_lstar(firmware, np.full(10_000, 900)) > 90.0


class TestSettings:
    def test_a_button_is_judged_at_its_ends_and_where_the_design_has_it(self):
        settings = settings_of(CHAIN, ("none", "steps", "automatic"))
        button = ExportedFirmware(CHAIN, "steps")
        assert [setting.name for setting in settings] == [
            "fixed",
            "steps, least sensitive",
            "steps, as designed",
            "steps, most sensitive",
            "automatic",
        ]
        assert [s.step for s in settings] == [None, 0, button.design_step, button.steps - 1, None]

    def test_a_step_is_what_its_rows_are_made_with(self):
        """A sound just above the floor: the least sensitive step leaves it dark, each other one lights it."""
        faint = np.full(6000, round(1.6 * CHAIN.count_map().floor_counts))
        lit = {}
        for setting in settings_of(CHAIN, ("steps",)):
            firmware = ExportedFirmware(CHAIN, "steps", step=setting.step)
            row = rows_of_clip(setting, firmware, "faint", faint, heard())[1]
            lit[setting.place] = row.lightness_95_lstar
        assert lit["least sensitive"] == 0.0 < lit["as designed"] < lit["most sensitive"]


def test_the_share_that_is_told_never_goes_back(monkeypatch):
    """Two threads that tell as fast as they can, and are interrupted after every few steps."""

    def tells_only(*others):
        for step in range(1, 301):
            others[-1](step / 300)
        return []

    monkeypatch.setattr(rows_module, "rows_of_clip", tells_only)
    sounds = [Recording(np.full(480, 0.01 * n), 48_000.0, f"sound {n}") for n in (1, 2)]
    few = np.zeros(10, np.uint16)
    clips = {Clip(one, 80.0): np.zeros(10 * n, np.uint16) for n, one in enumerate(sounds, start=1)}
    heard, runs = (
        Heard(clips, {}, few, few, "quiet", few),
        {Setting("none"): None, Setting("automatic"): None},
    )
    before = sys.getswitchinterval()
    sys.setswitchinterval(1e-6)
    try:
        for _ in range(20):
            told: list[float] = []
            rows_of(heard, runs, progress=told.append)
            assert told == sorted(told)
            assert len(told) == 1200 and told[-1] == pytest.approx(1.0)
    finally:
        sys.setswitchinterval(before)
