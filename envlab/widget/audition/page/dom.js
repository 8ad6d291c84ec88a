// Small helpers for the page's own elements.

export function make(tag, attributes = {}, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else if (value === true) element.setAttribute(name, "");
    else if (value !== false && value !== null && value !== undefined) element.setAttribute(name, value);
  }
  element.append(...children.filter((child) => child !== null && child !== undefined));
  return element;
}

export function setText(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

export function setAttribute(element, name, value) {
  if (element.getAttribute(name) !== value) element.setAttribute(name, value);
}

let idsGiven = 0;

export function freshId(stem) {
  idsGiven += 1;
  return `envlab-${stem}-${idsGiven}-${Math.random().toString(36).slice(2, 7)}`;
}

// Sizes of canvases as the browser tells them when they change; to ask at each refresh would make it lay out
// the page each time.
class Sizes {
  constructor() {
    this.known = new WeakMap();
    this.observer = new ResizeObserver((entries) => entries.forEach(({ target }) => this.measure(target)));
  }

  measure(canvas) {
    this.known.set(canvas, { width: canvas.clientWidth, height: canvas.clientHeight });
    return this.known.get(canvas);
  }

  of(canvas) {
    const known = this.known.get(canvas);
    if (known?.width) return known;
    this.observer.observe(canvas);
    return this.measure(canvas);
  }
}

let sizes = null;

// Fit a canvas to the space that the page gives it, in device pixels; returns its drawing context.
export function fitted(canvas) {
  sizes ??= new Sizes();
  const ratio = globalThis.devicePixelRatio || 1;
  const { width, height } = sizes.of(canvas);
  const [wide, high] = [Math.round(width * ratio), Math.round(height * ratio)];
  if (canvas.width !== wide || canvas.height !== high) {
    canvas.width = wide;
    canvas.height = high;
  }
  const pen = canvas.getContext("2d");
  pen.setTransform(ratio, 0, 0, ratio, 0, 0);
  return { pen, width, height };
}
