// The yoke in the dark. Each pixel's core has exactly the colour that its luminance asks for; the glow round it
// is a picture of glare, no measurement.
import { fitted } from "../dom.js";
import { greyOf, screenFromLinear } from "./colour.js";
import { linePlaces, wearerFrame, yokeLine, yokePlaces } from "./geometry.js";

const GLOW_PIXELS = 128;
const NIGHT = ["#12171c", "#0a0d10"];

export class LightsCanvas {
  constructor(canvas) {
    this.canvas = canvas;
    this.glow = glowSprite();
    this.prepared = "";
    this.shape = null;
    this.layers = {};
    this.shown = "";
    this.colours = [];
  }

  // Draw `count` pixels at luminance 0..1 (linear light), or each at its own of `pixels`; returns the colours of
  // their cores.
  draw(luminance, count, layout, pixels = null) {
    const { pen, width, height } = fitted(this.canvas);
    if (width < 2 || height < 2) return [];
    const wanted = `${luminance} ${count} ${layout} ${this.canvas.width} ${this.canvas.height} ${pixels ?? ""}`;
    if (wanted === this.shown) return this.colours;
    this.shown = wanted;
    this.prepare(count, layout, width, height);
    pen.drawImage(this.layers.backdrop, 0, 0, width, height);
    const seen = screenFromLinear(luminance);
    if (pixels) {
      this.halos(pen, pixels);
    } else if (seen > 0) {
      pen.globalCompositeOperation = "lighter";
      pen.globalAlpha = seen;
      pen.drawImage(this.layers.glow, 0, 0, width, height);
      pen.globalAlpha = 1;
      pen.globalCompositeOperation = "source-over";
    }
    this.colours = this.cores(pen, pixels ?? new Array(count).fill(luminance));
    return this.colours;
  }

  // What does not change from frame to frame: the dark scene, and the glow of all pixels.
  prepare(count, layout, width, height) {
    const wanted = `${count} ${layout} ${this.canvas.width} ${this.canvas.height}`;
    if (wanted === this.prepared) return;
    this.prepared = wanted;
    const worn = layout === "shoulders";
    this.shape = (worn ? yokePlaces : linePlaces)(count, width, height);
    const { radius } = this.shape;
    this.layers.backdrop = this.layer(width, height, (pen) => {
      paintNight(pen, width, height);
      if (worn) paintWearer(pen, width, height, radius);
      else paintStrip(pen, this.shape);
    });
    this.layers.glow = this.layer(width, height, (pen) => {
      const room = Math.max(width, height) * 0.6;
      pen.globalAlpha = 0.16;
      pen.drawImage(this.glow, width / 2 - room, height / 2 - room * 0.6, 2 * room, 1.2 * room);
      this.halo(pen, radius * 11, 0.15);
      this.halo(pen, radius * 3.2, 0.8);
    });
  }

  layer(width, height, paint) {
    const made = document.createElement("canvas");
    made.width = this.canvas.width;
    made.height = this.canvas.height;
    const pen = made.getContext("2d");
    pen.scale(made.width / width, made.height / height);
    paint(pen);
    return made;
  }

  halo(pen, reach, alpha) {
    pen.globalCompositeOperation = "lighter";
    pen.globalAlpha = alpha;
    for (const { x, y } of this.shape.places) {
      pen.drawImage(this.glow, x - reach, y - reach, 2 * reach, 2 * reach);
    }
  }

  // The glow of pixels that are not all alike, each by its own light.
  halos(pen, pixels) {
    const { places, radius } = this.shape;
    pen.globalCompositeOperation = "lighter";
    places.forEach(({ x, y }, at) => {
      const seen = screenFromLinear(pixels[at]);
      if (seen === 0) return;
      for (const [reach, alpha] of [[radius * 11, 0.15], [radius * 3.2, 0.8]]) {
        pen.globalAlpha = alpha * seen;
        pen.drawImage(this.glow, x - reach, y - reach, 2 * reach, 2 * reach);
      }
    });
    pen.globalAlpha = 1;
    pen.globalCompositeOperation = "source-over";
  }

  cores(pen, pixels) {
    pen.strokeStyle = "#3d464e";
    pen.lineWidth = 1;
    return this.shape.places.map(({ x, y }, at) => {
      const colour = greyOf(pixels[at]);
      pen.fillStyle = colour;
      pen.beginPath();
      pen.arc(x, y, this.shape.radius, 0, 2 * Math.PI);
      pen.fill();
      if (pixels[at] < 0.08) pen.stroke();
      return colour;
    });
  }
}

function glowSprite() {
  const sprite = document.createElement("canvas");
  sprite.width = sprite.height = GLOW_PIXELS;
  const pen = sprite.getContext("2d");
  const half = GLOW_PIXELS / 2;
  const fade = pen.createRadialGradient(half, half, 0, half, half, half);
  fade.addColorStop(0, "rgba(255, 246, 230, 0.95)");
  fade.addColorStop(0.25, "rgba(255, 238, 212, 0.42)");
  fade.addColorStop(0.55, "rgba(255, 226, 186, 0.12)");
  fade.addColorStop(1, "rgba(255, 220, 170, 0)");
  pen.fillStyle = fade;
  pen.fillRect(0, 0, GLOW_PIXELS, GLOW_PIXELS);
  return sprite;
}

function paintNight(pen, width, height) {
  const sky = pen.createLinearGradient(0, 0, 0, height);
  sky.addColorStop(0, NIGHT[0]);
  sky.addColorStop(1, NIGHT[1]);
  pen.fillStyle = sky;
  pen.fillRect(0, 0, width, height);
}

function paintStrip(pen, { places, radius }) {
  pen.strokeStyle = "#20272d";
  pen.lineWidth = radius * 3.2;
  pen.lineCap = "round";
  pen.beginPath();
  pen.moveTo(places[0].x, places[0].y);
  pen.lineTo(places[places.length - 1].x, places[places.length - 1].y);
  pen.stroke();
}

// Someone in a coat and a knitted cap, seen from the front, with the yoke over both shoulders.
function paintWearer(pen, width, height, radius) {
  const { unit, x, y } = wearerFrame(width, height);
  const to = (px, py) => [x + unit * px, y + unit * py];
  pen.fillStyle = "#1a2026";
  pen.beginPath();
  pen.moveTo(...to(-1.16, 1.6));
  pen.bezierCurveTo(...to(-1.2, 0.9), ...to(-1.16, 0.2), ...to(-0.78, 0.06));
  pen.bezierCurveTo(...to(-0.5, -0.04), ...to(-0.24, -0.06), ...to(-0.2, -0.2));
  pen.lineTo(...to(0.2, -0.2));
  pen.bezierCurveTo(...to(0.24, -0.06), ...to(0.5, -0.04), ...to(0.78, 0.06));
  pen.bezierCurveTo(...to(1.16, 0.2), ...to(1.2, 0.9), ...to(1.16, 1.6));
  pen.closePath();
  pen.fill();
  pen.fillStyle = "#20272e";
  pen.beginPath();
  pen.ellipse(...to(0, -0.42), unit * 0.25, unit * 0.32, 0, 0, 2 * Math.PI);
  pen.fill();
  pen.fillStyle = "#2a323a";
  pen.beginPath();
  pen.moveTo(...to(-0.27, -0.47));
  pen.bezierCurveTo(...to(-0.29, -0.92), ...to(0.29, -0.92), ...to(0.27, -0.47));
  pen.bezierCurveTo(...to(0.1, -0.54), ...to(-0.1, -0.54), ...to(-0.27, -0.47));
  pen.fill();
  pen.strokeStyle = "#0d1114";
  pen.lineCap = "round";
  pen.lineJoin = "round";
  pen.lineWidth = radius * 3.4;
  pen.beginPath();
  yokeLine().forEach((place, at) => {
    if (at) pen.lineTo(...to(place.x, place.y));
    else pen.moveTo(...to(place.x, place.y));
  });
  pen.stroke();
}
