// The player at the foot of the page: target against match, in one place and at one level.

import * as api from "./api.js";
import { button, h, milliseconds, replace, say } from "./dom.js";
import { canvas, paintLevels } from "./draw.js";
import { Player, decode, listenToKeys, loudness, newest } from "./player.js";

export let player = null;
const root = () => document.getElementById("player");
const now = { key: null, target: null, match: null, marks: [] };
const replacing = newest();
let strip = null;
let everywhere = null;
let whose = null;

function build() {
  strip = canvas("Level of target and match over time", "strip", (context, width, height) => {
    if (now.target || now.match) paintLevels(context, width, height, { ...now, loop: player.durationS ? player.stretch : null });
  });
  const head = h("div", { class: "playhead", "aria-hidden": "true", hidden: true });
  const meter = h("meter", { min: "-60", max: "0", high: "-9", optimum: "-20", value: "-60", id: "meter", "aria-label": "Level that is playing" });
  player = new Player(root(), {
    onProblem: (error) => say(error.message, true),
    onState: () => strip.repaint(),
    onMove: (share, isPlaying) => {
      head.hidden = !isPlaying;
      head.style.left = `${100 * share}%`;
      const heard = isPlaying ? 20 * Math.log10(Math.max(loudness(), 1e-3)) : -60;
      meter.value = heard;
      root().dataset.sounding = String(heard > -50);
    },
  });
  const { play, heard, loop, speed, level } = player.controls;
  play.setAttribute("aria-keyshortcuts", "Space");
  listenToKeys(player, (event) => !root().hidden && (everywhere.checked || root().contains(event.target)));
  // One line, until more is wanted.
  const open = (isOpen) => {
    root().classList.toggle("open", isOpen);
    more.setAttribute("aria-expanded", String(isOpen));
    more.textContent = isOpen ? "Less" : "More";
    sessionStorage.setItem("player", isOpen ? "open" : "");
  };
  const more = button("More", () => open(!root().classList.contains("open")), { class: "more" });
  whose = h("span", { class: "whose" });
  // WCAG 2.2, 2.1.4: single letters can be turned off, and then work in the player only.
  everywhere = h("input", { type: "checkbox", id: "everywhere", checked: localStorage.getItem("keys") !== "player",
    on: { change: () => localStorage.setItem("keys", everywhere.checked ? "page" : "player") } });
  level.append(meter);
  replace(root(),
    h("div", { class: "player-row" }, play, heard, whose, more),
    h("div", { class: "strip-box extra", title: "Click to play from here", on: { click: seek } }, strip, head),
    h("div", { class: "player-row extra" }, loop, speed, level),
    h("p", { class: "quiet keys-hint extra" }, "Start with the monitor level down. Space plays and stops, X switches. Half speed sounds an octave lower. ",
      h("label", { class: "check" }, everywhere, " Both keys work anywhere on the page")));
  open(sessionStorage.getItem("player") === "open");
}

function seek(event) {
  const box = strip.getBoundingClientRect();
  const share = (event.clientX - box.left) / box.width;
  player.change({ loop: "once" });
  player.start(share * (now.target || now.match).duration_s);
}

// Shows two sounds, or one of them; they are fetched when they are first played.
export function showPair(key, { target, match, marks, onset, targetSound, matchSound, title, names = ["Target", "Match"] }) {
  if (!player) build();
  const isOther = now.key !== key;
  Object.assign(now, { key, target, match, marks: marks || [] });
  root().hidden = false;
  document.body.classList.add("has-player");
  if (isOther) {
    replacing();
    const sounds = [targetSound, matchSound].map((load, i) => ({ name: names[i], load })).filter((sound) => sound.load);
    player.change({ loop: "once" });
    player.show([{ name: title, onsetS: onset ?? 0.02, sounds }]);
  }
  root().setAttribute("aria-label", `Player: ${title || "target and match"}`);
  whose.textContent = title || "";
  const words = (marks || []).map(([at, text]) => `${text} at ${milliseconds(at)}`).join(", ");
  strip.setAttribute("aria-label", `Level of target and match over time. ${words}`);
  strip.repaint();
}

export function showMatchPicture(key, picture) {
  if (now.key !== key) return;
  now.match = picture;
  strip.repaint();
}

// The match was changed: take the new sound, unless the player shows something else by now or a
// newer sound has come in, and go on playing if something plays.
export async function replaceMatch(key, data, isHeard) {
  const isNewest = replacing();
  const buffer = await decode(data);
  if (!isNewest() || now.key !== key) return;
  player.replace(1, buffer);
  if (!isHeard) return;
  player.hear(1);
  if (!player.isPlaying) await player.start();
}

export const isShown = (key) => now.key === key;
export const isMatchLoaded = () => Boolean(player?.note.sounds[1]?.buffer);

export function hide() {
  if (!player) return;
  player.stop();
  now.key = null;
  root().hidden = true;
  document.body.classList.remove("has-player");
}

export const runSound = (run, note, which) => () => api.sound(api.path("runs", run, "notes", note, which, "sound"));
