// What views are made of, besides the elements that the player brings along.

import * as api from "./api.js";
import { button, h, newId, playButton as playButtonOf, put } from "./player.js";

export { button, choice, h, newId, put } from "./player.js";

export function replace(element, ...children) {
  element.replaceChildren();
  return put(element, ...children);
}

// A button that plays one sound, and stops it again.
export const playButton = (text, load, properties = {}) => playButtonOf(text, load, (error) => say(error.message, true), properties);

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

// Pictures that the server draws, with their captions.
export const figures = (address, pictures) => h("div", { class: "plots" }, pictures.map(({ name, title, text }) => {
  const image = h("img", { alt: `${title}. ${text}`, width: 400, height: 260 });
  attempt(() => api.showImage(image, `${address}/${encodeURIComponent(name)}`));
  return h("figure", {}, image, h("figcaption", {}, h("b", {}, `${title}.`), ` ${text}`));
}));

// A link to a file or a report, which the browser opens by itself: it gets a ticket when it is used.
export function link(text, address, properties = {}) {
  const open = async (event) => {
    event.preventDefault();
    const href = await attempt(() => api.ticketed(address));
    if (href) h("a", { ...properties, id: null, href, rel: "noopener" }).click();
  };
  return h("a", { class: "button", ...properties, href: address, on: { click: open } }, text);
}

export const number = (value, digits = 2) =>
  value === null || value === undefined || !Number.isFinite(value) ? "–" : value.toFixed(digits);
export const milliseconds = (seconds) =>
  seconds === null || seconds === undefined ? "–" : seconds >= 1 ? `${seconds.toFixed(2)} s` : `${Math.round(1000 * seconds)} ms`;

const NAMES = ["C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B"];
export const keyName = (pitch) => `${NAMES[((Math.round(pitch) % 12) + 12) % 12]}${Math.floor(Math.round(pitch) / 12) - 1}`;

let fading = null;
// A problem stays until something goes well again, or another view is opened; `next` is where to go.
export function say(text, isProblem = false, next = null) {
  const place = document.getElementById("message");
  const close = () => place.replaceChildren();
  replace(place, text && h("p", { class: isProblem ? "problem" : "good" }, h("span", {}, text),
    next && button(next[0], () => { close(); next[1](); }, { class: "small main" }), button("Close", close, { class: "small" })));
  clearTimeout(fading);
  if (text && !isProblem && !next) fading = setTimeout(close, 6000);
}

export function endProblem() {
  const place = document.getElementById("message");
  if (place.querySelector(".problem")) place.replaceChildren();
}

let attempts = 0;
let failed = 0;
export async function attempt(work) {
  attempts += 1;
  const mine = attempts;
  try {
    const made = await work();
    if (mine > failed) endProblem();
    return made;
  } catch (error) {
    failed = attempts;
    say(error.message, true);
    return null;
  }
}
