// Play, time, clip, whose lights are shown, how they are worn, volume.
import { clockText } from "./session/clock.js";
import { freshId, make, setText } from "./dom.js";
import { BOARD_NAMES } from "./readout.js";

const LAYOUT_NAMES = { line: "in one line", shoulders: "over both shoulders" };

export class TransportBar {
  constructor(session) {
    this.session = session;
    this.play = make(
      "button",
      { type: "button", class: "envlab-play", "data-key": "play", onclick: () => session.togglePlay() },
      "Play",
    );
    this.time = make("span", { class: "envlab-time" });
    this.clip = make("select", { id: freshId("clip"), "data-key": "clip" });
    this.clip.addEventListener("change", () => session.chooseClip(Number(this.clip.value)));
    this.layout = make("select", { id: freshId("layout"), "data-key": "layout" });
    this.layout.addEventListener("change", () => {
      session.layout = this.layout.value;
      session.emit("layout");
    });
    this.volume = make("input", {
      id: freshId("volume"),
      type: "range",
      min: "0",
      max: "100",
      step: "5",
      value: String(Math.round(100 * session.engine.volume)),
      "data-key": "volume",
    });
    this.volume.addEventListener("input", () => this.setVolume());
    this.radios = {};
    this.showing = this.radioGroup();
    this.element = make(
      "div",
      { class: "envlab-transport" },
      make("div", { class: "envlab-play-box" }, this.play, this.time),
      labelled("Clip", this.clip),
      this.showing,
      labelled("Volume", this.volume),
    );
    this.worn = make("span", { class: "envlab-worn" }, make("label", { for: this.layout.id }, "Worn"), this.layout);
    this.shown = "";
    this.setVolume();
  }

  radioGroup() {
    const group = make("fieldset", { class: "envlab-showing" }, make("legend", {}, "Lights show"));
    const name = freshId("showing");
    for (const [board, label] of Object.entries(BOARD_NAMES)) {
      const id = freshId(board);
      const radio = make("input", { id, type: "radio", name, value: board, "data-key": "showing" });
      radio.addEventListener("change", () => this.session.show(board));
      this.radios[board] = radio;
      group.append(make("span", { class: "envlab-radio" }, radio, make("label", { for: id }, label)));
    }
    return group;
  }

  setVolume() {
    const share = Number(this.volume.value);
    this.session.engine.setVolume(share / 100);
    this.volume.style.setProperty("--envlab-share", `${share}%`);
    this.volume.setAttribute("aria-valuetext", `${share} percent`);
  }

  build(setup) {
    const clips = (setup.clips ?? []).map(({ label }) => label);
    const layouts = setup.pixels?.layouts ?? ["shoulders", "line"];
    const shape = JSON.stringify([clips, layouts]);
    if (shape === this.shown) return;
    this.shown = shape;
    this.clip.replaceChildren(...clips.map((label, at) => make("option", { value: String(at) }, label)));
    this.layout.replaceChildren(
      ...layouts.map((layout) => make("option", { value: layout }, LAYOUT_NAMES[layout] ?? layout)),
    );
  }

  update(session, dead) {
    const { engine, state, queue } = session;
    setText(this.play, engine.playing || session.wantsPlay ? "Pause" : "Play");
    this.play.disabled = !engine.buffer;
    this.clip.disabled = dead;
    if (!queue.pending("clip")) this.clip.value = String(state.clip ?? 0);
    if (this.layout.value !== session.layout) this.layout.value = session.layout;
    const asked = queue.pending("show")?.showing;
    for (const [board, radio] of Object.entries(this.radios)) {
      radio.checked = (asked ?? state.showing) === board;
      radio.disabled = dead || (board === "board_b" && !state.board_b);
    }
  }

  showTime(position, duration) {
    setText(this.time, `${clockText(position)} of ${clockText(duration)}`);
  }
}

function labelled(text, input) {
  return make("span", { class: "envlab-field" }, make("label", { for: input.id }, text), input);
}

// What of the clip is played again and again.
export class LoopLine {
  constructor(session) {
    const button = (key, text, press) => make("button", { type: "button", "data-key": key, onclick: press }, text);
    this.begin = button("loop_begin", "Loop from here", () => session.markBegin());
    this.end = button("loop_end", "Loop up to here", () => session.markEnd());
    this.whole = button("loop_whole", "Whole clip", () => session.mark());
    this.words = make("span", { class: "envlab-loop-words", "data-part": "loop" });
    this.element = make("div", { class: "envlab-line" }, this.begin, this.end, this.whole, this.words);
  }

  update({ buffer, passage }, dead) {
    this.begin.disabled = this.end.disabled = dead || !buffer;
    this.whole.disabled = dead || !passage;
    setText(this.words, passage ? `Loops from ${clockText(passage.from)} to ${clockText(passage.to)}` : "");
  }
}
