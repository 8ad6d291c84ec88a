import assert from "node:assert/strict";
import test from "node:test";

import { LightTrack, isEmpty, readLight, readTraces, retimed, unframe } from "../../../envlab/widget/audition/page/session/payload.js";
import { framed } from "./fake_kernel.mjs";

const HEADER = { number: 3, clip: 0, showing: "board_a", frame_rate_hz: 100, first_frame: 0, total_frames: 6, exact: true };
const light = (codes, over = {}) =>
  readLight(framed({ ...HEADER, frames: codes.length, ...over }, Uint16Array.from(codes), 70000));

test("header and body are taken apart, wherever in its buffer the view begins", () => {
  const whole = framed({ a: "Ω" }, new Uint8Array([1, 2, 3, 4]));
  const shifted = new Uint8Array(whole.byteLength + 3);
  shifted.set(new Uint8Array(whole.buffer), 3);
  const { header, body } = unframe(new DataView(shifted.buffer, 3));
  assert.deepEqual(header, { a: "Ω" });
  assert.deepEqual([...new Uint8Array(body)], [1, 2, 3, 4]);
});

test("light stops where its frames end, not where the padding does", () => {
  assert.deepEqual([...light([0, 65535, 1234]).codes], [0, 65535, 1234]);
});

test("bytes that have not come yet are no payload", () => {
  assert.equal(isEmpty(undefined), true);
  assert.equal(isEmpty(new DataView(new ArrayBuffer(0))), true);
  assert.equal(isEmpty(framed({}, new Uint8Array(0))), false);
});

test("traces are rows by name", () => {
  const header = { names: ["pressure_pa", "lightness"], points: 2 };
  const { rows } = readTraces(framed(header, Float32Array.from([0.5, 1, 20, 30])));
  assert.deepEqual([...rows.pressure_pa], [0.5, 1]);
  assert.deepEqual([...rows.lightness], [20, 30]);
});

test("the seconds round the playhead replace only themselves", () => {
  const track = new LightTrack();
  track.take(light([1, 2, 3, 4, 5, 6]));
  track.take(light([30, 40], { number: 4, first_frame: 2, exact: false }));
  assert.deepEqual([...track.codes], [1, 2, 30, 40, 5, 6]);
  assert.equal(track.number, 4);
  assert.equal(track.exact, false);
});

test("another clip begins dark", () => {
  const track = new LightTrack();
  track.take(light([1, 2, 3, 4, 5, 6]));
  track.take(light([7], { clip: 1, total_frames: 3, exact: false }));
  assert.deepEqual([...track.codes], [7, 0, 0]);
});

test("another frame rate keeps each instant's light until the new one comes", () => {
  assert.deepEqual([...retimed(Uint16Array.from([1, 2, 3, 4]), 100, 50, 2)], [1, 3]);
  assert.deepEqual([...retimed(Uint16Array.from([1, 3]), 50, 100, 4)], [1, 1, 3, 3]);
});

test("full code is luminance one", () => {
  const track = new LightTrack();
  track.take(light([0, 65535], { total_frames: 2 }));
  assert.equal(track.luminance(0), 0);
  assert.equal(track.luminance(1), 1);
  assert.equal(track.meanLuminance(), 0.5);
});

const FULL = 65535;
const lit = (codes, pixels, over = {}) => {
  const frames = codes.length;
  const body = Uint16Array.from([...codes, ...pixels.flat()]);
  return readLight(framed({ ...HEADER, frames, pixels: pixels[0].length, ...over }, body, 70000));
};

test("pixels that are not all alike come after the whole, frame by frame", () => {
  const track = new LightTrack();
  track.take(lit([1, FULL], [[0, 0, 3], [FULL, 0, 0]], { total_frames: 2 }));
  assert.deepEqual([...track.codes], [1, FULL]);
  assert.deepEqual(track.pixelsAt(1), [1, 0, 0]);
  assert.deepEqual(track.pixelsAt(0), [0, 0, 3 / FULL]);
});

test("the seconds round the playhead replace only their own pixels", () => {
  const track = new LightTrack();
  track.take(lit([1, 2, 3], [[FULL, 0], [0, FULL], [0, 0]], { total_frames: 3 }));
  track.take(lit([9], [[FULL, FULL]], { total_frames: 3, first_frame: 1, number: 4, exact: false }));
  assert.deepEqual([0, 1, 2].map((frame) => track.pixelsAt(frame)), [[1, 0], [1, 1], [0, 0]]);
});

test("until another layout's pixels come, the rest of the clip is all alike", () => {
  const track = new LightTrack();
  track.take(light([FULL, FULL, 0, 0, 0, 0]));
  assert.equal(track.pixelsAt(0), null);
  track.take(lit([FULL], [[FULL, 0]], { first_frame: 1, exact: false }));
  assert.deepEqual([0, 1, 2].map((frame) => track.pixelsAt(frame)), [[1, 1], [1, 0], [0, 0]]);
  track.take(lit([FULL], [[0, FULL, 0]], { first_frame: 0, exact: false }));
  assert.deepEqual([0, 1].map((frame) => track.pixelsAt(frame)), [[0, 1, 0], [1, 1, 1]]);
});

test("back at a board whose pixels are all alike there are none of their own", () => {
  const track = new LightTrack();
  track.take(lit([1, 2], [[0, 1], [1, 0]], { total_frames: 2 }));
  track.take(light([1, 2], { total_frames: 2 }));
  assert.equal(track.pixelsAt(0), null);
});
