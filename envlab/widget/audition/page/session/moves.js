// One move at a time goes to the kernel. While it is computed, moves wait in order, and of those that set the
// same thing only the latest. A move that looks at the whole board (key null) is never skipped or overtaken.

export class MoveQueue {
  constructor(send) {
    this.send = send;
    this.number = 0;
    this.inFlight = null;
    this.waiting = [];
    this.unsaid = null;
  }

  ask(key, message, buffers = []) {
    if (key !== null) this.forgetOlder(key);
    this.waiting.push({ key, message, buffers });
    this.next();
  }

  forgetOlder(key) {
    for (let place = this.waiting.length - 1; place >= 0; place -= 1) {
      if (this.waiting[place].key === null) return;
      if (this.waiting[place].key === key) {
        this.waiting.splice(place, 1);
        return;
      }
    }
  }

  next() {
    if (this.inFlight || !this.waiting.length) return;
    const move = this.waiting.shift();
    this.number += 1;
    this.inFlight = { ...move, number: this.number, sentMs: performance.now() };
    this.send({ ...move.message, number: this.number }, move.buffers);
  }

  // The kernel has answered the move of this number, and with it every older one.
  acknowledge(number) {
    if (!this.inFlight || number < this.inFlight.number) return false;
    this.unsaid = this.inFlight;
    this.inFlight = null;
    this.next();
    return true;
  }

  // A light answers a move before the kernel says where the board's parts now stand; until then, what was asked
  // for still holds.
  said(number) {
    if (this.unsaid && number >= this.unsaid.number) this.unsaid = null;
  }

  // Nobody will answer any more.
  drop() {
    this.inFlight = null;
    this.waiting = [];
    this.unsaid = null;
  }

  // What is asked for and not yet said to be so; the latest wins.
  pending(key) {
    for (let place = this.waiting.length - 1; place >= 0; place -= 1) {
      if (this.waiting[place].key === key) return this.waiting[place].message;
    }
    const last = [this.inFlight, this.unsaid].find((move) => move?.key === key);
    return last?.message ?? null;
  }

  // How long the move in flight has been under way, ms; 0 if none is.
  waitedMs(nowMs) {
    return this.inFlight ? nowMs - this.inFlight.sentMs : 0;
  }

  get busy() {
    return this.inFlight !== null;
  }
}
