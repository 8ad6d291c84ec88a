// Two small forms: the design as a file, and a recording of one's own.
import { freshId, make, setText } from "./dom.js";

const USUAL_LEVELS = [
  { label: "rehearsal room", level_db_spl: 72 },
  { label: "street", level_db_spl: 92 },
  { label: "square with the whole troupe", level_db_spl: 104 },
];

export function levelExamples(levels) {
  const given = levels?.length ? levels : USUAL_LEVELS;
  return `For example ${given.map(({ label, level_db_spl: level }) => `${label} about ${level}`).join(", ")}.`;
}

export function sizeText(bytes) {
  return bytes >= 1e6 ? `${(bytes / 1e6).toFixed(0)} MB` : `${Math.max(Math.round(bytes / 1e3), 1)} kB`;
}

export class SaveForm {
  // save(path, overwrite)
  constructor(save) {
    const id = freshId("save");
    this.path = make("input", {
      id,
      type: "text",
      value: "my_board.toml",
      spellcheck: "false",
      autocomplete: "off",
      "data-key": "save_path",
    });
    this.button = make("button", { type: "submit", "data-key": "save" }, "Save design");
    this.replace = make("button", { type: "button", "data-key": "overwrite", hidden: true }, "Replace the file");
    this.element = make(
      "form",
      { class: "envlab-form" },
      make("label", { for: id }, "File for the board A"),
      make("div", { class: "envlab-line" }, this.path, this.button, this.replace),
    );
    this.asked = false;
    this.element.addEventListener("submit", (event) => {
      event.preventDefault();
      this.asked = true;
      save(this.path.value.trim(), false);
    });
    this.replace.addEventListener("click", () => {
      this.replace.hidden = true;
      save(this.path.value.trim(), true);
    });
    this.path.addEventListener("input", () => {
      this.replace.hidden = true;
    });
  }

  // A file of that name is there already: it is replaced only after a second, other button.
  update({ error, busy }, disabled) {
    this.button.disabled = this.replace.disabled = this.path.disabled = disabled;
    if (!this.asked || busy) return;
    this.asked = false;
    this.replace.hidden = !/exist|overwrit|already/i.test(error ?? "");
  }
}

export class UploadForm {
  // upload(name, level_db_spl, bytes), complain(sentence)
  constructor(upload, complain) {
    const [fileId, levelId] = [freshId("file"), freshId("level")];
    this.most = Infinity;
    this.file = make("input", {
      id: fileId,
      type: "file",
      accept: ".wav,.flac,.ogg,.mp3,audio/*",
      "data-key": "upload_file",
    });
    this.level = make("input", {
      id: levelId,
      type: "number",
      min: "20",
      max: "140",
      step: "1",
      value: "92",
      "data-key": "upload_level",
    });
    this.button = make("button", { type: "submit", "data-key": "upload" }, "Take this recording");
    this.hint = make("p", { class: "envlab-note" });
    this.element = make(
      "form",
      { class: "envlab-form", novalidate: true },
      make("label", { for: fileId }, "Recording of your own (WAV, FLAC, OGG, MP3)"),
      this.file,
      make("label", { for: levelId }, "Its level where it will be played, dB SPL"),
      make("div", { class: "envlab-line" }, this.level, this.button),
      this.hint,
    );
    this.element.addEventListener("submit", async (event) => {
      event.preventDefault();
      const problem = this.problem();
      if (problem) complain(problem);
      else upload(this.file.files[0].name, Number(this.level.value), await this.file.files[0].arrayBuffer());
    });
  }

  problem() {
    const [file] = this.file.files;
    const level = Number(this.level.value);
    if (!file) return "Choose a recording first.";
    if (!file.size) return `${file.name}: the file is empty.`;
    if (file.size > this.most) {
      return `${file.name}: ${sizeText(file.size)}; at most ${sizeText(this.most)} can be taken here.`;
    }
    if (!this.level.value || !(level >= 20 && level <= 140)) {
      return `level: ${this.level.value || "nothing"}; it must be a number from 20 to 140 dB SPL.`;
    }
    return "";
  }

  update(limits, disabled) {
    this.most = limits?.most_bytes ?? Infinity;
    const longest = limits?.most_s ? ` At most ${Math.round(limits.most_s)} s.` : "";
    setText(this.hint, `${levelExamples(limits?.levels)}${longest}`);
    this.button.disabled = this.file.disabled = this.level.disabled = disabled;
  }
}
