// The player at the foot of the page: target against match, in one place and at one level.

import * as api from "./api.js";
import { Pair, decode, level, loudness, setLevel, audioContext } from "./audio.js";
import { attempt, button, choice, h, milliseconds, replace } from "./dom.js";
import { canvas, paintLevels } from "./draw.js";
import { newest } from "./store.js";

export const pair = new Pair();
const root = () => document.getElementById("player");
const now = { key: null, target: null, match: null, marks: [], onset: 0.02, data: {} };
const asking = newest();
const replacing = newest();
let parts = null;
let frame = 0;
let repeat = "once";
let isLoading = false;
let everywhere = null;

const ATTACK_S = 0.2;
// Asked for when it starts, as the length of the sounds is known only then.
function stretch() {
  if (repeat === "once") return null;
  if (repeat === "whole") return [0, pair.duration || 1];
  return [Math.max(0, now.onset - 0.01), Math.min(now.onset + ATTACK_S, pair.duration || 1)];
}

function build() {
  const strip = canvas("Level of target and match over time", "strip", (context, width, height) => {
    if (now.target || now.match) {
      paintLevels(context, width, height, { ...now, loop: pair.loop });
    }
  });
  const head = h("div", { class: "playhead", "aria-hidden": "true" });
  const play = button("Play", toggle, { class: "main", id: "play", "aria-keyshortcuts": "Space" });
  const which = choice("Heard", [["target", "Target"], ["match", "Match"]], pair.heard, switchTo, "ab");
  const loop = choice("Loop", [["once", "Once"], ["whole", "Whole"], ["attack", "Attack"]], "once", setLoop);
  const speed = choice("Speed", [["1", "Full"], ["0.5", "Half"]], "1", (value) => pair.change({ speed: Number(value) }));
  // WCAG 2.2, 2.1.4: single letters can be turned off, and then work in the player only.
  everywhere = h("input", { type: "checkbox", id: "everywhere", checked: localStorage.getItem("keys") !== "player",
    on: { change: () => localStorage.setItem("keys", everywhere.checked ? "page" : "player") } });
  const volume = h("input", { type: "range", min: "0", max: "1", step: "0.01", value: String(Math.sqrt(level())),
    id: "level", on: { input: () => setLevel(volume.value ** 2) } });
  const meter = h("meter", { min: "-60", max: "0", high: "-9", optimum: "-20", value: "-60", id: "meter", "aria-label": "Level that is playing" });
  const more = button("More", () => {
    const isOpen = root().classList.toggle("open");
    more.setAttribute("aria-expanded", String(isOpen));
  }, { class: "more", "aria-expanded": "false" });
  loop.classList.add("extra");
  speed.classList.add("extra");
  parts = { strip, head, play, which, loop, speed, meter };
  replace(root(),
    h("div", { class: "strip-box", title: "Click to play from here", on: { click: seek } }, strip, head),
    h("div", { class: "player-row" }, play, which, more, loop, speed,
      h("div", { class: "volume extra" }, h("label", { for: "level" }, "Level"), volume, meter)),
    h("p", { class: "quiet keys-hint" }, "Start with the monitor level down. Space plays and stops, X switches. Half speed sounds an octave lower. ",
      h("label", { class: "check" }, everywhere, " Both keys work anywhere on the page")));
  pair.onEnd = show;
}

function seek(event) {
  const box = parts.strip.getBoundingClientRect();
  setRepeat("once");
  start(((event.clientX - box.left) / box.width) * pair.duration);
}

// Fetches what is missing. Sounds of a pair that is no longer shown are let go, and so is what was
// replaced while it was fetched.
async function fill() {
  const { key, data } = now;
  await Promise.all(["target", "match"].map(async (which) => {
    const source = now[`${which}Sound`];
    if (!source || data[which]) return;
    const buffer = await decode(await source());
    if (now.key !== key || now.data !== data || data[which]) return;
    data[which] = true;
    pair.set(which, buffer);
  }));
}

async function start(from = null) {
  const isNewest = asking();
  audioContext();
  isLoading = true;
  show();
  await attempt(fill);
  if (!isNewest()) return;
  isLoading = false;
  pair.loop = stretch();
  pair.play(from);
  parts.strip.repaint();
  show();
}

export function toggle() {
  if (pair.isPlaying || isLoading) stop();
  else start();
}

export function stop() {
  asking();
  isLoading = false;
  pair.halt();
  if (parts) show();
}

export function switchTo(which) {
  pair.switchTo(which);
  for (const input of parts.which.querySelectorAll("input")) input.checked = input.value === which;
  show();
}

function setLoop(value) {
  repeat = value;
  pair.change({ loop: stretch() });
  parts.strip.repaint();
}

function setRepeat(value) {
  repeat = value;
  pair.loop = null;
  for (const input of parts.loop.querySelectorAll("input")) input.checked = input.value === value;
}

function show() {
  const isPlaying = pair.isPlaying;
  root().dataset.state = isPlaying ? "playing" : isLoading ? "loading" : "stopped";
  root().dataset.heard = pair.heard;
  parts.play.textContent = isPlaying || isLoading ? "Stop" : "Play";
  cancelAnimationFrame(frame);
  if (isPlaying) frame = requestAnimationFrame(tick);
  else {
    parts.head.hidden = true;
    parts.meter.value = -60;
    root().dataset.sounding = "false";
  }
}

function tick() {
  if (!pair.isPlaying) return;
  parts.head.hidden = false;
  parts.head.style.left = `${(100 * pair.position()) / (pair.duration || 1)}%`;
  const heard = 20 * Math.log10(Math.max(loudness(), 1e-3));
  parts.meter.value = heard;
  root().dataset.sounding = String(heard > -50);
  frame = requestAnimationFrame(tick);
}

// Shows two sounds; they are fetched when they are first played.
export async function showPair(key, { target, match, marks, onset, targetSound, matchSound, title, names = ["Target", "Match"] }) {
  if (!parts) build();
  if (now.key !== key) {
    stop();
    replacing();
    setRepeat("once");
    pair.buffers = { target: null, match: null };
    now.data = {};
  }
  Object.assign(now, { key, target, match, marks: marks || [], onset: onset ?? 0.02, targetSound, matchSound });
  parts.which.querySelectorAll("label span").forEach((each, i) => { each.textContent = names[i]; });
  root().hidden = false;
  document.body.classList.add("has-player");
  root().setAttribute("aria-label", `Player: ${title || "target and match"}`);
  const words = (marks || []).map(([at, text]) => `${text} at ${milliseconds(at)}`).join(", ");
  parts.strip.setAttribute("aria-label", `Level of target and match over time. ${words}`);
  parts.which.hidden = !(targetSound && matchSound);
  if (!(targetSound && matchSound)) switchTo(targetSound ? "target" : "match");
  parts.strip.repaint();
  show();
}

export function showMatchPicture(key, picture) {
  if (now.key !== key) return;
  now.match = picture;
  parts.strip.repaint();
}

// The match was changed: take the new sound, unless the player shows something else by now or a
// newer sound has come in, and go on playing if something plays.
export async function replaceMatch(key, data, isHeard) {
  const isNewest = replacing();
  const buffer = await decode(data);
  if (!isNewest() || now.key !== key) return;
  now.data.match = true;
  pair.set("match", buffer);
  if (isHeard) {
    switchTo("match");
    if (!pair.isPlaying) await start();
  }
}

export const isShown = (key) => now.key === key;

export function hide() {
  if (!parts) return;
  stop();
  now.key = null;
  root().hidden = true;
  document.body.classList.remove("has-player");
}

export const runSound = (run, note, which) => () => api.sound(api.path("runs", run, "notes", note, which, "sound"));

document.addEventListener("keydown", (event) => {
  if (root().hidden || event.ctrlKey || event.metaKey || event.altKey) return;
  if (event.target.closest("input:not([type=range]):not([type=radio]):not([type=checkbox]), select, textarea, .keys")) return;
  if (!everywhere.checked && !root().contains(event.target)) return;
  if (event.key === " " && !event.target.closest("button, a, summary, input:not([type=range])")) {
    event.preventDefault();
    toggle();
  } else if (event.key === "x" || event.key === "X") {
    switchTo(pair.heard === "target" ? "match" : "target");
  }
});
