// What the kernel sends as bytes: 4 bytes with the length of a JSON header (little-endian), the header, the body.

const FULL_CODE = 65535;

export function unframe(bytes) {
  const view = bytes instanceof ArrayBuffer ? new DataView(bytes) : bytes;
  const headerLength = view.getUint32(0, true);
  const headerStart = view.byteOffset + 4;
  const bodyStart = headerStart + headerLength;
  const text = new TextDecoder().decode(new Uint8Array(view.buffer, headerStart, headerLength));
  return {
    header: JSON.parse(text),
    body: view.buffer.slice(bodyStart, view.byteOffset + view.byteLength),
  };
}

// Luminance of each frame, 0..65535 in linear light; of a layout of light that of each pixel follows, frame by
// frame. What follows the last one is padding.
export function readLight(bytes) {
  const { header, body } = unframe(bytes);
  const { frames, pixels = 0 } = header;
  return {
    header,
    codes: new Uint16Array(body, 0, frames),
    pixels: pixels ? new Uint16Array(body, 2 * frames, frames * pixels) : null,
  };
}

// One row of float32 for each name.
export function readTraces(bytes) {
  const { header, body } = unframe(bytes);
  const rows = {};
  header.names.forEach((name, place) => {
    rows[name] = new Float32Array(body, place * 4 * header.points, header.points);
  });
  return { header, rows };
}

export function isEmpty(bytes) {
  return !bytes || bytes.byteLength < 4;
}

// The light of one clip, frame by frame. The seconds round the playhead come first, the whole clip after; until
// then the rest shows what was known before, at its own time.
export class LightTrack {
  constructor() {
    this.codes = new Uint16Array(0);
    this.pixels = null;
    this.pixelCount = 0;
    this.clip = null;
    this.frameRateHz = 100;
    this.number = 0;
    this.showing = "board_a";
    this.exact = false;
  }

  take({ header, codes, pixels = null }) {
    const total = header.total_frames;
    const known = header.clip === this.clip && header.frame_rate_hz === this.frameRateHz && total === this.codes.length;
    if (header.clip !== this.clip) {
      this.codes = new Uint16Array(total);
    } else if (header.frame_rate_hz !== this.frameRateHz || total !== this.codes.length) {
      this.codes = retimed(this.codes, this.frameRateHz, header.frame_rate_hz, total);
    }
    const first = Math.min(header.first_frame, total);
    this.codes.set(codes.subarray(0, total - first), first);
    this.takePixels(pixels, header.pixels ?? 0, known, first, total);
    this.clip = header.clip;
    this.frameRateHz = header.frame_rate_hz;
    this.number = header.number;
    this.showing = header.showing;
    this.exact = header.exact;
  }

  // Where no pixel of this layout is known yet, all are alike.
  takePixels(pixels, count, known, first, total) {
    if (!pixels) {
      this.pixels = null;
      this.pixelCount = 0;
      return;
    }
    if (!known || count !== this.pixelCount) {
      this.pixels = new Uint16Array(total * count);
      this.codes.forEach((code, frame) => this.pixels.fill(code, frame * count, (frame + 1) * count));
      this.pixelCount = count;
    }
    this.pixels.set(pixels.subarray(0, (total - first) * count), first * count);
  }

  // Luminance of each pixel in a frame, 0..1; null where all are alike.
  pixelsAt(frame) {
    if (!this.pixels) return null;
    const codes = this.pixels.subarray(frame * this.pixelCount, (frame + 1) * this.pixelCount);
    return Array.from(codes, (code) => code / FULL_CODE);
  }

  luminance(frame) {
    return this.codes.length ? this.codes[frame] / FULL_CODE : 0;
  }

  meanLuminance() {
    if (!this.codes.length) return 0;
    let sum = 0;
    for (const code of this.codes) sum += code;
    return sum / this.codes.length / FULL_CODE;
  }
}

export function retimed(codes, fromHz, toHz, total) {
  const made = new Uint16Array(total);
  if (!codes.length) return made;
  for (let frame = 0; frame < total; frame += 1) {
    const source = Math.floor((frame * fromHz) / toHz + 1e-6);
    made[frame] = codes[Math.min(source, codes.length - 1)];
  }
  return made;
}
