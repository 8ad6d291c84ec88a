// One widget model: what the kernel told, what was asked of it, its sound. Views only look at it.
import { FlashGate } from "./flash_gate.js";
import { MoveQueue } from "./moves.js";
import { LightTrack, isEmpty, readLight, readTraces, unframe } from "./payload.js";
import { Pulse } from "./pulse.js";
import { SoundEngine } from "./sound.js";

const BEAT_MS = 2000;

export class Session {
  constructor(model) {
    this.model = model;
    this.views = new Set();
    this.engine = new SoundEngine();
    this.track = new LightTrack();
    this.traces = null;
    this.gate = new FlashGate();
    this.queue = new MoveQueue((message, buffers) => this.move(message, buffers));
    this.pulse = new Pulse((number) => this.post({ do: "ping", number }));
    this.asking = false;
    this.wantsPlay = false;
    this.scrubbing = null;
    this.soughtMs = -Infinity;
    this.problem = "";
    this.layout = "shoulders";
    this.listen();
    this.beating = setInterval(() => this.beat(), BEAT_MS);
  }

  listen() {
    const heard = {
      setup: () => {},
      state: () => this.takeState(),
      sound: () => this.takeSound(),
      light: () => this.takeLight(),
      traces: () => this.takeTraces(),
      metrics: () => {},
      flash: () => this.takeFlash(),
    };
    for (const [name, take] of Object.entries(heard)) {
      this.model.on(`change:${name}`, () => {
        take();
        this.emit(name);
      });
    }
    this.model.on("msg:custom", (message) => this.hear(message));
    this.takeLight();
    this.takeTraces();
    this.takeFlash();
    this.takeSound();
  }

  get setup() {
    return this.model.get("setup") ?? {};
  }

  get state() {
    return this.model.get("state") ?? {};
  }

  get metrics() {
    return this.model.get("metrics") ?? {};
  }

  emit(what) {
    for (const view of this.views) view.changed(what);
  }

  // ---- from the kernel

  takeState() {
    const { answered, clip, error } = this.state;
    if (error) this.wantsPlay = false;
    this.takePassage();
    if (Number.isFinite(answered)) {
      if (this.queue.acknowledge(answered)) this.pulse.heard();
      this.queue.said(answered);
    }
    if (clip !== this.gate.clip) this.takeFlash();
  }

  // Its flashes were counted before the kernel tells of it.
  takePassage() {
    const { engine, state } = this;
    if (!engine.buffer || engine.clip !== state.clip || passageText(engine) === String(state.passage_s ?? "")) return;
    engine.mark(state.passage_s ?? null);
    this.takeFlash();
  }

  takeLight() {
    const bytes = this.model.get("light");
    if (isEmpty(bytes)) return;
    const light = readLight(bytes);
    this.track.take(light);
    this.takeFlash();
    this.gate.glimpse(light.header.flashes, this.setup.flash_limit ?? 3);
    if (this.queue.acknowledge(light.header.number)) this.pulse.heard();
  }

  takeTraces() {
    const bytes = this.model.get("traces");
    if (!isEmpty(bytes)) this.traces = readTraces(bytes);
  }

  takeFlash() {
    const board = this.track.showing;
    const verdict = (this.model.get("flash") ?? {})[board];
    const passage = passageText(this.engine);
    const fits =
      verdict &&
      (verdict.clip === undefined || verdict.clip === this.track.clip) &&
      String(verdict.passage_s ?? "") === passage;
    this.gate.judge(fits ? verdict : null, this.track.clip, board, passage);
    if (this.gate.mayFlash) this.asking = false;
    if (this.wantsPlay && this.gate.known) this.play();
  }

  async takeSound() {
    const bytes = this.model.get("sound");
    if (isEmpty(bytes)) return;
    const resume = this.engine.playing;
    try {
      if (!(await this.engine.load(unframe(bytes)))) return;
      this.problem = "";
      this.takePassage();
      if (resume) this.play();
    } catch (failure) {
      this.problem = `This browser cannot decode the sound of the clip (${failure.message ?? failure}).`;
    }
    this.emit("sound");
  }

  hear(message) {
    if (message?.do === "pong" && this.pulse.heard()) this.emit("alive");
    if (message?.do === "done") {
      const open = this.queue.acknowledge(message.number);
      this.queue.said(message.number);
      if (open) this.emit("state");
    }
  }

  beat() {
    const before = this.pulse.alive;
    const alive = this.pulse.beat(performance.now(), this.queue.inFlight?.sentMs ?? null);
    if (alive !== before) {
      this.queue.drop();
      this.wantsPlay = false;
    }
    this.emit("alive");
  }

  // ---- to the kernel

  move(message, buffers) {
    this.post({ ...message, playhead_s: this.engine.position() }, buffers);
  }

  post(message, buffers = []) {
    try {
      this.model.send(message, undefined, buffers);
    } catch {
      this.pulse.alive = false;
    }
  }

  ask(key, message, buffers) {
    if (!this.pulse.alive) return;
    this.problem = "";
    this.queue.ask(key, message, buffers);
    this.emit("asked");
  }

  turn(key, index, gesture) {
    const stroke = gesture === undefined ? {} : { gesture };
    this.ask(`turn ${key}`, { do: "turn", key, index, ...stroke });
  }

  undo() {
    this.ask(null, { do: "undo" });
  }

  redo() {
    this.ask(null, { do: "redo" });
  }

  // Loop from one instant to another, whichever comes first; the least length grows to the right, or to the
  // left at the clip's end. No arguments: the whole clip.
  mark(one, other) {
    if (one === undefined) {
      this.ask("passage", { do: "passage", passage_s: null });
      return;
    }
    const { duration } = this.engine;
    const least = this.setup.least_passage_s ?? 0.5;
    const from = Math.max(Math.min(one, other, duration - least), 0);
    const to = Math.min(Math.max(one, other, from + least), duration);
    this.ask("passage", { do: "passage", passage_s: [from, to] });
  }

  get passage() {
    return this.queue.pending("passage")?.passage_s ?? this.state.passage_s ?? [0, this.engine.duration];
  }

  markBegin() {
    const [, to] = this.passage;
    const from = this.engine.position();
    this.mark(from, to > from ? to : this.engine.duration);
  }

  markEnd() {
    const [from] = this.passage;
    const to = this.engine.position();
    this.mark(from < to ? from : 0, to);
  }

  pendingTurn(key) {
    return this.queue.pending(`turn ${key}`)?.index ?? null;
  }

  chooseClip(index) {
    this.ask("clip", { do: "clip", index });
  }

  show(showing) {
    if (showing === "board_b" && !this.state.board_b) this.complain("There is no board B yet: press Keep as B first.");
    else this.ask("show", { do: "show", showing });
  }

  boardB() {
    this.ask(null, { do: "board_b" });
  }

  takeBack() {
    this.ask(null, { do: "take_back" });
  }

  save(path, overwrite) {
    this.ask(null, { do: "save", path, overwrite });
  }

  upload(name, level, bytes) {
    this.ask(null, { do: "upload", name, level_db_spl: level }, [bytes]);
  }

  complain(sentence) {
    this.problem = sentence;
    this.emit("problem");
  }

  // ---- play

  get ready() {
    return this.engine.buffer !== null && this.track.exact && this.engine.clip === this.track.clip;
  }

  // Lights are held still where they would flash without a yes: while they move, by playing or by dragging.
  get steady() {
    return (this.engine.playing || this.scrubbing !== null) && !this.gate.mayFlash;
  }

  togglePlay() {
    if (this.engine.playing || this.wantsPlay) this.pause();
    else this.play();
  }

  play() {
    this.wantsPlay = false;
    if (!this.engine.buffer) return;
    if (!this.gate.known && this.pulse.alive) this.wantsPlay = true;
    else if (!this.gate.mayFlash) this.asking = true;
    else this.engine.play();
    this.emit("play");
  }

  pause() {
    this.wantsPlay = false;
    this.asking = false;
    this.engine.pause();
    this.emit("play");
  }

  playAnyway() {
    this.gate.accept();
    this.playSteady();
  }

  playSteady() {
    this.asking = false;
    this.wantsPlay = false;
    this.engine.play();
    this.emit("play");
  }

  beginScrub() {
    this.scrubbing = this.engine.playing;
    this.engine.pause();
    this.emit("play");
  }

  seek(seconds) {
    this.engine.seek(seconds);
    this.soughtMs = performance.now();
    this.emit("seek");
  }

  endScrub() {
    const resume = this.scrubbing;
    this.scrubbing = null;
    if (resume) this.engine.play();
    this.emit("play");
  }

  // ---- views come and go; a sound that nobody can stop falls silent

  join(view) {
    this.views.add(view);
  }

  leave(view) {
    this.views.delete(view);
    if (!this.views.size) this.pause();
  }

  close() {
    clearInterval(this.beating);
    this.engine.close();
  }
}

// What of the clip is looped, as a text; "" for the whole.
function passageText(engine) {
  return engine.passage ? String([engine.passage.from, engine.passage.to]) : "";
}
