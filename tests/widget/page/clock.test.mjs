import assert from "node:assert/strict";
import test from "node:test";

import { clockText, frameIndex, heardTime, loopedPosition } from "../../../envlab/widget/audition/page/session/clock.js";

test("a frame is on from its beginning until the next", () => {
  assert.equal(frameIndex(0, 100, 800), 0);
  assert.equal(frameIndex(0.00999, 100, 800), 0);
  assert.equal(frameIndex(0.01, 100, 800), 1);
  assert.equal(frameIndex(0.29, 100, 800), 29); // 0.29 * 100 is 28.999999999999996 in binary
});

test("every frame's beginning finds its own frame, at each rate on offer", () => {
  for (const rate of [30, 50, 60, 100]) {
    for (let frame = 0; frame < 6000; frame += 1) assert.equal(frameIndex(frame / rate, rate, 6000), frame);
  }
});

test("outside the clip the first or the last frame stands", () => {
  assert.equal(frameIndex(-1, 100, 800), 0);
  assert.equal(frameIndex(9, 100, 800), 799);
  assert.equal(frameIndex(1, 100, 0), 0);
});

test("the output's time stamp is carried on with the page's clock", () => {
  const context = { currentTime: 5, getOutputTimestamp: () => ({ contextTime: 4.9, performanceTime: 1000 }) };
  assert.ok(Math.abs(heardTime(context, 1016) - 4.916) < 1e-12);
  assert.equal(heardTime(context, 1500), 5); // never beyond what has been rendered
});

test("without a stamp, or with one that stands still, the stated latency is taken off", () => {
  const context = { currentTime: 5, outputLatency: 0.03 };
  assert.equal(heardTime(context, 1000), 4.97);
  const frozen = { ...context, getOutputTimestamp: () => ({ contextTime: 0, performanceTime: 0 }) };
  assert.equal(heardTime(frozen, 1000), 4.97);
  const stale = { ...context, getOutputTimestamp: () => ({ contextTime: 2, performanceTime: 10 }) };
  assert.equal(heardTime(stale, 5000), 4.97);
});

test("the clip loops, and does not run before it is heard", () => {
  assert.equal(loopedPosition(10, 10.02, 3, 8), 3);
  assert.ok(Math.abs(loopedPosition(12.02, 10.02, 7, 8) - 1) < 1e-12);
  assert.equal(loopedPosition(5, 1, 0, 0), 0);
});

test("time in words", () => {
  assert.equal(clockText(0), "0:00.0");
  assert.equal(clockText(75.34), "1:15.3");
  assert.equal(clockText(59.99), "0:59.9");
});

test("a passage goes round between its ends", () => {
  assert.equal(loopedPosition(10, 10, 3.5, 4, 3), 3.5);
  assert.equal(loopedPosition(10.75, 10, 3.5, 4, 3), 3.25);
  assert.equal(loopedPosition(12, 10, 3, 3, 3), 3);
});
