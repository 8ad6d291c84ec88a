// The parts that can be turned: a stepping slider for values, a list for kinds, grouped as the kernel says.
// What stands beside a slider is what the kernel computes with, not what the slider hopes for.
import { freshId, make, setAttribute, setText } from "./dom.js";

// A part's value stands alone, as on the part and in every file and picture: 4k7, 2u2, 100R.
const WRITTEN_IN_VALUE = ["Ω", "F"];

export function optionText(control, index) {
  const option = control.options[index];
  if (option === undefined) return "–";
  return control.unit && !WRITTEN_IN_VALUE.includes(control.unit) ? `${option} ${control.unit}` : `${option}`;
}

export class PartsPanel {
  // turn(key, index, stroke): the user wants this option; strokes of the hand are numbered, a list has none.
  constructor(turn) {
    this.turn = turn;
    this.element = make("div", { class: "envlab-parts" });
    this.rows = new Map();
    this.shown = "";
  }

  build(controls) {
    const wanted = JSON.stringify(controls);
    if (wanted === this.shown) return;
    this.shown = wanted;
    const focused = this.element.ownerDocument.activeElement?.dataset?.key;
    this.rows.clear();
    const groups = new Map();
    for (const control of controls) {
      const name = control.group ?? "Parts";
      if (!groups.has(name)) {
        groups.set(name, make("fieldset", { class: "envlab-group" }, make("legend", {}, name)));
      }
      const row = control.kind === "choice" ? choiceRow(control, this.turn) : stepsRow(control, this.turn);
      this.rows.set(control.key, { control, ...row });
      groups.get(name).append(row.element);
    }
    this.element.replaceChildren(...groups.values());
    this.rows.get(focused)?.input.focus();
  }

  // hand, boardB: {key: index}; pending(key): the index that is asked for and not answered yet, or null. late:
  // whether the answer takes so long that what is asked is told. dead: nobody answers.
  update(hand, boardB, pending, { late, dead }) {
    for (const [key, row] of this.rows) {
      const index = hand[key] ?? 0;
      const asked = pending(key);
      row.input.disabled = dead;
      if (asked === null && Number(row.input.value) !== index) row.input.value = String(index);
      if (row.slider) describeSteps(row, index, asked, late);
      const other = boardB?.[key];
      const differs = other !== undefined && other !== index;
      setText(row.other, differs ? `B: ${optionText(row.control, other)}` : "");
    }
  }
}

function stepsRow(control, turn) {
  const id = freshId("part");
  const last = Math.max(control.options.length - 1, 0);
  const input = make("input", {
    id,
    type: "range",
    min: "0",
    max: String(last),
    step: "1",
    "data-key": control.key,
    title: control.help,
  });
  // Until the hand lets go it is one stroke, which is undone at once.
  let stroke = 0;
  input.addEventListener("input", () => {
    describeSlider(control, input, Number(input.value));
    turn(control.key, Number(input.value), stroke);
  });
  input.addEventListener("change", () => {
    stroke += 1;
  });
  const value = make("output", { class: "envlab-value", for: id });
  const asked = make("span", { class: "envlab-asked", "aria-hidden": "true" });
  const other = make("span", { class: "envlab-other" });
  const label = make("label", { for: id, title: control.help }, control.label);
  const words = make("span", { class: "envlab-part-value" }, value, asked);
  const element = make("div", { class: "envlab-part" }, label, input, words, other);
  return { element, input, other, value, asked, slider: true };
}

function describeSteps(row, index, asked, late) {
  const at = asked ?? index;
  setText(row.value, optionText(row.control, index));
  setText(row.asked, late && at !== index ? ` → ${optionText(row.control, at)}` : "");
  describeSlider(row.control, row.input, at);
}

function describeSlider(control, input, at) {
  setAttribute(input, "aria-valuetext", optionText(control, at));
  const last = Math.max(control.options.length - 1, 1);
  setAttribute(input, "style", `--envlab-share: ${(100 * at) / last}%`);
}

function choiceRow(control, turn) {
  const id = freshId("part");
  const input = make("select", { id, "data-key": control.key, title: control.help });
  control.options.forEach((option, index) => {
    input.append(make("option", { value: String(index) }, optionText(control, index)));
  });
  input.addEventListener("change", () => turn(control.key, Number(input.value)));
  const other = make("span", { class: "envlab-other" });
  const label = make("label", { for: id, title: control.help }, control.label);
  return { element: make("div", { class: "envlab-part" }, label, input, other), input, other, slider: false };
}
