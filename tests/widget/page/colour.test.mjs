import assert from "node:assert/strict";
import test from "node:test";

import { greyOf, linearFromScreen, luminanceOfCss, screenCode, screenFromLinear } from "../../../envlab/widget/audition/page/drawing/colour.js";

// IEC 61966-2-1:1999, 5.2: R' = 12.92 R up to R = 0.0031308, above 1.055 R^(1/2.4) - 0.055.
test("linear light to screen, both branches of the standard", () => {
  assert.equal(screenFromLinear(0), 0);
  assert.ok(Math.abs(screenFromLinear(1) - 1) < 1e-12);
  assert.ok(Math.abs(screenFromLinear(0.002) - 0.02584) < 1e-12);
  assert.ok(Math.abs(screenFromLinear(0.0031308) - 0.040449936) < 1e-9);
  assert.ok(Math.abs(screenFromLinear(0.25) - (1.055 * 0.25 ** (1 / 2.4) - 0.055)) < 1e-15);
});

test("the two branches meet", () => {
  const below = screenFromLinear(0.0031308);
  assert.ok(Math.abs(screenFromLinear(0.0031308 + 1e-9) - below) < 1e-6);
});

// From the same formulas: code 188 is the nearest to half of the light, 118 to 18 percent (a grey card).
test("known greys", () => {
  assert.equal(screenCode(0.5), 188);
  assert.equal(screenCode(0.18), 118);
  assert.equal(greyOf(1), "rgb(255, 255, 255)");
  assert.equal(greyOf(0), "rgb(0, 0, 0)");
});

test("there and back is the same code for all 256", () => {
  for (let code = 0; code < 256; code += 1) assert.equal(screenCode(linearFromScreen(code / 255)), code);
});

test("what no screen can show is held at its ends", () => {
  assert.equal(screenCode(-0.1), 0);
  assert.equal(screenCode(1.5), 255);
});

// WCAG 2.2, relative luminance; weights of red, green and blue from the same standard.
test("luminance of the page's colours", () => {
  assert.ok(Math.abs(luminanceOfCss("rgb(0, 255, 0)") - 0.7152) < 1e-12);
  assert.ok(luminanceOfCss("rgb(17, 17, 17)") < 0.01);
  assert.equal(luminanceOfCss("rgba(0, 0, 0, 0)"), null);
  assert.equal(luminanceOfCss("transparent"), null);
});
