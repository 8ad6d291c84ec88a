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

let idsGiven = 0;

export function freshId(stem) {
  idsGiven += 1;
  return `envlab-${stem}-${idsGiven}-${Math.random().toString(36).slice(2, 7)}`;
}

// Fit a canvas to the space that the page gives it, in device pixels; returns its drawing context.
export function fitted(canvas) {
  const ratio = globalThis.devicePixelRatio || 1;
  const width = canvas.clientWidth;
  const height = canvas.clientHeight;
  const [wide, high] = [Math.round(width * ratio), Math.round(height * ratio)];
  if (canvas.width !== wide || canvas.height !== high) {
    canvas.width = wide;
    canvas.height = high;
  }
  const pen = canvas.getContext("2d");
  pen.setTransform(ratio, 0, 0, ratio, 0, 0);
  return { pen, width, height };
}
