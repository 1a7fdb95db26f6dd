// Patch: what a search has found. The slip, what still sounds different, both by ear, and where to go.

import * as api from "./api.js";
import { attempt, choice, figures, h, number, playButton, put, replace } from "./dom.js";
import { Keys } from "./keys.js";
import * as player from "./foot.js";
import { restingList, slip, whose } from "./slip.js";
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

export const noRun = (root, title, chosen) => replace(root, h("h1", {}, title),
  h("p", { class: "lead" }, chosen.target ? `There is no match of ${chosen.target} yet. ` : "There is no match yet. "),
  h("a", { class: "button main", href: chosen.target ? `#/match?target=${encodeURIComponent(chosen.target)}` : "#/target" },
    chosen.target ? `Match ${chosen.target}` : "Begin with a target"));

export async function show(root, chosen, state) {
  if (!chosen.run) {
    player.hide();
    noRun(root, "Patch", chosen);
    return;
  }
  const [run, sheet] = await Promise.all([attempt(() => loadRun(chosen.run)),
    attempt(() => api.get(`${api.path("runs", chosen.run, "sheet")}?plain=1`))]);
  if (!run || !sheet || chosen.isGone()) return;
  const note = Math.min(chosen.note, run.notes.length - 1);
  const entry = run.notes[note];
  const loss = entry.loss || run.loss.end;
  const to = (view, text, hint) => h("li", {}, h("a", { class: "button", href: `#/${view}?${new URLSearchParams({ ...(chosen.target && { target: chosen.target }), run: run.name })}` }, text), h("span", { class: "quiet" }, hint));
  const listen = (which) => playButton(`Play the ${which}`, player.runSound(run.name, note, which), { class: which });
  const pictures = h("details", { class: "card", id: "pictures", on: { toggle: () => pictures.open && showPictures(pictures, run, note) } },
    h("summary", {}, "Pictures of both"));
  replace(root, h("h1", {}, run.name), h("p", { class: "lead" }, whose(run)),
    noteChoice(run, note),
    h("div", { class: "patch" },
      h("section", { class: "card" },
        h("div", { class: "row spread" }, h("span", { class: "large" }, "Distance ", h("b", { id: "distance" }, number(loss.total)), h("span", { class: "quiet" }, " (0 is identical)")),
          h("div", { class: "row" }, listen("target"), listen("match"))),
        slip(sheet),
        sheet.resting.length > 0 && h("details", {}, h("summary", {}, `${sheet.resting.length} controls stay off`), restingList(sheet.resting))),
      h("div", { class: "stack" },
        h("section", { class: "card" }, sentences(entry), h("details", {}, h("summary", {}, "What the distance is made of"), h("div", { class: "figures" }, termWords(loss.terms))),
          keptText(run)),
        h("section", { class: "card" }, h("h2", {}, "Where to go"), h("ul", { class: "next" },
          to("shape", "Shape it", "change it by hand, lock what is right, refine the rest"),
          to("how", "How it works", "what mattered, and in which order to set it"),
          to("versions", "Versions", "go back, compare two by ear"),
          to("export", "Export", "paper, files, MIDI, report")), extendBox(run)))),
    pictures,
    h("details", { class: "card" }, h("summary", {}, "Play it on keys"), new Keys(run.name, () => ({})).element()),
    h("p", { class: "caution" }, state.caution));
  await attempt(() => showRunPair(run, note, `patch ${run.name} ${run.version?.number} ${note}`, chosen.isGone));
}

// The closest that was tried may lie a little nearer than the plainer patch that is kept.
function keptText(run) {
  const kept = run.loss.end.total;
  return run.closest_tried !== null && kept > run.closest_tried + 0.005 && h("p", { class: "quiet" },
    `The closest of all tries had a distance of ${number(run.closest_tried)}; kept is a plainer patch that hardly sounds different, or stands on the steps of the panel.`);
}

// They are drawn when they are asked for, which takes a second or two.
async function showPictures(root, run, note) {
  if (root.dataset.isDrawn) return;
  root.dataset.isDrawn = "yes";
  const address = api.path("runs", run.name, "notes", note, "pictures");
  const found = await attempt(() => api.get(address));
  if (!found || !root.isConnected) return;
  put(root, figures(address, found.pictures.slice(0, 3)),
    h("details", {}, h("summary", {}, "More pictures"), figures(address, found.pictures.slice(3))));
}

const plainSentence = (each) => each.sentence.replace(/: (not )?audible$/, "");
const differences = (all) => h("ul", {}, all.map((each) => h("li", {}, plainSentence(each))));

function sentences(entry) {
  return [h("h2", {}, "What still sounds different"),
    entry.audible.length > 0 ? differences(entry.audible)
      : h("p", {}, "None of the named differences exceeds its published threshold. The distance also counts what has no simple name: each partial, moment by moment."),
    entry.not_audible.length > 0 && h("details", {}, h("summary", {}, `${entry.not_audible.length} below their published threshold`), differences(entry.not_audible))];
}
