// One view of a session: the page's elements, drawn anew when something changed or while it plays.
import { clockText, frameIndex } from "./session/clock.js";
import { luminanceOfCss } from "./drawing/colour.js";
import { PartsPanel } from "./controls.js";
import { freshId, make, setText } from "./dom.js";
import { listenForKeys } from "./keys.js";
import { LightsCanvas } from "./drawing/lights.js";
import { BOARD_NAMES, MetricsTable, FlashWarning, keyHelp, notesList } from "./readout.js";
import { SaveForm, UploadForm } from "./save_upload.js";
import { SeekBar } from "./drawing/seek.js";
import { TracesPanel } from "./drawing/traces.js";
import { LoopLine, TransportBar } from "./transport.js";

const TEXT_EVERY_MS = 100;
const CALM_MS = 350;
// Most answers come sooner.
const LATE_MS = 300;
const COLOURS = ["ink", "lane", "pressure", "detector", "counts", "light", "warn"].map((name) => `--envlab-${name}`);

export class AuditionView {
  constructor(session, host) {
    this.session = session;
    this.refreshMs = 1000 / 60;
    this.lastTickMs = 0;
    this.textMs = -Infinity;
    this.lightMs = -Infinity;
    this.handle = 0;
    this.late = 0;
    this.drawn = null;
    this.colours = {};
    this.build();
    host.append(this.root);
    this.watch();
    session.join(this);
    this.changed("all");
  }

  build() {
    const { session } = this;
    this.lightsCanvas = make("canvas", { "data-part": "lights", role: "img" });
    this.lights = new LightsCanvas(this.lightsCanvas);
    this.caption = make("p", { class: "envlab-caption" });
    this.transport = new TransportBar(session);
    this.seekBar = new SeekBar({
      begin: () => session.beginScrub(),
      seek: (seconds) => session.seek(seconds),
      end: () => session.endScrub(),
      duration: () => session.engine.duration,
      position: () => session.engine.position(),
      mark: (one, other) => session.mark(one, other),
    });
    this.traces = new TracesPanel();
    this.loop = new LoopLine(session);
    this.parts = new PartsPanel((key, index, stroke) => session.turn(key, index, stroke));
    this.undo = this.button("undo", "Undo", () => session.undo());
    this.redo = this.button("redo", "Redo", () => session.redo());
    this.metrics = new MetricsTable();
    this.warning = new FlashWarning({
      playAnyway: () => session.playAnyway(),
      playSteady: () => session.playSteady(),
    });
    this.saveForm = new SaveForm((path, overwrite) => session.save(path, overwrite));
    this.uploadForm = new UploadForm(
      (name, level, bytes) => session.upload(name, level, bytes),
      (sentence) => session.complain(sentence),
    );
    this.status = make("p", { class: "envlab-status", "data-part": "status", role: "status" });
    this.busy = make("p", { class: "envlab-status", "data-part": "busy" });
    this.error = make("p", { class: "envlab-error", "data-part": "error", role: "alert", hidden: true });
    this.dead = make("p", { class: "envlab-error", "data-part": "dead_kernel", role: "alert", hidden: true });
    this.notes = make("div", { class: "envlab-notes" });
    this.boardB = this.button("board_b", "Keep as B", () => session.boardB());
    this.takeBack = this.button("take_back", "Take back", () => session.takeBack());
    this.root = this.assemble();
    this.root.envlab = this.hooks();
    listenForKeys(this.root, {
      play: () => session.togglePlay(),
      seek: (key) => this.seekBar.step(key),
      show: (board) => session.show(board),
      undo: () => session.undo(),
      redo: () => session.redo(),
      begin: () => session.markBegin(),
      end: () => session.markEnd(),
      whole: () => session.mark(),
    });
  }

  button(key, text, press) {
    return make("button", { type: "button", "data-key": key, onclick: press }, text);
  }

  assemble() {
    const reduced = this.traces.paged;
    const titleId = freshId("title");
    const boards = make(
      "section",
      { class: "envlab-boards", "aria-label": "Two boards" },
      make("h3", {}, "Two boards"),
      make(
        "p",
        { class: "envlab-note" },
        "Keep as B keeps board A for comparing; go on turning A, then switch between the two while it plays.",
      ),
      make("div", { class: "envlab-buttons" }, this.boardB, this.takeBack),
      make("div", { class: "envlab-scroll" }, this.metrics.element),
      this.saveForm.element,
    );
    const own = make(
      "fieldset",
      { class: "envlab-group" },
      make("legend", {}, "A recording of your own"),
      this.uploadForm.element,
    );
    const stage = make("div", { class: "envlab-stage" }, this.lightsCanvas, this.transport.worn, this.caption);
    const steps = make("div", { class: "envlab-line envlab-steps" }, this.undo, this.redo);
    const keys = unfolded("Keys", keyHelp(reduced));
    const notes = unfolded("What this shows and what not", this.notes);
    return make(
      "section",
      { class: "envlab-audition", tabindex: "-1", "aria-labelledby": titleId },
      make("h2", { id: titleId, class: "envlab-hidden" }, "Hear the recording, see the lights, turn the parts"),
      this.dead,
      make("div", { class: "envlab-scene" }, stage, this.warning.element),
      this.transport.element,
      make("div", { class: "envlab-says" }, this.error, this.status, this.busy),
      make(
        "div",
        { class: "envlab-columns" },
        make("div", { class: "envlab-column" }, this.seekBar.element, this.loop.element, this.traces.element, boards),
        make("div", { class: "envlab-column" }, steps, this.parts.element, own),
      ),
      make("div", { class: "envlab-foot" }, keys, notes),
    );
  }

  hooks() {
    const { session } = this;
    const frameAt = (seconds) => frameIndex(seconds, session.track.frameRateHz, session.track.codes.length);
    return {
      engine: session.engine,
      position: () => session.engine.position(),
      playing: () => session.engine.playing,
      frameAt,
      luminanceAt: (seconds) => session.track.luminance(frameAt(seconds)),
      drawn: () => this.drawn,
      verdict: () => session.gate.verdict,
    };
  }

  // ---- when to draw

  watch() {
    this.resized = new ResizeObserver(() => this.wake());
    this.resized.observe(this.root);
    this.themed = new MutationObserver(() => this.findShade());
    this.themed.observe(document.body, { attributes: true });
    this.findShade();
  }

  // Dark or light: what stands behind the widget tells, whatever the page is.
  findShade() {
    let luminance = null;
    for (let at = this.root.parentElement; at && luminance === null; at = at.parentElement) {
      luminance = luminanceOfCss(getComputedStyle(at).backgroundColor);
    }
    const shade = luminance !== null && luminance < 0.2 ? "dark" : "light";
    if (shade === this.root.dataset.shade && this.colours["--envlab-ink"]) return;
    this.root.dataset.shade = shade;
    const style = getComputedStyle(this.root);
    this.colours = Object.fromEntries(COLOURS.map((name) => [name, style.getPropertyValue(name).trim()]));
    this.wake();
  }

  wake() {
    this.textMs = -Infinity;
    this.handle ||= requestAnimationFrame((now) => this.tick(now));
  }

  tick(nowMs) {
    this.handle = 0;
    const gap = nowMs - this.lastTickMs;
    this.lastTickMs = nowMs;
    if (gap > 2 && gap < 50) this.refreshMs += 0.1 * (gap - this.refreshMs);
    const settled = this.draw(nowMs);
    if (this.stale) this.describe();
    if (this.session.engine.playing || !settled) {
      this.handle ||= requestAnimationFrame((next) => this.tick(next));
    }
  }

  // What the kernel tells comes in several pieces at once: the light is drawn first, the words once after it.
  changed(what) {
    if (what === "asked") {
      this.waitForAnswer();
      return;
    }
    this.stale = true;
    if (what === "alive") this.findShade();
    if (what === "all" || what === "play" || what === "problem") this.describe();
    if (what === "play" && this.session.asking) this.warning.steady.focus();
    this.wake();
  }

  // A page that lays itself out anew takes the answer late: what is asked is put into words only if none comes.
  waitForAnswer() {
    this.root.dataset.busy = String(this.session.queue.busy);
    this.late ||= setTimeout(() => {
      this.late = 0;
      if (!this.session.queue.busy) return;
      this.stale = true;
      this.wake();
    }, LATE_MS);
  }

  // ---- words and controls, from what the kernel says

  describe() {
    const { session } = this;
    this.stale = false;
    if (session.setup !== this.setupShown) this.buildFrom(session.setup);
    const { setup, state, engine, gate } = session;
    const dead = !session.pulse.alive;
    const late = session.queue.waitedMs(performance.now()) >= LATE_MS;
    this.parts.update(state.board_a ?? {}, state.board_b, (key) => session.pendingTurn(key), { late, dead });
    this.transport.update(session, dead);
    this.warning.update(gate, { asking: session.asking, playing: engine.playing, steady: session.steady });
    this.metrics.update(session.metrics);
    this.boardB.disabled = dead;
    this.takeBack.disabled = dead || !state.board_b;
    this.undo.disabled = dead || !state.can_undo;
    this.redo.disabled = dead || !state.can_redo;
    this.loop.update(engine, dead);
    this.saveForm.update({ error: state.error, busy: session.queue.busy }, dead);
    this.uploadForm.update(setup.upload, dead);
    const error = session.problem || state.error || "";
    setText(this.error, error);
    this.error.hidden = !error;
    setText(this.dead, dead ? DEAD : "");
    this.dead.hidden = !dead;
    setText(this.status, statusText(session));
    setText(this.busy, state.busy ? `Computing ${state.busy}…` : "");
    this.root.dataset.ready = String(session.ready);
    this.root.dataset.playing = String(engine.playing);
    this.root.dataset.steady = String(session.steady);
    this.root.dataset.alive = String(!dead);
    this.root.dataset.busy = String(session.queue.busy);
  }

  buildFrom(setup) {
    this.setupShown = setup;
    this.notes.replaceChildren(notesList(setup.notes ?? []));
    this.parts.build(setup.controls ?? []);
    this.transport.build(setup);
  }

  // ---- light, level trace, traces

  // Returns whether nothing is left to draw until something changes. The light is that of the instant of the
  // next refresh of the screen, as that is when it will be seen.
  draw(nowMs) {
    const { session } = this;
    const { engine, track } = session;
    const position = engine.position(engine.playing ? this.refreshMs : 0);
    const settled = this.drawLights(position, nowMs);
    const traces = this.tracesOfClip();
    this.seekBar.draw(traces, track, position, engine.duration, this.colours, session.gate.verdict, engine.passage);
    this.traces.draw(traces, position, this.colours);
    if (!engine.playing || nowMs - this.textMs >= TEXT_EVERY_MS) this.drawText(position, nowMs);
    return settled;
  }

  drawLights(position, nowMs) {
    const { session } = this;
    const { track } = session;
    const frame = frameIndex(position, track.frameRateHz, track.codes.length);
    const fits = session.engine.clip === track.clip;
    // Seeking fast must not become flashing: then the light changes at most every 350 ms.
    if (this.drawn && performance.now() - session.soughtMs < CALM_MS && nowMs - this.lightMs < CALM_MS) return false;
    const luminance = session.steady ? track.meanLuminance() : fits ? track.luminance(frame) : 0;
    const pixels = session.steady || !fits ? null : track.pixelsAt(frame);
    const count = pixels ? pixels.length : (session.setup.pixels?.count ?? 24);
    const css = this.lights.draw(luminance, count, session.layout, pixels);
    this.lightMs = nowMs;
    this.drawn = {
      frame,
      luminance,
      pixels,
      code: track.codes[frame] ?? 0,
      css,
      number: track.number,
      clip: track.clip,
      frame_rate_hz: track.frameRateHz,
      showing: track.showing,
      exact: track.exact,
      steady: session.steady,
      position_s: position,
      drawn_ms: performance.now(),
    };
    if (css.length) this.root.dataset.number = String(track.number);
    return true;
  }

  // Another clip's sound comes before its traces; until then the lanes stay empty.
  tracesOfClip() {
    const { traces, engine } = this.session;
    return traces?.header.clip === engine.clip ? traces : null;
  }

  drawText(position, nowMs) {
    const { session } = this;
    this.textMs = nowMs;
    // Who listens to the page instead of seeing it hears the seconds, not the tenths.
    const told = session.engine.playing ? Math.floor(position) : position;
    this.seekBar.describe(told, session.engine.duration);
    this.transport.showTime(position, session.engine.duration);
    const traces = this.tracesOfClip();
    if (traces) {
      this.traces.describe(traces);
      this.traces.showValues(traces, position);
    }
    const board = BOARD_NAMES[session.track.showing] ?? "";
    const held = session.steady ? ", held steady" : "";
    const shown = board.charAt(0).toLowerCase() + board.slice(1);
    setText(this.caption, `Lights: ${shown}${held}`);
    this.lightsCanvas.setAttribute("aria-label", `Pixels of the yoke, ${shown}${held}`);
  }

  close() {
    cancelAnimationFrame(this.handle);
    clearTimeout(this.late);
    this.resized.disconnect();
    this.themed.disconnect();
    this.session.leave(this);
    this.root.remove();
  }
}

function unfolded(title, content) {
  return make("details", { class: "envlab-more", open: true }, make("summary", {}, title), content);
}

const DEAD =
  "The kernel does not answer. If it is busy with another cell, wait; if it was restarted, run this cell again. " +
  "What you see is the last that it told.";

function statusText(session) {
  if (session.queue.inFlight?.message.do === "upload") return "The recording is being read…";
  if (session.wantsPlay) return "Counting flashes of the whole clip before it plays…";
  if (session.engine.heldBack) return "The browser holds the sound back; press Play once more.";
  const { state } = session;
  const firmware = state.showing === "digital" ? state.digital : "";
  return [state.status, firmware].filter(Boolean).join(" ");
}
