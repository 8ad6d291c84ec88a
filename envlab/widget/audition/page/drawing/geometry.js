// Where the yoke's pixels stand on the canvas. All lengths are in the unit of the box that is given.

// In one line, evenly, with half a gap at each end.
export function linePlaces(count, width, height) {
  const gap = width / count;
  return {
    radius: Math.max(Math.min(gap * 0.26, height * 0.09), 1.5),
    places: Array.from({ length: count }, (_, at) => ({ x: gap * (at + 0.5), y: height / 2 })),
  };
}

// Our own yoke, seen from the front: over the upper arm, the shoulder, down to the breast and the same way up
// again. Half of its centre line as Bézier curves, in units of half the shoulders' breadth; x to the wearer's side.
const HALF_YOKE = [
  [[0, 0.66], [0.24, 0.66], [0.34, 0.46], [0.39, 0.24]],
  [[0.39, 0.24], [0.43, 0.08], [0.57, 0.01], [0.73, 0.07]],
  [[0.73, 0.07], [0.93, 0.15], [1.01, 0.34], [1.04, 0.6]],
];
const STEPS = 40;

export function yokeLine() {
  const half = [];
  for (const [a, b, c, d] of HALF_YOKE) {
    for (let step = half.length ? 1 : 0; step <= STEPS; step += 1) {
      const t = step / STEPS;
      const u = 1 - t;
      const at = (axis) =>
        u * u * u * a[axis] + 3 * u * u * t * b[axis] + 3 * u * t * t * c[axis] + t * t * t * d[axis];
      half.push({ x: at(0), y: at(1) });
    }
  }
  const mirrored = half.slice(1).reverse().map(({ x, y }) => ({ x: -x, y }));
  return [...mirrored, ...half];
}

// Points at equal distances along a line of points, the ends half a distance away from the line's ends.
export function evenlyAlong(points, count) {
  const lengths = [0];
  for (let at = 1; at < points.length; at += 1) {
    const run = Math.hypot(points[at].x - points[at - 1].x, points[at].y - points[at - 1].y);
    lengths.push(lengths[at - 1] + run);
  }
  const whole = lengths[lengths.length - 1];
  const places = [];
  let at = 1;
  for (let pixel = 0; pixel < count; pixel += 1) {
    const wanted = (whole * (pixel + 0.5)) / count;
    while (at < points.length - 1 && lengths[at] < wanted) at += 1;
    const share = (wanted - lengths[at - 1]) / (lengths[at] - lengths[at - 1] || 1);
    const [from, to] = [points[at - 1], points[at]];
    places.push({ x: from.x + share * (to.x - from.x), y: from.y + share * (to.y - from.y) });
  }
  return { places, gap: whole / count };
}

// Scale and origin that put the wearer (head to belt) into the box.
export function wearerFrame(width, height) {
  const unit = Math.min(width / 2.7, height / 2.02);
  return { unit, x: width / 2, y: height * 0.49 };
}

export function yokePlaces(count, width, height) {
  const { unit, x, y } = wearerFrame(width, height);
  const { places, gap } = evenlyAlong(yokeLine(), count);
  return {
    radius: Math.max(gap * unit * 0.25, 1.5),
    places: places.map((place) => ({ x: x + unit * place.x, y: y + unit * place.y })),
  };
}
