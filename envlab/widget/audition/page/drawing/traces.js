// What the circuit does round the playhead: one lane for each quantity, moving with the sound. The name and
// the value at the playhead stand beside each lane as text.
import { fitted, make, setText } from "../dom.js";

const WINDOW_S = 4;
const PICTURES_KEPT = 4;
const LANES = {
  pressure_pa: { label: "Sound pressure", colour: "--envlab-pressure", mirrored: true, digits: 3 },
  detector_v: { label: "Detector", colour: "--envlab-detector", digits: 3 },
  adc_counts: { label: "ADC reading", colour: "--envlab-counts", digits: 0 },
  lightness: { label: "Lightness", colour: "--envlab-light", digits: 1 },
};

export function valueText(value, name) {
  if (!Number.isFinite(value)) return "–";
  return value.toFixed(LANES[name]?.digits ?? 3);
}

export function unitOf(header, name) {
  const units = header.units ?? {};
  return (Array.isArray(units) ? units[header.names.indexOf(name)] : units[name]) ?? "";
}

// Where the window begins: it moves with the sound, the playhead in its middle. For who asked for less motion
// it turns like a page instead.
export function windowStart(position, paged) {
  return paged ? Math.floor(position / WINDOW_S) * WINDOW_S : position - WINDOW_S / 2;
}

// Row in steps of `stride` points, aligned to the row so that nothing dances while it moves: [place, low, high].
export function stepped(row, first, last, stride) {
  const steps = [];
  for (let at = Math.floor(first / stride) * stride; at < last; at += stride) {
    if (at < 0 || at >= row.length) continue;
    let low = row[at];
    let high = row[at];
    for (let next = at + 1; next < Math.min(at + stride, row.length); next += 1) {
      if (row[next] < low) low = row[next];
      if (row[next] > high) high = row[next];
    }
    steps.push([at, low, high]);
  }
  return steps;
}

export class TracesPanel {
  constructor() {
    this.canvas = make("canvas", { "data-part": "traces", "aria-hidden": "true" });
    this.names = make("div", { class: "envlab-lane-names" });
    this.element = make("div", { class: "envlab-traces" }, this.names, this.canvas);
    this.paged = globalThis.matchMedia?.("(prefers-reduced-motion: reduce)").matches ?? false;
    this.values = {};
    this.shown = "";
    this.keptFor = null;
    this.pictures = new Map();
  }

  describe(traces) {
    const wanted = JSON.stringify([traces.header.names, traces.header.units, traces.header.limits]);
    if (wanted === this.shown) return;
    this.shown = wanted;
    this.values = {};
    const rows = traces.header.names.map((name) => {
      const lane = LANES[name] ?? { label: name, colour: "--envlab-ink" };
      const unit = unitOf(traces.header, name);
      this.values[name] = make("span", { class: "envlab-lane-value", "data-part": `value_${name}` }, "–");
      const [low, high] = traces.header.limits[name];
      const limit = make("span", { class: "envlab-lane-limit" }, `scale ${short(low)} to ${short(high)}`);
      const key = make("span", { class: "envlab-lane-key", style: `background: var(${lane.colour})` });
      return make(
        "div",
        { class: "envlab-lane" },
        make("div", { class: "envlab-lane-name" }, key, lane.label),
        make("div", {}, this.values[name], ` ${unit}`, limit),
      );
    });
    this.names.replaceChildren(...rows);
  }

  showValues(traces, position) {
    for (const name of traces.header.names) {
      const row = traces.rows[name];
      const at = Math.min(Math.max(Math.floor(position * traces.header.rate_hz + 1e-6), 0), row.length - 1);
      setText(this.values[name], valueText(row[at], name));
    }
  }

  // The lanes move as pictures, each of one window's length and kept while nothing changes; to stroke them
  // anew for every refresh of the screen would cost most of what the page does.
  draw(traces, position, colours) {
    const { pen, width, height } = fitted(this.canvas);
    pen.clearRect(0, 0, width, height);
    if (!traces || width < 2) return;
    this.keepFor([traces, colours, this.canvas.width, this.canvas.height]);
    const start = windowStart(position, this.paged);
    const playhead = ((position - start) * width) / WINDOW_S;
    // What has sounded stands in full colour, what is to come is paler.
    this.drawPart(pen, traces, { start, from: 0, to: playhead, width, height }, colours, 1);
    this.drawPart(pen, traces, { start, from: playhead, to: width, width, height }, colours, 0.5);
    pen.strokeStyle = colours["--envlab-ink"];
    pen.lineWidth = 1.5;
    pen.beginPath();
    pen.moveTo(playhead, 0);
    pen.lineTo(playhead, height);
    pen.stroke();
  }

  keepFor(wanted) {
    if (this.keptFor?.every((part, place) => part === wanted[place])) return;
    this.keptFor = wanted;
    this.pictures = new Map();
  }

  drawPart(pen, traces, { start, from, to, width, height }, colours, alpha) {
    const lanes = laneBoxes(traces, height);
    pen.save();
    pen.beginPath();
    pen.rect(from, 0, Math.max(to - from, 0), height);
    pen.clip();
    pen.fillStyle = colours["--envlab-lane"];
    for (const { top, bottom } of lanes) pen.fillRect(0, top - 3, width, bottom - top + 6);
    pen.globalAlpha = alpha;
    const first = Math.floor(start / WINDOW_S);
    for (const tile of [first, first + 1]) {
      if (tile < 0) continue;
      const ratio = this.canvas.width / width;
      const x = Math.round((tile * WINDOW_S - start) * (width / WINDOW_S) * ratio) / ratio;
      if (x < width) pen.drawImage(this.picture(tile, traces, lanes, width, height, colours), x, 0, width, height);
    }
    pen.restore();
  }

  picture(tile, traces, lanes, width, height, colours) {
    const kept = this.pictures.get(tile);
    if (kept) return kept;
    const made = document.createElement("canvas");
    made.width = this.canvas.width;
    made.height = this.canvas.height;
    const pen = made.getContext("2d");
    pen.scale(made.width / width, made.height / height);
    const view = { start: tile * WINDOW_S, perSecond: width / WINDOW_S, width, rate: traces.header.rate_hz };
    traces.header.names.forEach((name, place) => drawLane(pen, traces, name, view, lanes[place], colours));
    if (this.pictures.size >= PICTURES_KEPT) this.pictures.delete(this.pictures.keys().next().value);
    this.pictures.set(tile, made);
    return made;
  }
}

function laneBoxes(traces, height) {
  const high = height / traces.header.names.length;
  return traces.header.names.map((_, place) => ({ top: place * high + 5, bottom: (place + 1) * high - 5 }));
}

function drawLane(pen, traces, name, view, box, colours) {
  const lane = LANES[name] ?? { colour: "--envlab-ink" };
  const [low, high] = traces.header.limits[name];
  const stride = Math.max(1, Math.round((WINDOW_S * view.rate) / view.width));
  const first = view.start * view.rate - stride;
  const last = (view.start + WINDOW_S) * view.rate + stride + 1;
  const path = lanePath(stepped(traces.rows[name], first, last, stride), stride, view, box, {
    low: lane.mirrored ? -high : low,
    high,
    mirrored: lane.mirrored,
  });
  pen.strokeStyle = pen.fillStyle = colours[lane.colour];
  pen.lineWidth = 1.6;
  pen.lineJoin = "round";
  if (lane.mirrored) pen.fill(path);
  else pen.stroke(path);
}

function lanePath(steps, stride, view, box, scale) {
  const path = new Path2D();
  const across = (at) => (at / view.rate - view.start) * view.perSecond;
  const span = scale.high - scale.low || 1;
  const down = (value) => {
    const share = Math.min(Math.max((value - scale.low) / span, 0), 1);
    return box.bottom - share * (box.bottom - box.top);
  };
  const wide = Math.max((stride / view.rate) * view.perSecond, 0.5);
  steps.forEach(([at, low, high], place) => {
    const x = across(at);
    if (scale.mirrored) {
      const top = down(high);
      path.rect(x, top, wide, Math.max(down(-high) - top, 0.8));
      return;
    }
    if (place) path.lineTo(x, down(high));
    else path.moveTo(x, down(high));
    path.lineTo(x, down(low));
    if (stride === 1) path.lineTo(x + wide, down(low));
  });
  return path;
}

function short(value) {
  return Number.isInteger(value) ? String(value) : Number(value.toPrecision(3)).toString();
}
