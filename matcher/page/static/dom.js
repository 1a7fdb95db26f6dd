// Elements made by hand. Text from files and names only ever becomes text, never markup.

import { playOnce, stopOnce } from "./audio.js";

export function h(tag, properties = {}, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(properties || {})) {
    if (value === null || value === undefined || value === false) continue;
    if (name === "on") {
      for (const [event, listener] of Object.entries(value)) element.addEventListener(event, listener);
    } else if (name === "class") element.className = value;
    else if (name === "data") Object.assign(element.dataset, value);
    else if (name in element && typeof value !== "string") element[name] = value;
    else if (name === "value") element.value = value;
    else element.setAttribute(name, value === true ? "" : value);
  }
  put(element, ...children);
  return element;
}

export function put(element, ...children) {
  for (const child of children.flat(Infinity)) {
    if (child === null || child === undefined || child === false) continue;
    element.append(child instanceof Node ? child : document.createTextNode(String(child)));
  }
  return element;
}

export function replace(element, ...children) {
  element.replaceChildren();
  return put(element, ...children);
}

export function button(text, listener, properties = {}) {
  return h("button", { type: "button", ...properties, on: { click: listener } }, text);
}

// A button that plays one sound, and stops it again.
export function playButton(text, load, properties = {}) {
  const name = text === "Play" ? "" : text.replace(/^Play/, "");
  const element = button(text, () => attempt(async () => {
    if (element.dataset.state === "playing") {
      stopOnce();
      return;
    }
    const playing = playOnce(load, () => {
      element.dataset.state = "stopped";
      element.textContent = text;
    });
    element.dataset.state = "playing";
    element.textContent = `Stop${name}`;
    await playing;
  }), { "data-state": "stopped", ...properties });
  return element;
}

let count = 0;
export function newId(stem) {
  count += 1;
  return `${stem}-${count}`;
}

export function field(label, input, hint) {
  input.id = input.id || newId("field");
  return h("div", { class: "field" }, h("label", { for: input.id }, label), input, hint && h("span", { class: "quiet" }, hint));
}

export function select(options, chosen, listener) {
  const element = h("select", { on: { change: () => listener && listener(element.value) } });
  for (const [value, text] of options) {
    element.append(h("option", { value, selected: value === chosen }, text));
  }
  return element;
}

// A table that may be wider than the window: then it can be scrolled by keyboard, too.
export function scrollable(label, ...children) {
  const element = h("div", { class: "scroll" }, ...children);
  new ResizeObserver(() => {
    const isWider = element.scrollWidth > element.clientWidth;
    for (const [name, value] of [["tabindex", "0"], ["role", "region"], ["aria-label", label]]) {
      if (isWider) element.setAttribute(name, value);
      else element.removeAttribute(name);
    }
  }).observe(element);
  return element;
}

// A set of choices of which one holds, moved through with the arrow keys.
export function choice(legend, options, chosen, listener, className = "") {
  const name = newId("choice");
  return h("fieldset", { class: `choice ${className}` }, h("legend", {}, legend),
    options.map(([value, text]) => {
      const input = h("input", { type: "radio", name, value, checked: value === chosen,
        on: { change: () => listener(value) } });
      return h("label", {}, input, h("span", {}, text));
    }));
}

export const number = (value, digits = 2) =>
  value === null || value === undefined || !Number.isFinite(value) ? "–" : value.toFixed(digits);
export const milliseconds = (seconds) =>
  seconds === null || seconds === undefined ? "–" : seconds >= 1 ? `${seconds.toFixed(2)} s` : `${Math.round(1000 * seconds)} ms`;

const NAMES = ["C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B"];
export const keyName = (pitch) => `${NAMES[((Math.round(pitch) % 12) + 12) % 12]}${Math.floor(Math.round(pitch) / 12) - 1}`;

let fading = null;
export function say(text, isProblem = false) {
  const place = document.getElementById("message");
  replace(place, text && h("p", { class: isProblem ? "problem" : "good" }, text,
    button("Close", () => place.replaceChildren(), { class: "small" })));
  clearTimeout(fading);
  if (text && !isProblem) fading = setTimeout(() => place.replaceChildren(), 6000);
}

export async function attempt(work) {
  try {
    return await work();
  } catch (error) {
    say(error.message, true);
    return null;
  }
}
