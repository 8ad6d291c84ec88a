"""What should the flash guard do when it must act? Run this file to compare four ways on clips.

Prints for each way the share of frames altered, the mean difference in L* from the wanted light
(guard_error_lstar), its root mean square, and how much brighter and how much darker than wanted the light is
in the mean. Clips: the demo clips, and those in the folder ENVLAB_OPEN_RECORDINGS, at 62 to 104 dB SPL; only
lights of more than 3 flashes a second count. --picture FILE draws the clip that flashes most.
"""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path

import numpy as np
from rich.console import Console
from rich.table import Table

sys.path.insert(0, str(Path(__file__).parents[1]))

from digital.guard_alternatives import WAYS
from digital.guard_clips import LEVELS_DB_SPL, demo_clips, wanted_light
from reference.guard_error import guard_error_lstar

from envlab.digital.guard.flash_guard import guard_words, rule_flashes
from envlab.digital.guard.guard_words import GuardWords
from envlab.light.lightness import lightness_cie1976

BITS = 16
SHORTEST_BYTES = 100_000


def clips() -> list[Path]:
    """Return the files to play."""
    folder = os.environ.get("ENVLAB_OPEN_RECORDINGS")
    others = sorted(Path(folder).rglob("*.flac")) if folder else []
    return [*demo_clips(), *(path for path in others if path.stat().st_size >= SHORTEST_BYTES)]


def figures(words: GuardWords, wanted: np.ndarray, rate_hz: float, brightest: int) -> dict[str, list[float]]:
    """Return what each way does to one light."""
    rows = {}
    for name, way in WAYS.items():
        shown = way(words, wanted, rate_hz)
        error = guard_error_lstar(wanted / brightest, shown / brightest)
        apart = lightness_cie1976(shown / brightest) - lightness_cie1976(wanted / brightest)
        rows[name] = [
            100 * float((shown != wanted).mean()),
            error,
            float(np.sqrt((apart**2).mean())),
            float(apart.clip(0).mean()),
            float((-apart).clip(0).mean()),
        ]
    return rows


def draw(target: Path, words: GuardWords, wanted: np.ndarray, rate_hz: float, brightest: int) -> None:
    """Draw wanted and shown lightness of the 4 s in which the guard's own way alters most."""
    from matplotlib.figure import Figure

    altered = next(iter(WAYS.values()))(words, wanted, rate_hz) != wanted
    length = int(4 * rate_hz)
    first = int(np.argmax(np.convolve(altered, np.ones(length), "valid")))
    part = slice(first, first + length)
    figure = Figure(figsize=(9, 8), layout="constrained")
    axes = figure.subplots(len(WAYS), sharex=True, sharey=True)
    for ax, (name, way) in zip(axes, WAYS.items(), strict=True):
        shown = way(words, wanted, rate_hz)
        at_s = np.arange(length) / rate_hz
        ax.fill_between(
            at_s, lightness_cie1976(wanted[part] / brightest), step="post", color="0.85", label="wanted"
        )
        ax.step(at_s, lightness_cie1976(shown[part] / brightest), where="post", color="C1", label="shown")
        ax.set_title(name, loc="left")
        ax.set_ylabel("L*")
    axes[0].legend(loc="upper right")
    axes[-1].set_xlabel("time, s")
    figure.savefig(target, dpi=100)


def main() -> None:
    """Play all clips, print the means, draw if asked."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--picture", type=Path)
    picture = parser.parse_args().picture
    found: list[dict[str, list[float]]] = []
    most: tuple[float, GuardWords, np.ndarray, float, int] | None = None
    for path in clips():
        for level_db_spl in LEVELS_DB_SPL:
            wanted, rate_hz, brightest = wanted_light(path, level_db_spl)
            words = guard_words(rate_hz, bits=BITS, brightest_duty=brightest)
            if rule_flashes(words, wanted) <= 3:
                continue
            found.append(figures(words, wanted, rate_hz, brightest))
            altered = found[-1]["within a change"][0]
            if most is None or altered > most[0]:
                most = (altered, words, wanted, rate_hz, brightest)
    table = Table("way", "altered, %", "mean, L*", "rms, L*", "brighter, L*", "darker, L*")
    for name in WAYS:
        means = np.mean([rows[name] for rows in found], axis=0)
        table.add_row(name, *(f"{value:.2f}" for value in means))
    Console().print(f"{len(found)} lights of more than 3 flashes a second", table)
    if picture is not None and most is not None:
        draw(picture, *most[1:])


if __name__ == "__main__":
    main()
