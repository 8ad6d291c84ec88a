// Which instant of the clip is heard now, and which frame belongs to it.

const STALE_MS = 1000;

// The context's time that leaves the loudspeaker now, in seconds. The output's own time stamp, carried on with
// the page's clock; where a browser has none, the time being rendered less the latency it states.
export function heardTime(context, nowMs) {
  const stamp = context.getOutputTimestamp?.();
  if (stamp && stamp.contextTime > 0 && Math.abs(nowMs - stamp.performanceTime) < STALE_MS) {
    return Math.min(stamp.contextTime + (nowMs - stamp.performanceTime) / 1000, context.currentTime);
  }
  return context.currentTime - (context.outputLatency || context.baseLatency || 0);
}

// Position in a clip of which `from` to `to` (s) loops, of a run that began at `startedAt` (context time) at
// `offset` (clip time).
export function loopedPosition(heard, startedAt, offset, to, from = 0) {
  if (!(to > from)) return from;
  const elapsed = Math.max(heard - startedAt, 0);
  return from + ((offset - from + elapsed) % (to - from));
}

// The frame that is on at a time: the latest that has begun.
export function frameIndex(seconds, frameRateHz, frames) {
  const frame = Math.floor(seconds * frameRateHz + 1e-6);
  return Math.min(Math.max(frame, 0), Math.max(frames - 1, 0));
}

export function clockText(seconds) {
  const tenths = Math.floor(Math.max(seconds, 0) * 10 + 1e-6);
  const minutes = Math.floor(tenths / 600);
  const rest = ((tenths % 600) / 10).toFixed(1).padStart(4, "0");
  return `${minutes}:${rest}`;
}
