// What the page says in words and numbers: the metrics of both boards, warnings, status, notes, keys.
import { make, setText } from "./dom.js";

export const BOARD_NAMES = { board_a: "Board A", board_b: "Board B", digital: "Firmware" };

// Rows of the table: every metric that any board has, in the order of the first.
export function metricRows(metrics) {
  const boards = Object.keys(BOARD_NAMES).filter((board) => metrics[board]?.length);
  const rows = new Map();
  for (const board of boards) {
    for (const metric of metrics[board]) {
      if (!rows.has(metric.name)) rows.set(metric.name, { ...metric, values: {} });
      rows.get(metric.name).values[board] = metric.value_text;
    }
  }
  return { boards, rows: [...rows.values()] };
}

export class MetricsTable {
  constructor() {
    this.element = make("table", { class: "envlab-metrics", "data-part": "metrics" });
    this.shape = "";
    this.cells = new Map();
  }

  update(metrics) {
    const { boards, rows } = metricRows(metrics ?? {});
    const shape = JSON.stringify([boards, rows.map(({ name, label, unit }) => [name, label, unit])]);
    if (shape !== this.shape) this.build(boards, rows, shape);
    for (const row of rows) {
      for (const board of boards) {
        setText(this.cells.get(`${row.name} ${board}`), row.values[board] ?? "–");
      }
    }
  }

  build(boards, rows, shape) {
    this.shape = shape;
    this.cells.clear();
    const heads = boards.map((board) => make("th", { scope: "col" }, BOARD_NAMES[board]));
    const head = make("tr", {}, make("th", { scope: "col" }, "Metric"), ...heads);
    const body = rows.map((row) => {
      const cells = boards.map((board) => {
        const cell = make("td", { "data-board": board }, "–");
        this.cells.set(`${row.name} ${board}`, cell);
        return cell;
      });
      const unit = row.unit ? make("span", { class: "envlab-unit" }, `, ${row.unit}`) : null;
      const name = make("th", { scope: "row", title: row.help }, row.label, unit);
      return make("tr", { "data-name": row.name }, name, ...cells);
    });
    this.element.replaceChildren(make("thead", {}, head), make("tbody", {}, ...body));
  }
}

export class FlashWarning {
  // actions: {playAnyway(), playSteady()}
  constructor(actions) {
    this.sentence = make("p");
    this.advice = make("p", { class: "envlab-advice" });
    this.anyway = make(
      "button",
      { type: "button", "data-key": "play_anyway", onclick: actions.playAnyway },
      "Play although it flashes",
    );
    this.steady = make(
      "button",
      { type: "button", "data-key": "play_steady", onclick: actions.playSteady },
      "Play with steady lights",
    );
    this.buttons = make("div", { class: "envlab-buttons" }, this.steady, this.anyway);
    this.element = make(
      "section",
      { class: "envlab-warning", "data-part": "flash_warning", role: "alert", hidden: true },
      this.sentence,
      this.advice,
      this.buttons,
    );
  }

  // asking: Play was pressed and waits for the answer. steady: the lights are held still now.
  update(gate, { asking, playing, steady }) {
    this.element.hidden = !gate.over;
    if (!gate.over) return;
    const { worst, limit, sentence } = gate.verdict;
    setText(
      this.sentence,
      sentence || `The worst second of this clip flashes ${worst} times; the limit is ${limit}.`,
    );
    setText(this.advice, adviceFor(gate, { asking, playing, steady }));
    this.element.dataset.asking = String(asking);
    this.buttons.hidden = !(asking || steady);
    this.steady.hidden = playing;
    setText(this.anyway, playing ? "Let the lights flash" : "Play although it flashes");
  }
}

function adviceFor(gate, { asking, playing, steady }) {
  if (steady) return "The lights are held steady until you decide; the sound goes on.";
  if (asking) return "Flashing can harm photosensitive people, also those who only pass by your screen.";
  if (playing) return "You agreed to see it. Turn a part or raise the floor until it flashes less.";
  return gate.mayFlash ? "You agreed to see it." : "Before it plays you will be asked once more.";
}

export function notesList(notes) {
  return make("ul", {}, ...notes.map((note) => make("li", {}, note)));
}

export function keyHelp(reducedMotion) {
  const keys = [
    ["Space", "plays and pauses"],
    ["← → ↑ ↓", "step the part, or the clip by 1 s on the level trace"],
    ["Home End", "go to the first or the last value"],
    ["1 2 3", "show board A, board B, firmware"],
    ["B E W", "loop from here, up to here, the whole clip again (or drag with Shift on the level trace)"],
    ["Ctrl Z", "undoes the last move; with Shift it is redone"],
    ["Enter", "presses the button in focus"],
  ];
  const rows = keys.map(([key, does]) => make("li", {}, make("kbd", {}, key), make("span", {}, does)));
  const calm = make("p", {}, "You asked this device for less motion: the lights move only while you play.");
  return make("div", { class: "envlab-keys" }, make("ul", {}, ...rows), reducedMotion ? calm : null);
}
