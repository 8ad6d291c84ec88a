import assert from "node:assert/strict";
import test from "node:test";

import { FlashGate } from "../../../envlab/widget/audition/page/session/flash_gate.js";
import { Pulse } from "../../../envlab/widget/audition/page/session/pulse.js";

const calm = { known: true, worst: 2, limit: 3, over: false };
const flashing = (worst) => ({ known: true, worst, limit: 3, over: true });

test("over the limit nothing moves without a yes, and the yes is for that count", () => {
  const gate = new FlashGate();
  gate.judge(flashing(5), 0, "board_a");
  assert.equal(gate.mayFlash, false);
  gate.accept();
  assert.equal(gate.mayFlash, true);
  gate.judge(flashing(4), 0, "board_a");
  assert.equal(gate.mayFlash, true);
  gate.judge(flashing(6), 0, "board_a");
  assert.equal(gate.mayFlash, false);
});

test("the yes ends with the clip, and once the board has become calm", () => {
  const gate = new FlashGate();
  gate.judge(flashing(5), 0, "board_a");
  gate.accept();
  gate.judge(flashing(5), 1, "board_a");
  assert.equal(gate.mayFlash, false);
  gate.accept();
  gate.judge(calm, 1, "board_a");
  gate.judge(flashing(4), 1, "board_a");
  assert.equal(gate.mayFlash, false);
});

test("a marked passage is asked about anew, and what was known of the whole is not known of it", () => {
  const gate = new FlashGate();
  gate.judge(flashing(5), 0, "board_a");
  gate.accept();
  gate.judge(null, 0, "board_a", "1,2");
  assert.equal(gate.known, false);
  gate.judge(flashing(5), 0, "board_a", "1,2");
  assert.equal(gate.mayFlash, false);
});

test("each board has its own yes, and keeps it while the other is looked at", () => {
  const gate = new FlashGate();
  gate.judge(flashing(5), 0, "board_a");
  gate.accept();
  gate.judge(flashing(5), 0, "board_b");
  assert.equal(gate.mayFlash, false);
  gate.judge(flashing(5), 0, "board_a");
  assert.equal(gate.mayFlash, true);
});

test("while a verdict is not known the last one holds; of another board none does", () => {
  const gate = new FlashGate();
  gate.judge(flashing(5), 0, "board_a");
  gate.judge({ known: false, worst: 0, over: false }, 0, "board_a");
  assert.equal(gate.known, false);
  assert.equal(gate.mayFlash, false);
  gate.judge(null, 0, "digital");
  assert.equal(gate.over, false);
  assert.equal(gate.known, false);
});

test("the seconds round the playhead may warn at once, and never take a warning back", () => {
  const gate = new FlashGate();
  gate.judge(calm, 0, "board_a");
  gate.glimpse(undefined, 3);
  gate.glimpse(3, 3);
  assert.equal(gate.over, false);
  gate.glimpse(4, 3);
  assert.equal(gate.mayFlash, false);
  gate.glimpse(1, 3);
  assert.equal(gate.over, true);
});

test("five seconds of silence, and the kernel is said not to answer; an answer revives it", () => {
  const sent = [];
  const pulse = new Pulse((number) => sent.push(number));
  assert.equal(pulse.beat(0, null), true);
  pulse.heard();
  assert.equal(pulse.beat(2000, null), true);
  assert.equal(pulse.beat(4000, null), true);
  assert.equal(pulse.beat(6000, null), true);
  assert.equal(pulse.beat(8000, null), false);
  assert.equal(pulse.heard(), true);
  assert.equal(pulse.alive, true);
  assert.deepEqual(sent, [1, 2, 3, 4, 5]);
});

test("a move may take long, but not for ever", () => {
  const pulse = new Pulse(() => {});
  pulse.beat(0, null);
  for (let now = 2000; now <= 30000; now += 2000) assert.equal(pulse.beat(now, 1000), true);
  assert.equal(pulse.beat(32000, 1000), false);
});
