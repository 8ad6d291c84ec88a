import assert from "node:assert/strict";
import test from "node:test";

import { optionText } from "../../../envlab/widget/audition/page/controls.js";
import { evenlyAlong, linePlaces, yokeLine, yokePlaces } from "../../../envlab/widget/audition/page/drawing/geometry.js";
import { meaningOf, writesText } from "../../../envlab/widget/audition/page/keys.js";
import { metricRows } from "../../../envlab/widget/audition/page/readout.js";
import { levelExamples, sizeText } from "../../../envlab/widget/audition/page/save_upload.js";
import { levelBars, lightBars } from "../../../envlab/widget/audition/page/drawing/seek.js";
import { stepped, unitOf, valueText, windowStart } from "../../../envlab/widget/audition/page/drawing/traces.js";

const at = (tagName, more = {}) => ({ tagName, dataset: {}, ...more });
const press = (key, target, more = {}) => meaningOf({ key, target, ...more });

test("space plays from everywhere but where one writes", () => {
  assert.equal(press(" ", at("INPUT", { type: "range" })), "play");
  assert.equal(press(" ", at("SELECT")), "play");
  assert.equal(press(" ", at("BUTTON")), "play");
  assert.equal(press(" ", at("INPUT", { type: "text" })), "");
  assert.equal(press(" ", at("INPUT", { type: "number" })), "");
  assert.equal(writesText(at("TEXTAREA")), true);
});

test("a key that is held down decides nothing, least of all to flash", () => {
  assert.equal(press(" ", at("SECTION"), { repeat: true }), "none");
  const anyway = at("BUTTON", { dataset: { key: "play_anyway" } });
  assert.equal(press(" ", anyway), "");
  assert.equal(press(" ", anyway, { repeat: true }), "none");
});

test("numbers choose whose lights are shown; with Ctrl they are the browser's", () => {
  assert.equal(press("2", at("INPUT", { type: "range" })), "board_b");
  assert.equal(press("2", at("INPUT", { type: "range" }), { ctrlKey: true }), "");
  assert.equal(press("2", at("INPUT", { type: "number" })), "");
  assert.equal(press("b", at("INPUT", { type: "text" })), "");
  assert.equal(press("b", at("SELECT")), "");
  assert.equal(press("b", at("INPUT", { type: "range" })), "begin");
  assert.equal(press("e", at("BUTTON")), "end");
  assert.equal(press("w", at("DIV", { dataset: { key: "seek" } })), "whole");
  assert.equal(press("ArrowLeft", at("DIV", { dataset: { key: "seek" } })), "seek");
  assert.equal(press("ArrowLeft", at("INPUT", { type: "range" })), "");
});

test("Ctrl or the command key with Z undoes, with Shift redoes, but not where one writes", () => {
  const slider = at("INPUT", { type: "range" });
  assert.equal(press("z", slider, { ctrlKey: true }), "undo");
  assert.equal(press("Z", slider, { ctrlKey: true, shiftKey: true }), "redo");
  assert.equal(press("z", slider, { metaKey: true }), "undo");
  assert.equal(press("z", slider, { ctrlKey: true, altKey: true }), "");
  assert.equal(press("z", at("INPUT", { type: "text" }), { ctrlKey: true }), "");
  assert.equal(press("z", slider), "");
});

test("a part's value is written as everywhere, other options with their unit", () => {
  assert.equal(optionText({ options: ["47k", "4k7"], unit: "Ω" }, 1), "4k7");
  assert.equal(optionText({ options: ["100R"], unit: "Ω" }, 0), "100R");
  assert.equal(optionText({ options: ["1u", "2u2"], unit: "F" }, 0), "1u");
  assert.equal(optionText({ options: ["1u", "2u2"], unit: "F" }, 1), "2u2");
  assert.equal(optionText({ options: ["470n"], unit: "F" }, 0), "470n");
  assert.equal(optionText({ options: ["gain 23, 22k"], unit: "Ω" }, 0), "gain 23, 22k");
  assert.equal(optionText({ options: ["66"], unit: "dB SPL" }, 0), "66 dB SPL");
  assert.equal(optionText({ options: ["full wave"], unit: "" }, 0), "full wave");
});

test("metrics of both boards stand in one row each, a missing one is left open", () => {
  const board_a = [{ name: "a", label: "A", value_text: "1", unit: "ms" }, { name: "b", label: "B", value_text: "2", unit: "" }];
  assert.deepEqual(metricRows({ board_a, board_b: [] }).boards, ["board_a"]);
  const { boards, rows } = metricRows({ board_a, board_b: [{ name: "a", label: "A", value_text: "3", unit: "ms" }] });
  assert.deepEqual(boards, ["board_a", "board_b"]);
  assert.deepEqual(rows.map(({ values }) => values), [{ board_a: "1", board_b: "3" }, { board_a: "2" }]);
});

// 1 Pa is 93.98 dB re 20 µPa: 20 lg(1 / 20e-6).
test("level trace in dB re 20 micropascal", () => {
  const [first, second] = levelBars(Float32Array.from([0.1, 1, 0.002, 0]), 2);
  assert.ok(Math.abs(first - 93.9794) < 1e-3);
  assert.ok(Math.abs(second - 40) < 1e-4);
  assert.deepEqual(lightBars(Uint16Array.from([0, 65535, 65535, 65535]), 2), [0.5, 1]);
  assert.equal(levelBars(new Float32Array(1), 3).length, 3);
});

test("a trace keeps its extremes however far it is drawn together", () => {
  const row = Float32Array.from([0, 5, 1, -2, 3, 4]);
  assert.deepEqual(stepped(row, 0, 6, 3), [[0, 0, 5], [3, -2, 4]]);
  assert.deepEqual(stepped(row, -4, 2, 1), [[0, 0, 0], [1, 5, 5]]);
  assert.deepEqual(stepped(row, 1, 5, 3).map(([place]) => place), [0, 3]);
});

test("the window moves with the sound, or turns like a page", () => {
  assert.equal(windowStart(5, false), 3);
  assert.equal(windowStart(5, true), 4);
  assert.equal(valueText(1.23456, "detector_v"), "1.235");
  assert.equal(valueText(511, "adc_counts"), "511");
  assert.equal(unitOf({ names: ["a", "b"], units: ["Pa", "V"] }, "b"), "V");
  assert.equal(unitOf({ names: ["a"], units: { a: "Pa" } }, "a"), "Pa");
});

test("examples of levels are plain, sizes short", () => {
  assert.match(levelExamples([]), /rehearsal room about 72, street about 92, square with the whole troupe about 104/);
  assert.match(levelExamples([{ label: "kitchen", level_db_spl: 60 }]), /kitchen about 60/);
  assert.equal(sizeText(60e6), "60 MB");
  assert.equal(sizeText(1), "1 kB");
});

test("pixels stand evenly, all inside, and the yoke is the same left and right", () => {
  for (const [places, count] of [[linePlaces(24, 600, 200), 24], [yokePlaces(24, 600, 290), 24]]) {
    assert.equal(places.places.length, count);
    for (const { x, y } of places.places) assert.ok(x > 0 && x < 600 && y > 0 && y < 290);
  }
  const { places, gap } = evenlyAlong(yokeLine(), 24);
  places.forEach(({ x, y }, place) => {
    assert.ok(Math.abs(x + places[23 - place].x) < 0.01);
    assert.ok(Math.abs(y - places[23 - place].y) < 0.01);
    if (place) assert.ok(Math.hypot(x - places[place - 1].x, y - places[place - 1].y) > 0.7 * gap);
  });
});
