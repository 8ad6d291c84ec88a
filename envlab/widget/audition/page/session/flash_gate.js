// Lights that flash more often than the limit move only after a clear yes. The yes holds for this clip or
// passage and this board, up to the count that was agreed to; a board that flashes more is asked about anew. While a verdict is
// not known yet, the last one holds.

export class FlashGate {
  constructor() {
    this.clip = null;
    this.passage = "";
    this.board = null;
    this.verdict = null;
    this.known = false;
    this.agreed = {};
  }

  // passage: what of the clip is looped, as a text; "" for the whole.
  judge(verdict, clip, board, passage = "") {
    const other = clip !== this.clip || passage !== this.passage;
    if (other) this.agreed = {};
    if (other || board !== this.board) this.verdict = null;
    this.clip = clip;
    this.passage = passage;
    this.board = board;
    this.known = Boolean(verdict && verdict.known !== false);
    if (!this.known) return;
    this.verdict = verdict;
    if (!verdict.over) delete this.agreed[board];
  }

  // The seconds that come ahead of the whole clip may already be too much; they never take a warning back.
  glimpse(worst, limit) {
    if (!(worst > limit) || (this.over && worst <= this.verdict.worst)) return;
    const sentence = `The seconds round the playhead flash ${worst} times in one second; the limit is ${limit}.`;
    this.verdict = { worst, limit, over: true, sentence };
  }

  accept() {
    this.agreed[this.board] = this.verdict?.worst ?? 0;
  }

  get over() {
    return Boolean(this.verdict?.over);
  }

  get mayFlash() {
    return !this.over || this.verdict.worst <= (this.agreed[this.board] ?? 0);
  }
}
