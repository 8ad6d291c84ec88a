"""How quick the listening widget is, measured in a page that plays: hand to canvas, light to sound.

What is heard is taken from an audio worklet behind the widget's own output: it sees every sample and tells at
which sample of the context a stroke begins. When a sample leaves the loudspeaker is what the browser says
(getOutputTimestamp); there is no microphone before it. When a drawing is seen is the refresh after the one
in which it was drawn.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from reference.audition_page import FIRST_STROKE_S, STROKE_EVERY_S, AuditionPage

# Runs before anything else on the page: the instants at which moves leave it.
SENT = """
window.sentMoves = {};
const send = WebSocket.prototype.send;
WebSocket.prototype.send = function (data) {
  if (data instanceof ArrayBuffer || ArrayBuffer.isView(data)) {
    const text = new TextDecoder('latin1').decode(data);
    const move = /"do":\\s*"turn"/.test(text) && /"number":\\s*(\\d+)/.exec(text);
    if (move) window.sentMoves[move[1]] = performance.now();
  }
  return send.call(this, data);
};
"""

LISTEN = """
async () => {
  const code = `
    registerProcessor('strokes', class extends AudioWorkletProcessor {
      constructor() { super(); this.quiet = 0; }
      process([input]) {
        const heard = input[0] || new Float32Array(128);
        for (let i = 0; i < heard.length; i += 1) {
          if (Math.abs(heard[i]) > 0.02) {
            if (this.quiet > 0.2 * sampleRate) this.port.postMessage(currentFrame + i);
            this.quiet = 0;
          } else this.quiet += 1;
        }
        return true;
      }
    });`;
  const { engine } = probe.root().envlab;
  const context = engine.context;
  await context.audioWorklet.addModule(URL.createObjectURL(new Blob([code], {type: 'text/javascript'})));
  const node = new AudioWorkletNode(context, 'strokes', {numberOfOutputs: 1});
  window.heardStrokes = [];
  node.port.onmessage = ({data}) => heardStrokes.push(data / context.sampleRate);
  engine.output.connect(node);
  node.connect(context.destination);
}
"""

# Drawings, the page's own position, and the browser's stamps, for so many milliseconds.
RECORD = """
(ms) => new Promise((done) => {
  const { envlab } = probe.root();
  const seen = {refreshes: [], drawings: [], positions: [], stamps: []};
  const from = heardStrokes.length;
  const until = performance.now() + ms;
  let last = null;
  const step = (refresh) => {
    seen.refreshes.push(refresh);
    const drawn = envlab.drawn();
    if (drawn.drawn_ms !== last) {
      last = drawn.drawn_ms;
      seen.drawings.push([drawn.drawn_ms, drawn.frame, drawn.frame_rate_hz]);
    }
    seen.positions.push([performance.now(), envlab.position()]);
    const stamp = envlab.engine.context.getOutputTimestamp();
    seen.stamps.push([stamp.performanceTime, stamp.contextTime]);
    if (performance.now() < until) requestAnimationFrame(step);
    else done({...seen, strokes: heardStrokes.slice(from), duration: envlab.engine.duration});
  };
  requestAnimationFrame(step);
})
"""

DRAG = """
([key, low, high, ms]) => new Promise((done) => {
  const asked = [], drawings = {};
  const started = performance.now();
  const first = probe.root().envlab.drawn().number;
  let index = low, way = 1, ended = false;
  const hand = setInterval(() => {
    if (performance.now() - started > ms) { clearInterval(hand); ended = true; return; }
    index += way;
    if (index >= high || index <= low) way = -way;
    asked.push(performance.now());
    probe.set(key, index);
  }, 16);
  const step = () => {
    const drawn = probe.root().envlab.drawn();
    if (drawn.number > first) drawings[drawn.number] ??= drawn.drawn_ms;
    const busy = probe.root().dataset.busy === 'true';
    if (ended && !busy && performance.now() - started > ms + 300) done({asked, drawings, sent: sentMoves});
    else requestAnimationFrame(step);
  };
  requestAnimationFrame(step);
})
"""


@dataclass(frozen=True)
class Spread:
    """Some durations, ms."""

    name: str
    values_ms: tuple[float, ...]

    def at(self, percent: float) -> float:
        """Return a percentile, ms."""
        return float(np.percentile(self.values_ms, percent))

    def __str__(self) -> str:
        count = len(self.values_ms)
        return f"{self.name:34} p50 {self.at(50):6.1f} ms   p95 {self.at(95):6.1f} ms   ({count} times)"


def turn_every_control(
    audition: AuditionPage, times: int, *, only: Sequence[str] | None = None, seed: int = 1
) -> list[Spread]:
    """Turn each control, or only some, to and fro while it plays; how long each move took to the canvas."""
    rng = np.random.default_rng(seed)
    spreads = []
    for key, first in dict(audition.ask("indices")).items():
        if only is not None and key not in only:
            continue
        last = audition.last_index(key)
        steps = [1, -1, 2, -2, 3, -3] if last > 5 else list(range(-last, last + 1))
        near = [i for i in dict.fromkeys(first + step for step in steps) if 0 <= i <= last and i != first]
        took = []
        for turn in range(times):
            index = near[(turn // 2) % len(near)] if turn % 2 == 0 else first
            answer = audition.turn(key, index)
            assert answer["ms"] is not None, f"{key}: no answer"
            took.append(answer["ms"])
            # A hand that turns again while the rest is computed, or later.
            audition.page.wait_for_timeout(float(rng.uniform(100, 350)))
        spreads.append(Spread(key, tuple(took)))
        if audition.index(key) != first:
            audition.turn(key, first)
        audition.settle()
    return spreads


def drag(audition: AuditionPage, key: str, reach: int, seconds: float) -> tuple[Spread, Spread]:
    """Drag a slider to and fro, a move every 16 ms.

    Return the times from send to canvas of the moves that were sent, and from hand to canvas of all: to the
    first drawing of a board at least as new as that position of the hand.
    """
    first = audition.index(key)
    told = audition.page.evaluate(DRAG, [key, first, first + reach, 1000 * seconds])
    drawn = {int(number): at for number, at in told["drawings"].items()}
    sent = {int(number): at for number, at in told["sent"].items() if int(number) in drawn}
    by_send = [drawn[number] - sent[number] for number in sorted(sent)]
    newest = sorted((sent[number], drawn[number]) for number in sent)
    by_hand = []
    for at in told["asked"]:
        after = [shown for left, shown in newest if left >= at]
        if after:
            by_hand.append(min(after) - at)
    assert len(by_send) > 5
    return Spread("drag, send to drawn", tuple(by_send)), Spread("drag, hand to drawn", tuple(by_hand))


@dataclass(frozen=True)
class Together:
    """Light and sound of some seconds. drift_ms: how much more the page's clock runs ahead at the end than at
    the beginning. gap_ms: by how much the strokes' distances in the sound differ from those in the clip."""

    light_minus_sound: Spread
    drift_ms: float
    gap_ms: float


def listen(audition: AuditionPage) -> None:
    """Put a listener behind the widget's sound; it must have played once."""
    audition.page.evaluate(LISTEN)


def record(audition: AuditionPage, seconds: float) -> dict[str, Any]:
    """Return what was drawn and heard for some seconds; it must play."""
    return dict(audition.page.evaluate(RECORD, 1000 * seconds))


def begin_record(audition: AuditionPage, seconds: float) -> None:
    """Begin to record, and go on with other things; end_record waits for the end."""
    audition.page.evaluate(f"ms => {{ window.recorded = ({RECORD})(ms); }}", 1000 * seconds)


def end_record(audition: AuditionPage) -> dict[str, Any]:
    """Return what was begun, as record does."""
    return dict(audition.page.evaluate("() => window.recorded"))


def strokes_off_ms(strokes_s: np.ndarray, clip_s: float) -> np.ndarray:
    """Return by how much each stroke's distance from the one before differs from that in the clip, ms.

    The clip loops: the pause round its end counts too.
    """
    times = np.arange(FIRST_STROKE_S, clip_s - 0.1, STROKE_EVERY_S)
    over_the_end = times[0] + clip_s - times[-1]
    apart = np.diff(strokes_s)
    off = np.minimum(np.abs(apart - STROKE_EVERY_S), np.abs(apart - over_the_end))
    return np.asarray(1000 * off)


def together(seen: dict[str, Any]) -> Together:
    """Compare drawings with sound."""
    strokes, clip_s = np.array(seen["strokes"]), seen["duration"]
    refreshes, stamps = np.array(seen["refreshes"]), np.array(seen["stamps"])
    drawings, positions = np.array(seen["drawings"]), np.array(seen["positions"])
    times = np.arange(FIRST_STROKE_S, clip_s - 0.1, STROKE_EVERY_S)
    ahead_ms = stamps[:, 0] - 1000 * stamps[:, 1]

    def context_s(at_ms: np.ndarray) -> np.ndarray:
        """Context time heard at an instant; stamps jitter, so the median of those within half a second."""
        near = [np.median(ahead_ms[np.abs(stamps[:, 0] - at) < 500]) for at in at_ms]
        return (at_ms - np.array(near)) / 1000

    # Context time of the clip's beginning: roughly from the page, exactly from the strokes.
    about_s = float(context_s(positions[:1, 0])[0] - positions[0, 1])
    begin_s = about_s + float(np.median([_nearest(stroke - about_s, times, clip_s) for stroke in strokes]))

    off_s = _wrapped(positions[:, 1] - (context_s(positions[:, 0]) - begin_s), clip_s)
    early, late = positions[:, 0] < positions[0, 0] + 2000, positions[:, 0] > positions[-1, 0] - 2000
    drift_ms = 1000 * float(np.median(off_s[late]) - np.median(off_s[early]))

    interval_ms = float(np.median(np.diff(refreshes)))
    at = np.searchsorted(refreshes, drawings[:, 0], side="right") - 1
    shown_ms = refreshes[np.maximum(at, 0)] + interval_ms
    heard_s = (context_s(shown_ms) - begin_s) % clip_s
    late_ms: list[float] = []
    for (_, before, rate), (_, after, same), heard in zip(
        drawings[:-1], drawings[1:], heard_s[1:], strict=True
    ):
        if after > before and rate == same:
            frames = np.arange(before + 1, after + 1)
            late_ms.extend(1000 * _wrapped(heard - frames / rate, clip_s))
    return Together(
        Spread("light minus sound", tuple(late_ms)), drift_ms, float(strokes_off_ms(strokes, clip_s).max())
    )


def _wrapped(seconds: np.ndarray, clip_s: float) -> np.ndarray:
    return (np.asarray(seconds) + clip_s / 2) % clip_s - clip_s / 2


def _nearest(since_s: float, times: np.ndarray, clip_s: float) -> float:
    off = _wrapped(since_s - times, clip_s)
    return float(off[np.argmin(np.abs(off))])


def slow_notebook_words(flag: Path) -> str:
    """Return what a notebook adds so that, while a file is there, each move costs 50 ms of computing."""
    return (
        "\nfrom pathlib import Path\nfrom time import perf_counter, sleep\n\n"
        "listening = heard.session.boards.listening\nquick = listening.window\n\n"
        "def fifty(chain, playhead_s):\n"
        "    started = perf_counter()\n"
        "    light = quick(chain, playhead_s)\n"
        f"    if Path({flag.name!r}).exists():\n"
        "        sleep(max(0.0, 0.05 - (perf_counter() - started)))\n"
        "    return light\n\n"
        "listening.window = fifty\n"
    )
