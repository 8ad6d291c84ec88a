// A kernel that is not there: a model with the traits and answers of the widget, for the page alone. Its light
// follows the release resistor by one formula that a test can compute as well.

export const RELEASES = ["47k", "100k", "220k", "470k", "1M"];
export const LEVELS = ["72", "92", "104"];
const RATE = 22050;
const SECONDS = 8;
const FRAME_RATE = 100;

export function framed(header, body, least = 0) {
  let text = JSON.stringify(header);
  while ((4 + text.length) % 4) text += " ";
  const length = Math.max(4 + text.length + body.byteLength, least);
  const bytes = new Uint8Array(length);
  new DataView(bytes.buffer).setUint32(0, text.length, true);
  bytes.set(new TextEncoder().encode(text), 4);
  bytes.set(new Uint8Array(body.buffer, body.byteOffset, body.byteLength), 4 + text.length);
  return new DataView(bytes.buffer);
}

// Beats twice a second that die away; `release` 0.. sets how slowly, `phase` tells the clips apart.
export function lightness(seconds, release, phase = 0) {
  const since = (seconds + phase) % 0.5;
  return Math.exp(-since / (0.08 + 0.06 * release)) * (0.75 + 0.25 * Math.sin(seconds));
}

export function lightCodes(release, clip, first = 0, frames = SECONDS * FRAME_RATE) {
  return Uint16Array.from({ length: frames }, (_, at) =>
    Math.round(65535 * lightness((first + at) / FRAME_RATE, release, clip / 4) ** 2.2),
  );
}

function drumSound(clip) {
  const samples = RATE * SECONDS;
  const bytes = new ArrayBuffer(44 + 2 * samples);
  const view = new DataView(bytes);
  const letters = (at, text) => [...text].forEach((letter, i) => view.setUint8(at + i, letter.charCodeAt(0)));
  letters(0, "RIFF");
  view.setUint32(4, 36 + 2 * samples, true);
  letters(8, "WAVEfmt ");
  view.setUint32(16, 16, true);
  view.setUint16(20, 1, true);
  view.setUint16(22, 1, true);
  view.setUint32(24, RATE, true);
  view.setUint32(28, 2 * RATE, true);
  view.setUint16(32, 2, true);
  view.setUint16(34, 16, true);
  letters(36, "data");
  view.setUint32(40, 2 * samples, true);
  for (let at = 0; at < samples; at += 1) {
    const t = at / RATE;
    const since = (t + clip / 4) % 0.5;
    const wave = Math.sin(2 * Math.PI * 90 * since) * Math.exp(-since / 0.09);
    view.setInt16(44 + 2 * at, Math.round(24000 * wave), true);
  }
  return new Uint8Array(bytes);
}

function traceRows(release, clip) {
  const points = SECONDS * 250;
  const rows = new Float32Array(4 * points);
  for (let at = 0; at < points; at += 1) {
    const t = at / 250;
    const since = (t + clip / 4) % 0.5;
    rows[at] = 2.6 * Math.exp(-since / 0.09) * (0.55 + 0.45 * Math.abs(Math.sin(977 * t)));
    rows[points + at] = 2.4 * lightness(t, release, clip / 4);
    rows[2 * points + at] = Math.round(rows[points + at] * 310);
    rows[3 * points + at] = 100 * lightness(t, release, clip / 4) ** 0.8;
  }
  return { rows, points };
}

const RANGE = (from, to, step) => Array.from({ length: (to - from) / step + 1 }, (_, at) => String(from + at * step));

export const SETUP = {
  clips: [
    { label: "drum line, 92 dB SPL", level_db_spl: 92, duration_s: SECONDS },
    { label: "brass drone, 72 dB SPL", level_db_spl: 72, duration_s: SECONDS },
  ],
  controls: [
    { key: "preamp.feedback_ohm", label: "Feedback resistor", unit: "Ω", group: "Microphone and preamp", kind: "steps", options: ["10k", "22k", "47k"], help: "Gain is one and feedback over ground." },
    { key: "rectifier.kind", label: "Rectifier", unit: "", group: "Rectifier and detector", kind: "choice", options: ["full wave", "half wave", "silicon diode"] },
    { key: "detector.attack_ohm", label: "Attack resistor", unit: "Ω", group: "Rectifier and detector", kind: "steps", options: ["1k", "2k2", "4k7", "10k"] },
    { key: "detector.hold_farad", label: "Hold capacitor", unit: "F", group: "Rectifier and detector", kind: "steps", options: ["220n", "470n", "1u", "2u2"] },
    { key: "detector.release_ohm", label: "Release resistor", unit: "Ω", group: "Rectifier and detector", kind: "steps", options: RELEASES, help: "Empties the hold capacitor." },
    { key: "brightness.floor_db_spl", label: "Floor", unit: "dB SPL", group: "Light", kind: "steps", options: RANGE(50, 80, 2) },
    { key: "brightness.ceiling_db_spl", label: "Ceiling", unit: "dB SPL", group: "Light", kind: "steps", options: RANGE(90, 114, 2) },
    { key: "brightness.curve", label: "Curve", unit: "", group: "Light", kind: "choice", options: ["lightness, even to the eye", "power law", "straight in counts", "decibel, each dB a factor of light"] },
    { key: "frame_rate_hz", label: "Frame rate", unit: "Hz", group: "Light", kind: "steps", options: ["30", "50", "60", "100"] },
    { key: "sound.level_db_spl", label: "Level", unit: "dB SPL", group: "Sound", kind: "steps", options: LEVELS },
  ],
  pixels: { count: 24, layouts: ["line", "shoulders"] },
  frame_rate_hz: FRAME_RATE,
  flash_limit: 3,
  least_passage_s: 0.5,
  notes: [
    "A screen is far darker than a lamp in the night, and shows no more than its own white.",
    "All pixels get the same light; colour is added later, per pixel.",
  ],
  upload: { most_bytes: 60e6, most_s: 120, formats: ["WAV", "FLAC", "OGG", "MP3"], levels: [] },
};

const START = {
  "preamp.feedback_ohm": 1, "rectifier.kind": 0, "detector.attack_ohm": 2, "detector.hold_farad": 2,
  "detector.release_ohm": 1, "brightness.floor_db_spl": 8, "brightness.ceiling_db_spl": 6, "brightness.curve": 0,
  frame_rate_hz: 3, "sound.level_db_spl": 1,
};

export class FakeModel {
  constructor({ delayMs = 30, over = () => false } = {}) {
    this.delayMs = delayMs;
    this.over = over;
    this.heard = [];
    this.answers = true;
    this.traits = {};
    this.listeners = new Map();
    this.past = [];
    this.future = [];
    this.state = { passage_s: null, can_undo: false, can_redo: false, clip: 0, showing: "board_a", board_a: { ...START }, board_b: null, status: "", saved: "", error: "", busy: "", digital: "", answered: 0 };
    this.set({ setup: SETUP, sound: this.sound(), state: this.state });
    this.tell(0, true);
  }

  get(name) {
    return this.traits[name];
  }

  on(name, act) {
    this.listeners.set(name, [...(this.listeners.get(name) ?? []), act]);
  }

  set(traits) {
    Object.assign(this.traits, traits);
    for (const name of Object.keys(traits)) for (const act of this.listeners.get(`change:${name}`) ?? []) act();
  }

  release(showing = this.state.showing) {
    return (this.state[showing === "board_b" ? "board_b" : "board_a"] ?? this.state.board_a)["detector.release_ohm"];
  }

  sound() {
    const header = { clip: this.state.clip, label: "", sample_rate_hz: RATE, duration_s: SECONDS };
    return framed(header, drumSound(this.state.clip));
  }

  tell(number, exact) {
    const { clip, showing } = this.state;
    const total = SECONDS * FRAME_RATE;
    const [first, frames] = exact ? [0, total] : [0, 300];
    const header = { number, clip, showing, frame_rate_hz: FRAME_RATE, first_frame: first, frames, total_frames: total, exact, full_duty: 0.278, luminance_of_full: 1 };
    this.set({ light: framed(header, lightCodes(this.release(), clip, first, frames), 70000) });
    if (!exact) return;
    const { rows, points } = traceRows(this.release(), clip);
    const names = ["pressure_pa", "detector_v", "adc_counts", "lightness"];
    const units = { pressure_pa: "Pa", detector_v: "V", adc_counts: "counts", lightness: "L*" };
    const limits = { pressure_pa: [0, 3], detector_v: [0, 3.3], adc_counts: [0, 1023], lightness: [0, 100] };
    this.set({
      traces: framed({ number, clip, showing, rate_hz: 250, points, names, units, limits }, rows),
      flash: { board_a: this.verdict("board_a", number), board_b: this.state.board_b && this.verdict("board_b", number), digital: this.verdict("digital", number) },
      metrics: { number, board_a: this.metrics("board_a"), board_b: this.state.board_b ? this.metrics("board_b") : [], digital: exact ? this.metrics("board_a") : [] },
    });
  }

  // A layout of light: a bar whose length is the light of the whole, its last pixel part of the way.
  bar(pixels = 24) {
    const { clip, showing } = this.state;
    const whole = lightCodes(this.release(), clip);
    const body = new Uint16Array(whole.length * (1 + pixels));
    body.set(whole);
    whole.forEach((code, frame) => {
      for (let at = 0; at < pixels; at += 1) {
        const lit = Math.min(Math.max((code / 65535) * pixels - at, 0), 1);
        body[whole.length + frame * pixels + at] = Math.round(65535 * lit);
      }
    });
    const number = this.state.answered;
    const header = { number, clip, showing, frame_rate_hz: FRAME_RATE, first_frame: 0, frames: whole.length, total_frames: whole.length, exact: true, full_duty: 0.278, pixels };
    this.set({ light: framed(header, body, 70000) });
  }

  verdict(showing, number) {
    const over = this.over(this.release(showing));
    return { known: true, worst: over ? 5 : 2, limit: 3, at_s: 2.5, over, sentence: "", number, clip: this.state.clip, passage_s: this.state.passage_s };
  }

  metrics(showing) {
    const release = this.release(showing);
    return [
      { name: "attack_ms", label: "Attack, 1 kHz", value_text: "11.2", unit: "ms", help: "to 90 % of settled" },
      { name: "release_ms", label: "Release", value_text: String(110 * (release + 1)), unit: "ms" },
      { name: "beat_contrast_lstar", label: "Beat's contrast", value_text: String(48 - 6 * release), unit: "L*" },
      { name: "supply_peak_a", label: "Supply, peak", value_text: "2.94", unit: "A" },
      { name: "flashes_per_s", label: "Flashes in the worst second", value_text: this.over(release) ? "5" : "2", unit: "" },
    ];
  }

  send(message, _callbacks, buffers = []) {
    this.heard.push({ ...message, buffers: buffers.length, at: performance.now() });
    if (!this.answers) return;
    if (message.do === "ping") {
      for (const act of this.listeners.get("msg:custom") ?? []) act({ do: "pong", number: message.number });
      return;
    }
    setTimeout(() => this.answer(message), this.delayMs);
  }

  step(from, to, now) {
    if (!from.length) return now;
    this.gesture = undefined;
    to.push(now);
    return from.pop();
  }

  answer(message) {
    const { state } = this;
    const next = { ...state, board_a: { ...state.board_a }, answered: message.number, error: "", saved: "", status: "" };
    if (message.do === "turn") {
      if (message.gesture === undefined || message.gesture !== this.gesture) this.past.push(state.board_a);
      [this.gesture, this.future] = [message.gesture, []];
      next.board_a[message.key] = message.index;
    }
    if (message.do === "undo") next.board_a = this.step(this.past, this.future, state.board_a);
    if (message.do === "redo") next.board_a = this.step(this.future, this.past, state.board_a);
    [next.can_undo, next.can_redo] = [this.past.length > 0, this.future.length > 0];
    if (message.do === "passage") next.passage_s = message.passage_s;
    if (message.do === "clip") [next.clip, next.passage_s] = [message.index, null];
    if (message.do === "show") next.showing = message.showing;
    if (message.do === "board_b") [next.board_b, next.status] = [{ ...next.board_a }, "Board A is kept as B."];
    if (message.do === "take_back" && next.board_b) next.board_a = { ...next.board_b };
    if (message.do === "save" && !message.overwrite && message.path === "taken.toml") next.error = "taken.toml: exists already";
    else if (message.do === "save") next.saved = next.status = `Written: ${message.path}`;
    if (message.do === "upload") next.error = `${message.name}: no sound that can be read`;
    this.state = next;
    this.set({ state: next, ...(message.do === "clip" ? { sound: this.sound() } : {}) });
    if (next.error) return;
    this.tell(message.number, false);
    setTimeout(() => this.tell(message.number, true), 120);
  }
}
