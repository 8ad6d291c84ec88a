import assert from "node:assert/strict";
import test from "node:test";

import { MoveQueue } from "../../../envlab/widget/audition/page/session/moves.js";

function queue() {
  const sent = [];
  const moves = new MoveQueue((message) => sent.push(message));
  return { sent, moves };
}
const turn = (key, index) => [`turn ${key}`, { do: "turn", key, index }];

test("one move is in flight, the latest waits, those between are never sent", () => {
  const { sent, moves } = queue();
  for (const index of [1, 2, 3, 4]) moves.ask(...turn("release", index));
  assert.deepEqual(sent, [{ do: "turn", key: "release", index: 1, number: 1 }]);
  assert.equal(moves.pending("turn release").index, 4);
  moves.acknowledge(1);
  assert.deepEqual(sent[1], { do: "turn", key: "release", index: 4, number: 2 });
  moves.acknowledge(2);
  assert.equal(sent.length, 2);
  assert.equal(moves.busy, false);
});

test("two parts turned at once both arrive", () => {
  const { sent, moves } = queue();
  moves.ask(...turn("release", 1));
  moves.ask(...turn("attack", 5));
  moves.ask(...turn("release", 2));
  moves.acknowledge(1);
  moves.acknowledge(2);
  assert.deepEqual(sent.map(({ key, index }) => [key, index]), [["release", 1], ["attack", 5], ["release", 2]]);
});

test("what looks at the whole board sees each turn before it, and none after", () => {
  const { sent, moves } = queue();
  moves.ask(...turn("release", 1));
  moves.ask(...turn("release", 2));
  moves.ask(null, { do: "board_b" });
  moves.ask(...turn("release", 3));
  moves.ask(...turn("release", 4));
  for (const number of [1, 2, 3, 4]) moves.acknowledge(number);
  assert.deepEqual(sent.map((message) => message.index ?? message.do), [1, 2, "board_b", 4]);
});

test("an answer to an older move releases nothing, a later one does", () => {
  const { moves } = queue();
  moves.ask(...turn("release", 1));
  moves.acknowledge(1);
  moves.ask(...turn("release", 2));
  assert.equal(moves.acknowledge(1), false);
  assert.equal(moves.busy, true);
  assert.equal(moves.acknowledge(2), true);
  assert.equal(moves.busy, false);
  moves.ask(...turn("release", 3));
  assert.equal(moves.acknowledge(4), true);
});

test("numbers rise and never repeat, also after a kernel fell silent", () => {
  const { sent, moves } = queue();
  moves.ask(...turn("release", 1));
  moves.ask(...turn("release", 2));
  moves.drop();
  moves.ask(...turn("release", 3));
  assert.deepEqual(sent.map(({ number }) => number), [1, 2]);
  assert.equal(sent[1].index, 3);
});

test("what a light answered holds until the kernel says where the parts stand", () => {
  const { moves } = queue();
  moves.ask(...turn("release", 15));
  moves.acknowledge(1);
  assert.equal(moves.busy, false);
  assert.equal(moves.pending("turn release").index, 15);
  moves.said(0);
  assert.equal(moves.pending("turn release").index, 15);
  moves.ask(...turn("release", 14));
  assert.equal(moves.pending("turn release").index, 14);
  moves.said(1);
  assert.equal(moves.pending("turn release").index, 14);
  moves.acknowledge(2);
  moves.said(2);
  assert.equal(moves.pending("turn release"), null);
  moves.ask(...turn("attack", 3));
  moves.acknowledge(3);
  moves.drop();
  assert.equal(moves.pending("turn attack"), null);
});
