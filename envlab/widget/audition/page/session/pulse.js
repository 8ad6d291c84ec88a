// Is the kernel there? A ping every two seconds; silence for five, while nothing is being computed for this
// page, means that it is gone or busy elsewhere. A move may take longer, but not for ever.

const SILENT_MS = 5000;
const MOVE_MS = 30000;

export class Pulse {
  constructor(ping) {
    this.ping = ping;
    this.number = 0;
    this.unansweredSinceMs = null;
    this.alive = true;
  }

  // Called every two seconds; `moveSentMs` is when the move in flight was sent, or null.
  beat(nowMs, moveSentMs) {
    if (moveSentMs !== null) {
      this.unansweredSinceMs = null;
      this.alive = this.alive && nowMs - moveSentMs < MOVE_MS;
      return this.alive;
    }
    if (this.unansweredSinceMs === null) this.unansweredSinceMs = nowMs;
    else if (nowMs - this.unansweredSinceMs >= SILENT_MS) this.alive = false;
    this.number += 1;
    this.ping(this.number);
    return this.alive;
  }

  heard() {
    this.unansweredSinceMs = null;
    const revived = !this.alive;
    this.alive = true;
    return revived;
  }
}
