// Listen: target against match, what is still audible, and keys to play.

import * as api from "./api.js";
import { attempt, choice, figures, h, number, put, replace } from "./dom.js";
import { Keys } from "./keys.js";
import * as player from "./foot.js";
import { go, loadRun } from "./store.js";
import { extendBox, termWords } from "./view-match.js";

// Each view has a pair of its own: what is changed by hand in one is no match in the other.
export async function showRunPair(run, note, key, isGone) {
  const entry = run.notes[note];
  const [target, match] = await Promise.all(["target", "match"].map((which) =>
    api.get(api.path("runs", run.name, "notes", note, which, "picture"))));
  if (isGone()) return null;
  player.showPair(key, {
    target, match, onset: entry.onset_s, title: `${run.name}, ${entry.name}`,
    marks: [[entry.onset_s, "attack"], [entry.onset_s + entry.gate_s, "key let go"]],
    targetSound: player.runSound(run.name, note, "target"),
    matchSound: player.runSound(run.name, note, "match"),
  });
  return { target, match };
}

export function noteChoice(run, note) {
  if (run.notes.length < 2) return null;
  return choice("Note", run.notes.map((each, i) => [String(i), each.name]), String(note), (value) => go({ note: Number(value) }), "notes-choice");
}

export const noRun = (root, title) => replace(root, h("h1", {}, title),
  h("p", { class: "lead" }, "There is no match to work on yet. "), h("a", { class: "button main", href: "#/target" }, "Begin with a target"));

export async function show(root, chosen, state) {
  if (!chosen.run) {
    player.hide();
    noRun(root, "Listen");
    return;
  }
  const run = await attempt(() => loadRun(chosen.run));
  if (!run || chosen.isGone()) return;
  const note = Math.min(chosen.note, run.notes.length - 1);
  const entry = run.notes[note];
  const pictures = h("div", { id: "pictures" });
  const keys = new Keys(run.name, () => ({}));
  const loss = entry.loss || run.loss.end;
  replace(root, h("h1", {}, "Listen"),
    h("p", { class: "caution" }, state.caution),
    noteChoice(run, note),
    h("div", { class: "card" },
      h("div", { class: "figures" }, h("span", { class: "large" }, "Distance ", h("b", {}, number(loss.total)), " (0 is identical)"),
        termWords(loss.terms)),
      pictures, sentences(entry), extendBox(run)),
    h("section", { class: "card" }, h("h2", {}, "Play it"), keys.element()));
  player.hide();
  await attempt(() => showRunPair(run, note, `listen ${run.name} ${note}`, chosen.isGone));
  showPictures(pictures, run, note);
}

// They are drawn when they are asked for, which takes a second or two.
async function showPictures(root, run, note) {
  const address = api.path("runs", run.name, "notes", note, "pictures");
  const found = await attempt(() => api.get(address));
  if (!found || !root.isConnected) return;
  put(root, figures(address, found.pictures.slice(0, 3)),
    h("details", {}, h("summary", {}, "More pictures"), figures(address, found.pictures.slice(3))));
}

export function sentences(entry) {
  const list = (title, all) => all.length > 0 && h("div", {}, h("h3", {}, title),
    h("ul", {}, all.map((each) => h("li", {}, each.sentence.replace(/: (not )?audible$/, "")))));
  return [entry.audible.length === 0 && entry.not_audible.length > 0 && h("p", {},
    "None of the named differences exceeds its published threshold. The distance also counts what has no simple name: each partial, moment by moment."),
  h("div", { class: "two" }, list("Still sounds different", entry.audible), list("Below its published threshold", entry.not_audible))];
}
