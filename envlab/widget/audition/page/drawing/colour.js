// A lamp's duty is linear light; a screen's numbers are not. IEC 61966-2-1:1999 (sRGB), 5.2, between them.

export function screenFromLinear(linear) {
  const light = Math.min(Math.max(linear, 0), 1);
  return light <= 0.0031308 ? 12.92 * light : 1.055 * light ** (1 / 2.4) - 0.055;
}

export function screenCode(linear) {
  return Math.round(255 * screenFromLinear(linear));
}

export function greyOf(linear) {
  const code = screenCode(linear);
  return `rgb(${code}, ${code}, ${code})`;
}

// Luminance Y of a colour "rgb(r, g, b)" as the browser computes it: tells a dark page from a light one.
export function luminanceOfCss(css) {
  const found = /^rgba?\(([^)]*)\)$/.exec(css.trim());
  if (!found) return null;
  const [red, green, blue, alpha = 1] = found[1].split(/[\s,/]+/).filter(Boolean).map(Number);
  if (alpha < 0.5) return null;
  const [r, g, b] = [red, green, blue].map((code) => linearFromScreen(code / 255));
  return 0.2126 * r + 0.7152 * g + 0.0722 * b;
}

export function linearFromScreen(value) {
  return value <= 0.04045 ? value / 12.92 : ((value + 0.055) / 1.055) ** 2.4;
}
