// The whole clip at a glance: level of the sound above, light below; click, drag or step to seek, drag with
// Shift to mark a passage that is looped.
import { clockText } from "../session/clock.js";
import { greyOf } from "./colour.js";
import { fitted, make } from "../dom.js";

const BAR = 3;
const STRIP = 12;
const STRIP_EVERY_MS = 200;
const SPAN_DB = 50;
const REFERENCE_PA = 20e-6;

// Peak level of each of `bars` equal parts of a clip, dB re 20 µPa.
export function levelBars(pressure, bars) {
  return Array.from({ length: bars }, (_, bar) => {
    const from = Math.floor((bar * pressure.length) / bars);
    const to = Math.max(Math.floor(((bar + 1) * pressure.length) / bars), from + 1);
    let peak = 0;
    for (let at = from; at < Math.min(to, pressure.length); at += 1) {
      peak = Math.max(peak, Math.abs(pressure[at]));
    }
    return 20 * Math.log10(Math.max(peak, 1e-9) / REFERENCE_PA);
  });
}

// Mean luminance (linear light) of each of `parts` equal parts of a clip.
export function lightBars(codes, parts) {
  return Array.from({ length: parts }, (_, part) => {
    const from = Math.floor((part * codes.length) / parts);
    const to = Math.max(Math.floor(((part + 1) * codes.length) / parts), from + 1);
    let sum = 0;
    for (let at = from; at < Math.min(to, codes.length); at += 1) sum += codes[at];
    return codes.length ? sum / (to - from) / 65535 : 0;
  });
}

export class SeekBar {
  // actions: {begin(), seek(seconds), end(), duration(), position(), mark(one, other)}
  constructor(actions) {
    this.actions = actions;
    this.canvas = make("canvas", { "aria-hidden": "true" });
    this.caption = make("span", { class: "envlab-seek-caption" });
    this.bar = make(
      "div",
      {
        class: "envlab-seek",
        role: "slider",
        tabindex: "0",
        "data-key": "seek",
        "aria-label": "Position in the clip",
        "aria-valuemin": "0",
        onpointerdown: (event) => this.grab(event),
        onpointermove: (event) => this.drag(event),
        onpointerup: () => this.release(),
        onpointercancel: () => this.release(),
      },
      this.canvas,
    );
    this.element = make("div", { class: "envlab-seek-box" }, this.bar, this.caption);
    this.picture = document.createElement("canvas");
    this.painted = null;
    this.stripShown = null;
    this.stripMs = -Infinity;
    this.held = false;
    this.marking = null;
  }

  grab(event) {
    if (event.button !== 0) return;
    this.held = true;
    this.bar.setPointerCapture(event.pointerId);
    this.bar.focus({ preventScroll: true });
    event.preventDefault();
    if (event.shiftKey) {
      this.marking = [this.instant(event), this.instant(event)];
      return;
    }
    this.actions.begin();
    this.drag(event);
  }

  instant(event) {
    const box = this.bar.getBoundingClientRect();
    return Math.min(Math.max((event.clientX - box.left) / box.width, 0), 1) * this.actions.duration();
  }

  drag(event) {
    if (!this.held) return;
    if (this.marking) this.marking[1] = this.instant(event);
    else this.actions.seek(this.instant(event));
  }

  release() {
    if (!this.held) return;
    this.held = false;
    const marked = this.marking;
    this.marking = null;
    if (marked) this.actions.mark(...marked);
    else this.actions.end();
  }

  step(key) {
    const [position, duration] = [this.actions.position(), this.actions.duration()];
    const moved = { ArrowLeft: -1, ArrowDown: -1, ArrowRight: 1, ArrowUp: 1, PageDown: -5, PageUp: 5 };
    const wanted = key === "Home" ? 0 : key === "End" ? duration : position + (moved[key] ?? NaN);
    if (!Number.isFinite(wanted)) return false;
    this.actions.seek(Math.min(Math.max(wanted, 0), duration));
    return true;
  }

  describe(position, duration) {
    this.bar.setAttribute("aria-valuemax", duration.toFixed(1));
    this.bar.setAttribute("aria-valuenow", position.toFixed(1));
    this.bar.setAttribute("aria-valuetext", `${clockText(position)} of ${clockText(duration)}`);
  }

  // passage: {from, to} in s, what is looped; null for the whole.
  draw(traces, track, position, duration, colours, warning, passage) {
    const { pen, width, height } = fitted(this.canvas);
    if (width < 2 || !duration) return;
    const playhead = Math.round((position / duration) * width * 2) / 2;
    const same = this.paint(traces, track, width, height, colours);
    if (same && playhead === this.playhead && warning === this.warning && passage === this.passage) return;
    this.playhead = playhead;
    this.passage = passage;
    this.warning = warning;
    pen.clearRect(0, 0, width, height);
    pen.drawImage(this.picture, 0, 0, width, height);
    pen.save();
    pen.globalCompositeOperation = "destination-out";
    pen.globalAlpha = 0.5;
    pen.fillRect(playhead, 0, width - playhead, height - STRIP - 3);
    pen.restore();
    if (passage) this.frame(pen, passage, width / duration, height, colours);
    if (warning?.over && warning.at_s >= 0) this.mark(pen, (warning.at_s / duration) * width, height, colours);
    pen.fillStyle = colours["--envlab-ink"];
    pen.fillRect(playhead - 1, 0, 2, height);
    pen.beginPath();
    pen.arc(playhead, 4, 4, 0, 2 * Math.PI);
    pen.fill();
  }

  // What is not looped is paled, and the ends of what is have a line each.
  frame(pen, { from, to }, perSecond, height, colours) {
    pen.save();
    pen.globalCompositeOperation = "destination-out";
    pen.globalAlpha = 0.75;
    pen.fillRect(0, 0, from * perSecond, height);
    pen.fillRect(to * perSecond, 0, this.canvas.width, height);
    pen.restore();
    pen.fillStyle = colours["--envlab-light"];
    for (const end of [from, to]) pen.fillRect(end * perSecond - 1, 0, 2, height);
  }

  mark(pen, x, height, colours) {
    pen.fillStyle = colours["--envlab-warn"];
    pen.beginPath();
    pen.moveTo(x, height - STRIP - 3);
    pen.lineTo(x - 5, height - STRIP - 12);
    pen.lineTo(x + 5, height - STRIP - 12);
    pen.closePath();
    pen.fill();
  }

  // Bars and strip change with clip, board and width only; between, the picture of them is kept: returns true.
  // While a part is turned the strip keeps up a few times a second: it shows the whole clip, of which the kernel
  // tells some seconds at a time then.
  paint(traces, track, width, height, colours) {
    const [wide, high] = [this.canvas.width, this.canvas.height];
    const framed = [traces, wide, high, colours];
    const shown = [track.number, track.showing, track.exact, track.clip];
    const known = (kept, wanted) => kept?.every((part, place) => part === wanted[place]);
    const sameFrame = known(this.painted, framed);
    if (sameFrame && known(this.stripShown, shown)) return true;
    const now = performance.now();
    if (sameFrame && !track.exact && track.clip === this.stripShown[3] && now - this.stripMs < STRIP_EVERY_MS) return true;
    this.stripMs = now;
    this.stripShown = shown;
    if (!sameFrame) {
      this.painted = framed;
      [this.picture.width, this.picture.height] = [wide, high];
    }
    const pen = this.picture.getContext("2d");
    pen.setTransform(wide / width, 0, 0, high / height, 0, 0);
    if (!sameFrame) this.paintLevel(pen, traces, width, height - STRIP - 4, colours);
    pen.clearRect(0, height - STRIP, width, STRIP);
    lightBars(track.codes, Math.floor(width)).forEach((light, at) => {
      pen.fillStyle = greyOf(light);
      pen.fillRect(at, height - STRIP, 1.5, STRIP);
    });
    return false;
  }

  paintLevel(pen, traces, width, height, colours) {
    if (!traces?.rows.pressure_pa) return;
    const levels = levelBars(traces.rows.pressure_pa, Math.floor(width / BAR));
    const top = Math.ceil(Math.max(...levels) / 10) * 10;
    pen.fillStyle = colours["--envlab-pressure"];
    levels.forEach((level, bar) => {
      const high = Math.min(Math.max((level - top + SPAN_DB) / SPAN_DB, 0.02), 1) * height;
      pen.fillRect(bar * BAR, height - high, BAR - 1, high);
    });
    this.caption.textContent = `Above: peak level, ${top - SPAN_DB} to ${top} dB SPL. Below: the light.`;
  }
}
