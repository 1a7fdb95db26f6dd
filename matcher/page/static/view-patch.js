// Patch: what a search has found. The slip, what still sounds different, both by ear, and where to go.

import * as api from "./api.js";
import { attempt, button, choice, figures, h, number, playButton, put, replace } from "./dom.js";
import { Keys } from "./keys.js";
import * as player from "./foot.js";
import { restingList, slip, whose } from "./slip.js";
import { go, loadRun, newest } from "./store.js";
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
  const place = h("div", {}, slip(sheet));
  replace(root, h("h1", {}, run.name), h("p", { class: "lead" }, whose(run)),
    noteChoice(run, note),
    h("div", { class: "patch" },
      h("div", { class: "stack" }, h("section", { class: "card" },
        h("div", { class: "row spread" }, h("span", { class: "large" }, "Distance ", h("b", { id: "distance" }, number(loss.total)), h("span", { class: "quiet" }, " (0 is identical)")),
          h("div", { class: "row" }, listen("target"), listen("match"))),
        place,
        sheet.resting.length > 0 && h("details", {}, h("summary", {}, `${sheet.resting.length} controls stay off`), restingList(sheet.resting))),
        h("section", { class: "card" }, h("h2", {}, "Where to go"), h("ul", { class: "next" },
          run.ladder.length > 1 && h("li", {}, button("Shorten it", () => document.getElementById("rung").focus()), h("span", { class: "quiet" }, "fewer settings, a little further away")),
          to("shape", "Shape it", "change it by hand, lock what is right, refine the rest"),
          to("how", "How it works", "what mattered, and in which order to set it"),
          to("versions", "Versions", "go back, compare two by ear"),
          to("export", "Export", "paper, files, MIDI, report")), extendBox(run))),
      h("div", { class: "stack" },
        ladder(run, note, place),
        h("section", { class: "card" }, sentences(entry), h("details", {}, h("summary", {}, "What the distance is made of"), h("div", { class: "figures" }, termWords(loss.terms))),
          keptText(run)))),
    pictures,
    h("details", { class: "card" }, h("summary", {}, "Play it on keys"), new Keys(run.name, () => ({})).element()),
    h("p", { class: "caution" }, state.caution));
  await attempt(() => showRunPair(run, note, playerKey(run, note), chosen.isGone));
}

// From a short patch to the closest one: each step has its slip and its sound.
const rungAsked = newest();
function ladder(run, note, place) {
  const rungs = [...run.ladder].sort((a, b) => a.settings - b.settings);
  if (rungs.length < 2) return null;
  const { number: own, parent, kind } = run.version || {};
  const current = rungs.findIndex((rung) => (kind === "final" ? rung.is_suggested : [own, parent].includes(rung.version)));
  const begin = current >= 0 ? current : rungs.findIndex((rung) => rung.is_suggested);
  const slider = h("input", { type: "range", id: "rung", min: "0", max: String(rungs.length - 1), step: "1", value: String(Math.max(0, begin)), "aria-label": "From short to close" });
  const text = h("output", { for: "rung" });
  const adds = h("p", { class: "quiet" });
  const use = button("Use this one", async () => {
    if (await attempt(() => api.post(api.path("runs", run.name, "back"), { version: rungs[Number(slider.value)].version }))) go({});
  }, { id: "use-rung" });
  const tell = () => {
    const at = Number(slider.value);
    const rung = rungs[at];
    text.textContent = `${rung.settings} settings, distance ${number(rung.distance)}`;
    slider.setAttribute("aria-valuetext", text.textContent);
    adds.textContent = rung.adds.length ? `${at ? "With" : "It has"} ${rung.adds.join("; ")}.${rung.is_suggested && at < rungs.length - 1 ? " Longer ones sound the same." : ""}` : "";
    use.disabled = at === current;
  };
  slider.addEventListener("input", tell);
  slider.addEventListener("change", async () => {
    const isNewest = rungAsked();
    const { version, settings, distance } = rungs[Number(slider.value)];
    const [sheet, sound] = await Promise.all([attempt(() => api.get(`${api.path("runs", run.name, "sheet")}?plain=1&version=${version}`)),
      attempt(() => api.postForSound(api.path("runs", run.name, "notes", note, "play"), { version }))]);
    if (!sheet || !sound || !isNewest() || !place.isConnected) return;
    const isUsed = rungs[current]?.version === version;
    replace(place, !isUsed && h("p", { class: "quiet" }, `With ${settings} settings, not in use yet:`), slip(sheet));
    document.getElementById("distance").textContent = number(distance);
    await player.replaceMatch(playerKey(run, note), sound.data, true);
  });
  tell();
  return h("section", { class: "card", id: "ladder" }, h("h2", {}, "Shorter or closer"),
    h("div", { class: "row ends" }, h("span", { class: "quiet" }, "short"), slider, h("span", { class: "quiet" }, "close")),
    h("div", { class: "row" }, text, use), adds);
}

const playerKey = (run, note) => `patch ${run.name} ${run.version?.number} ${note}`;

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
