// Pictures of sound, painted from numbers in the colours of the page.

import { h } from "./dom.js";

const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();

function bytes(text) {
  const plain = atob(text);
  const array = new Uint8Array(plain.length);
  for (let i = 0; i < plain.length; i += 1) array[i] = plain.charCodeAt(i);
  return array;
}

function rgb(name) {
  const value = colour(name).replace("#", "");
  return [0, 2, 4].map((i) => parseInt(value.slice(i, i + 2), 16));
}

// A canvas that paints itself again when its size or the theme changes.
export function canvas(label, className, paint) {
  const element = h("canvas", { class: className, role: "img", "aria-label": label });
  const again = () => {
    const box = element.getBoundingClientRect();
    if (!box.width || !box.height) return;
    const ratio = window.devicePixelRatio || 1;
    element.width = Math.round(box.width * ratio);
    element.height = Math.round(box.height * ratio);
    const context = element.getContext("2d");
    context.scale(ratio, ratio);
    context.clearRect(0, 0, box.width, box.height);
    paint(context, box.width, box.height);
  };
  new ResizeObserver(again).observe(element);
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", again);
  element.repaint = again;
  return element;
}

const AXIS = 16;

function timeAxis(context, width, height, duration) {
  const steps = [0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5];
  const step = steps.find((each) => (each / duration) * width >= 54) || 10;
  context.fillStyle = colour("--quiet");
  context.font = "11px system-ui, sans-serif";
  context.textBaseline = "bottom";
  for (let i = 0; i * step < duration; i += 1) {
    const x = (i * step / duration) * width;
    context.fillRect(x, height - AXIS, 1, 4);
    const text = step < 1 ? `${Math.round(1000 * i * step)}` : `${i * step}`;
    const unit = i === 0 ? (step < 1 ? " ms" : " s") : "";
    context.fillText(text + unit, Math.min(x + 3, width - 30), height - 1);
  }
}

// Spectrogram: louder is nearer to the ink of its sound.
export function paintSpectrogram(context, width, height, picture, ink = "--target") {
  const { n_bands: rows, n_columns: columns } = picture;
  const grey = bytes(picture.spectrogram);
  const image = new ImageData(columns, rows);
  const ground = rgb("--ground");
  const full = rgb(ink);
  const light = rgb("--glow");
  for (let row = 0; row < rows; row += 1) {
    for (let column = 0; column < columns; column += 1) {
      const value = grey[row * columns + column] / 255;
      const place = 4 * ((rows - 1 - row) * columns + column);
      for (let i = 0; i < 3; i += 1) {
        const base = ground[i] + (full[i] - ground[i]) * Math.min(1, value * 1.35);
        image.data[place + i] = base + (light[i] - base) * Math.max(0, value - 0.74) * 2.4;
      }
      image.data[place + 3] = 255;
    }
  }
  const small = new OffscreenCanvas(columns, rows);
  small.getContext("2d").putImageData(image, 0, 0);
  context.imageSmoothingEnabled = true;
  context.drawImage(small, 0, 0, width, height - AXIS);
  context.font = "11px system-ui, sans-serif";
  context.textBaseline = "middle";
  for (const hz of [100, 1000, 10000]) {
    const band = picture.band_hz.findIndex((each) => each >= hz);
    if (band < 0) continue;
    const y = (height - AXIS) * (1 - (band + 0.5) / rows);
    context.fillStyle = colour("--line");
    context.fillRect(0, y, 5, 1);
    context.fillStyle = colour("--ink");
    const text = hz >= 1000 ? `${hz / 1000} kHz` : `${hz} Hz`;
    context.strokeStyle = colour("--ground");
    context.lineWidth = 4;
    context.lineJoin = "round";
    context.strokeText(text, 8, y);
    context.fillText(text, 8, y);
  }
  timeAxis(context, width, height, picture.duration_s);
}

function levelPath(context, picture, width, height, duration) {
  const points = picture.level_db;
  const range = picture.range_db * 0.72;
  context.beginPath();
  points.forEach((level, i) => {
    const x = (((i + 0.5) / points.length) * picture.duration_s / duration) * width;
    const y = (Math.min(-level, range) / range) * (height - AXIS - 6) + 4;
    if (i) context.lineTo(x, y);
    else context.moveTo(x, y);
  });
}

// Level over time: the target as a body, the match as a line above it.
export function paintLevels(context, width, height, { target, match, marks = [], loop = null }) {
  const duration = (target || match).duration_s;
  if (loop) {
    context.fillStyle = colour("--tint");
    context.fillRect((loop[0] / duration) * width, 0, ((loop[1] - loop[0]) / duration) * width, height - AXIS);
  }
  const floor = (target || match).range_db * 0.72;
  context.font = "11px system-ui, sans-serif";
  context.textAlign = "right";
  context.textBaseline = "middle";
  for (let below = 20; below < floor - 5; below += 20) {
    const y = (below / floor) * (height - AXIS - 6) + 4;
    context.fillStyle = colour("--line");
    context.fillRect(0, y, width, 1);
    context.fillStyle = colour("--quiet");
    context.fillText(`−${below} dB`, width - 3, y - 7);
  }
  context.textAlign = "left";
  if (target) {
    levelPath(context, target, width, height, duration);
    context.lineTo(width, height - AXIS);
    context.lineTo(0, height - AXIS);
    context.closePath();
    context.fillStyle = colour("--target-soft");
    context.fill();
    levelPath(context, target, width, height, duration);
    context.strokeStyle = colour("--target");
    context.lineWidth = 1.5;
    context.stroke();
  }
  if (match) {
    levelPath(context, match, width, height, duration);
    context.strokeStyle = colour("--match");
    context.lineWidth = 2;
    context.stroke();
  }
  context.font = "11px system-ui, sans-serif";
  context.textBaseline = "top";
  for (const [at, text] of marks) {
    const x = (at / duration) * width;
    context.fillStyle = colour("--ink");
    context.globalAlpha = 0.5;
    context.fillRect(x, 0, 1, height - AXIS);
    context.globalAlpha = 1;
    const wide = context.measureText(text).width;
    const left = x + 4 + wide > width ? x - wide - 4 : x + 4;
    // A rim in the colour of the card, so that it can be read over the curve.
    context.strokeStyle = colour("--card");
    context.lineWidth = 4;
    context.lineJoin = "round";
    context.strokeText(text, left, height - AXIS - 15);
    context.fillStyle = colour("--ink");
    context.fillText(text, left, height - AXIS - 15);
  }
  timeAxis(context, width, height, duration);
}

// Curves over a budget: each is a list of [x, y]; lower is closer.
export function paintCurves(context, width, height, { curves, xMax, xText, yMax }) {
  const left = 34;
  const bottom = height - 18;
  const top = 22;
  const xOf = (value) => left + (value / xMax) * (width - left);
  const yOf = (value) => bottom - (value / yMax) * (bottom - top);
  context.font = "11px system-ui, sans-serif";
  context.textBaseline = "middle";
  const step = [0.5, 1, 2, 5, 10, 20].find((each) => yMax / each <= 5) || 50;
  for (let value = 0; value <= yMax; value += step) {
    context.fillStyle = colour("--line");
    context.fillRect(left, yOf(value), width - left, 1);
    context.fillStyle = colour("--quiet");
    context.fillText(String(value), 4, yOf(value));
  }
  context.textBaseline = "top";
  context.fillText("distance", 4, 0);
  context.textBaseline = "bottom";
  context.fillText("0", left, height);
  context.fillText(xText, width - context.measureText(xText).width - 2, height);
  context.save();
  context.beginPath();
  context.rect(left, top, width - left, bottom - top);
  context.clip();
  for (const { points, ink, weight = 1.5 } of curves) {
    context.beginPath();
    points.forEach(([x, y], i) => (i ? context.lineTo(xOf(x), yOf(y)) : context.moveTo(xOf(x), yOf(y))));
    context.strokeStyle = colour(ink);
    context.lineWidth = weight;
    context.stroke();
  }
  context.restore();
}
