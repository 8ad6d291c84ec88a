// One sound for one model, however many views show it. A buffer source on a context that all widgets of the
// page share: it starts at a known instant of the context, so that the lights can follow it to the sample.
// Turning a part never touches it.
import { heardTime, loopedPosition } from "./clock.js";

const CONTEXT_KEY = Symbol.for("envlab.audition.context");
const FADE_S = 0.012;
const START_AFTER_S = 0.02;
const EDGE_S = 0.004;

export function sharedContext() {
  globalThis[CONTEXT_KEY] ??= new AudioContext({ latencyHint: "interactive" });
  return globalThis[CONTEXT_KEY];
}

export class SoundEngine {
  constructor(contextOf = sharedContext) {
    this.contextOf = contextOf;
    this.buffer = null;
    this.clip = null;
    this.duration = 0;
    this.passage = null;
    this.resting = 0;
    this.run = null;
    this.starts = 0;
    this.volume = 0.5;
    this.loading = 0;
    this.output = null;
  }

  get context() {
    return this.contextOf();
  }

  get playing() {
    return this.run !== null;
  }

  // Decode a clip and put it in place of the last one, at its beginning. Returns whether it is still wanted.
  async load({ header, body }) {
    this.loading += 1;
    const mine = this.loading;
    const buffer = await this.context.decodeAudioData(body);
    if (mine !== this.loading) return false;
    this.pause();
    softenEdges(buffer);
    this.buffer = buffer;
    this.clip = header.clip;
    this.duration = Math.min(buffer.duration, header.duration_s ?? buffer.duration);
    this.passage = null;
    this.resting = 0;
    return true;
  }

  // Play from `from` to `to` (s) of the clip again and again; null: the whole. The passage is a buffer of its
  // own, whose loop the browser closes to the sample.
  mark(passage) {
    const position = this.position();
    const resume = this.playing;
    if (resume) this.stop();
    this.passage = passage && { from: passage[0], to: passage[1], buffer: this.cut(...passage) };
    this.resting = this.inside(position);
    if (resume) this.start(this.resting);
  }

  cut(from, to) {
    const { sampleRate, numberOfChannels } = this.buffer;
    const first = Math.round(from * sampleRate);
    const length = Math.max(Math.round(to * sampleRate) - first, 1);
    const cut = this.context.createBuffer(numberOfChannels, length, sampleRate);
    for (let channel = 0; channel < numberOfChannels; channel += 1) {
      cut.copyToChannel(this.buffer.getChannelData(channel).subarray(first, first + length), channel);
    }
    softenEdges(cut);
    return cut;
  }

  // The instant nearest to a wanted one that is played.
  inside(seconds) {
    const [from, to] = this.passage ? [this.passage.from, this.passage.to] : [0, this.duration];
    return Math.min(Math.max(seconds, from), Math.max(to - 0.001, from));
  }

  play() {
    if (this.playing || !this.buffer) return;
    this.context.resume();
    this.start(this.resting);
  }

  pause() {
    if (!this.playing) return;
    this.resting = this.position();
    this.stop();
  }

  seek(seconds) {
    const wanted = this.inside(seconds);
    if (this.playing) {
      this.stop();
      this.start(wanted);
    } else {
      this.resting = wanted;
    }
  }

  // Seconds into the clip that are heard `aheadMs` from now.
  position(aheadMs = 0) {
    if (!this.playing) return this.resting;
    const heard = heardTime(this.context, performance.now()) + aheadMs / 1000;
    const { from, to } = this.passage ?? { from: 0, to: this.duration };
    return loopedPosition(heard, this.run.startedAt, this.run.offset, to, from);
  }

  // The sound was asked for, but the browser or the machine holds it back.
  get heldBack() {
    return this.playing && this.context.state !== "running";
  }

  setVolume(share) {
    this.volume = Math.min(Math.max(share, 0), 1);
    if (this.output) this.output.gain.setTargetAtTime(loudness(this.volume), this.context.currentTime, 0.02);
  }

  close() {
    this.loading += 1;
    if (this.playing) this.stop();
    this.output?.disconnect();
    this.output = null;
    this.buffer = null;
  }

  start(offset) {
    const context = this.context;
    if (!this.output) {
      this.output = context.createGain();
      this.output.gain.value = loudness(this.volume);
      this.output.connect(context.destination);
    }
    const source = context.createBufferSource();
    const fade = context.createGain();
    source.buffer = this.passage?.buffer ?? this.buffer;
    source.loop = true;
    source.loopStart = 0;
    source.loopEnd = this.passage ? this.passage.buffer.duration : this.duration;
    source.connect(fade).connect(this.output);
    const startedAt = context.currentTime + START_AFTER_S;
    fade.gain.setValueAtTime(0, context.currentTime);
    fade.gain.setValueAtTime(0, startedAt);
    fade.gain.linearRampToValueAtTime(1, startedAt + FADE_S);
    source.start(startedAt, offset - (this.passage?.from ?? 0));
    this.starts += 1;
    this.run = { source, fade, startedAt, offset };
  }

  stop() {
    const { source, fade } = this.run;
    const now = this.context.currentTime;
    fade.gain.cancelScheduledValues(now);
    fade.gain.setValueAtTime(fade.gain.value, now);
    fade.gain.linearRampToValueAtTime(0, now + FADE_S);
    source.onended = () => fade.disconnect();
    source.stop(now + FADE_S);
    this.run = null;
  }
}

// A slider is felt evenly when the gain goes with its square.
function loudness(share) {
  return share * share;
}

// The end of a clip meets its beginning when it loops: both fade within milliseconds, so that nothing clicks.
function softenEdges(buffer) {
  const count = Math.min(Math.floor(EDGE_S * buffer.sampleRate), Math.floor(buffer.length / 2));
  for (let channel = 0; channel < buffer.numberOfChannels; channel += 1) {
    const samples = buffer.getChannelData(channel);
    for (let place = 0; place < count; place += 1) {
      const share = place / count;
      samples[place] *= share;
      samples[samples.length - 1 - place] *= share;
    }
  }
}
