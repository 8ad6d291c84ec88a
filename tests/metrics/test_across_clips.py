"""From clips to the evening: each metric takes the worst of the clips that it speaks of."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from envlab.light.pixels import Pixels, Supply
from envlab.metrics.across_clips import worst_over_clips
from envlab.sound.clip import Clip

PIXELS, SUPPLY = Pixels(), Supply()
NAMES = (
    *("contrast_lstar", "lit_share", "lightness_95_lstar", "clipped_share", "duty_mean", "duty_99"),
    *("duty_peak", "flashes_per_s", "counts_99", "counts_median"),
)


def clip(level_db_spl: float, *tags: str) -> Clip:
    return Clip(Path("song.wav"), level_db_spl, tags)


def metrics(**values: float) -> dict[str, np.ndarray]:
    """Metrics of one clip for one candidate, 0 where not given."""
    return {name: np.array([values.get(name, 0.0)]) for name in NAMES}


def worst(*judged: tuple[Clip, dict[str, np.ndarray]]) -> dict[str, float]:
    clips, of_clips = zip(*judged, strict=True)
    return {
        name: float(value[0]) for name, value in worst_over_clips(clips, of_clips, PIXELS, SUPPLY).items()
    }


@pytest.mark.parametrize(
    ("metric", "of_clip", "tag", "kept"),
    [
        ("beat_contrast_lstar", "contrast_lstar", "beat", 0.2),
        ("quiet_lit_share", "lit_share", "quiet", 0.2),
        ("false_light_lstar", "lightness_95_lstar", "walking", 0.7),
    ],
)
def test_of_the_tagged_clips_the_worst_counts_and_no_other(metric, of_clip, tag, kept):
    others = [(clip(80.0), metrics(**{of_clip: value})) for value in (0.1, 0.9)]
    tagged = [(clip(80.0, tag), metrics(**{of_clip: value})) for value in (0.2, 0.7)]
    assert worst(*others, *tagged)[metric] == kept
    assert worst(*others, *reversed(tagged))[metric] == kept
    assert np.isnan(worst(*others)[metric])


@pytest.mark.parametrize("metric", ["clipped_share", "flashes_per_s"])
def test_what_speaks_of_every_clip_is_the_largest_of_all(metric):
    some = [(clip(80.0, "room"), metrics(**{metric: value})) for value in (1.0, 4.0, 2.0)]
    assert worst(*some)[metric] == 4.0


def test_current_is_that_of_the_largest_duty():
    dark, lit = (worst((clip(80.0), metrics(duty_99=duty)))["supply_99_a"] for duty in (0.0, 0.2))
    both = worst((clip(80.0), metrics(duty_99=0.2)), (clip(90.0), metrics()))["supply_99_a"]
    assert both == lit
    # 24 pixels of three channels of 150 mA at a fifth of their duty draw 2.16 A more than dark ones.
    assert lit - dark == pytest.approx(0.2 * 24 * 3 * 0.150, rel=0.02)


def test_range_goes_from_the_quietest_median_to_the_loudest_top():
    clips = [
        (clip(92.0), metrics(counts_99=900.0, counts_median=1.0)),
        (clip(104.0), metrics(counts_99=500.0, counts_median=200.0)),
        (clip(72.0), metrics(counts_99=50.0, counts_median=5.0)),
    ]
    # 20·lg(500/5) = 40 dB; a median of none counts as 1: 20·lg 500 = 53.98 dB.
    assert worst(*clips)["range_used_db"] == pytest.approx(40.0)
    silent = [*clips[:2], (clip(72.0), metrics())]
    assert worst(*silent)["range_used_db"] == pytest.approx(53.98, abs=0.005)
    assert np.isnan(worst(clips[0], clips[0])["range_used_db"])
