"""The listening widget in a page: what it draws, what it plays, and how to turn its parts by hand."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

import nbformat
import numpy as np
import soundfile
from reference.lab import LabPage

RATE_HZ = 48_000
STROKE_EVERY_S = 0.5
FIRST_STROKE_S = 0.25
LEVEL_DB_SPL = 80.0
READY_S = 90
# As a notebook writes them.
PARADE_BOARD = "demo_specification().chain"
IDEAL_BOARD = "replace(demo_specification().chain, rectifier=Rectifier())"

# What the tests ask of the page. Times are performance.now(), ms.
PROBE = """
window.probe = {
  root: () => document.querySelector('.envlab-audition'),
  look: () => {
    const el = probe.root();
    return {...el.envlab.drawn(), playing: el.envlab.playing(), starts: el.envlab.engine.starts,
            ready: el.dataset.ready, alive: el.dataset.alive, busy: el.dataset.busy, now: performance.now()};
  },
  codes: () => {
    const el = probe.root();
    const rate = el.envlab.drawn().frame_rate_hz;
    const code = (n) => Math.round(65535 * el.envlab.luminanceAt((n + 0.5) / rate));
    return Array.from({length: el.envlab.frameAt(1e9) + 1}, (_, n) => code(n));
  },
  indices: () => Object.fromEntries([...probe.root().querySelectorAll('[data-key*="."]')]
    .map((one) => [one.dataset.key, Number(one.value)])),
  // Every drawing for so many milliseconds.
  watch: (ms) => new Promise((done) => {
    const seen = [];
    const until = performance.now() + ms;
    let last = null;
    const step = () => {
      const drawn = probe.root().envlab.drawn();
      if (drawn && drawn.drawn_ms !== last) { last = drawn.drawn_ms; seen.push(probe.look()); }
      if (performance.now() < until) requestAnimationFrame(step); else done(seen);
    };
    requestAnimationFrame(step);
  }),
  set: (key, index) => {
    const input = probe.root().querySelector(`[data-key="${key}"]`);
    input.value = String(index);
    input.dispatchEvent(new Event(input.tagName === 'SELECT' ? 'change' : 'input', {bubbles: true}));
  },
  // One move of a control: milliseconds from the hand to the canvas.
  turn: (key, index, patience) => new Promise((done) => {
    const before = probe.root().envlab.drawn().number;
    const started = performance.now();
    probe.set(key, index);
    const step = () => {
      const drawn = probe.root().envlab.drawn();
      const answer = {ms: drawn.drawn_ms - started, exact: drawn.exact, number: drawn.number};
      if (drawn.number > before) done(answer);
      else if (performance.now() - started > patience) done({ms: null, number: before});
      else requestAnimationFrame(step);
    };
    requestAnimationFrame(step);
  }),
  // How many points of the lights' canvas have a colour, exactly.
  points: (css) => {
    const canvas = probe.root().querySelector('canvas[data-part="lights"]');
    const [r, g, b] = css.match(/\\d+/g).map(Number);
    const data = canvas.getContext('2d').getImageData(0, 0, canvas.width, canvas.height).data;
    let found = 0;
    for (let i = 0; i < data.length; i += 4) {
      if (data[i] === r && data[i + 1] === g && data[i + 2] === b) found += 1;
    }
    return found;
  },
};
"""


def write_strokes(path: Path, duration_s: float, every_s: float = STROKE_EVERY_S) -> np.ndarray:
    """Write a clip of strokes, 30 ms of 1 kHz each with a hard beginning; return the strokes' times, s."""
    samples = np.zeros(round(duration_s * RATE_HZ))
    times = np.arange(FIRST_STROKE_S, duration_s - 0.1, every_s)
    n = np.arange(round(0.03 * RATE_HZ))
    for number, at in enumerate(times):
        loud = 0.9 if number % 4 == 0 else 0.5
        first = round(at * RATE_HZ)
        samples[first : first + n.size] = loud * np.cos(2 * np.pi * 1000.0 * n / RATE_HZ)
    soundfile.write(path, samples, RATE_HZ, subtype="PCM_16")
    return times


def write_notebook(path: Path, clip: Path, after: str = "", board: str = PARADE_BOARD) -> None:
    """Write a notebook that auditions a board, the parade's, on a clip; after: what it does then."""
    source = (
        "from dataclasses import replace\n\n"
        "from envlab.analog.rectifiers.ideal import Rectifier\n"
        "from envlab.sound.recording import read_recording\n"
        "from envlab.study.specification.specification import demo_specification\n"
        "from envlab.widget.audition.audition import audition\n\n"
        f"clip = read_recording({clip.name!r}, {LEVEL_DB_SPL})\n"
        f"heard = audition({board}, clip)\n" + after
    )
    notebook = nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell(source)])
    notebook.metadata["kernelspec"] = {"name": "python3", "display_name": "Python 3 (ipykernel)"}
    nbformat.write(notebook, path)


class AuditionPage:
    """The widget on a page of JupyterLab."""

    def __init__(self, lab: LabPage) -> None:
        self.lab, self.page = lab, lab.page

    def start(self, notebook: str) -> float:
        """Open a notebook, Run All, wait until the widget is ready; the seconds from Run All to ready."""
        self.lab.open(notebook)
        started = time.monotonic()
        self.lab.run_all()
        self.page.evaluate(PROBE)
        self.ready()
        took_s = time.monotonic() - started
        self._first = self.ask("indices")
        return took_s

    def ready(self) -> None:
        """Wait until sound and exact light of the present clip are there."""
        self.page.wait_for_selector('.envlab-audition[data-ready="true"]', timeout=1000 * READY_S)

    def ask(self, call: str, *arguments: Any) -> Any:
        """Call one of the probe's functions."""
        return self.page.evaluate(f"(given) => probe.{call}(...given)", list(arguments))

    def look(self) -> dict[str, Any]:
        """Return what was drawn last, and what plays."""
        return dict(self.ask("look"))

    def settle(self) -> dict[str, Any]:
        """Wait until the light is exact and no move is under way; return what is drawn."""
        self.page.wait_for_function(
            "() => { const l = probe.look(); return l.exact && l.ready === 'true' && l.busy === 'false'; }",
            timeout=1000 * READY_S,
        )
        return self.look()

    def codes(self) -> np.ndarray:
        """Return the luminance of every frame that the page holds, 0 to 65535."""
        return np.array(self.ask("codes"))

    def turn(self, key: str, index: int) -> dict[str, Any]:
        """Turn a control; return how long it took to the canvas, ms."""
        return dict(self.ask("turn", key, index, 5000))

    def index(self, key: str) -> int:
        """Return where a control stands."""
        return int(self.control(key).input_value())

    def last_index(self, key: str) -> int:
        """Return the last option of a control."""
        control = self.control(key)
        return int(control.get_attribute("max") or control.locator("option").count() - 1)

    def value_text(self, key: str) -> str:
        """Return what stands beside a slider."""
        named = self.control(key).get_attribute("id")
        return str(self.page.locator(f'output[for="{named}"]').inner_text())

    def control(self, key: str) -> Any:
        """Return a control by its key."""
        return self.page.locator(f'.envlab-audition [data-key="{key}"]').first

    def part(self, name: str) -> Any:
        """Return a part of the page that is no control."""
        return self.page.locator(f'.envlab-audition [data-part="{name}"]').first

    def reset(self) -> None:
        """Pause, and put every control back where it was at first."""
        self.pause()
        for key, index in self.ask("indices").items():
            if index != self._first[key]:
                self.turn(key, self._first[key])
                self.settle()

    def play(self) -> None:
        """Press Play and wait until it plays."""
        self.control("play").click()
        self.page.wait_for_function("() => probe.look().playing")

    def pause(self) -> None:
        """Pause, whatever it was doing."""
        if self.look()["playing"]:
            self.control("play").click()
            self.page.wait_for_function("() => !probe.look().playing")
