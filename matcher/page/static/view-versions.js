// Versions: the line of them; name one, go back, compare any two by ear.

import * as api from "./api.js";
import { attempt, button, h, number, playButton, replace, say, scrollable, select } from "./dom.js";
import * as player from "./foot.js";
import { loadRun, newest } from "./store.js";
import { noRun, noteChoice } from "./view-patch.js";

const comparing = newest();

export async function show(root, chosen) {
  if (!chosen.run) {
    player.hide();
    noRun(root, "Versions", chosen);
    return;
  }
  const run = await attempt(() => loadRun(chosen.run));
  const found = run && (await attempt(() => api.get(api.path("runs", run.name, "versions"))));
  if (!found || chosen.isGone()) return;
  const note = Math.min(chosen.note, run.notes.length - 1);
  const { versions } = found;
  player.hide();
  if (!versions.length) {
    replace(root, h("h1", {}, "Versions"), h("p", { class: "lead" }, "This run has one state. Change something by hand, or refine it, and its line of versions begins."));
    return;
  }
  const again = () => window.dispatchEvent(new HashChangeEvent("hashchange"));
  const compared = h("div", { class: "card", id: "compared" });
  const shown = (version) => item(run, note, version, versions.at(-1), again);
  const line = h("ol", { class: "line", reversed: true }, folded(versions).map((group) => (group.length < 3 ? group.map(shown)
    : h("li", { value: group[0].number }, h("details", {}, h("summary", {}, `${group.length} changes by hand, versions ${group.at(-1).number} to ${group[0].number}`),
      h("ol", { class: "line", reversed: true }, group.map(shown)))))));
  const options = versions.map((each) => [String(each.number), `${each.number}: ${each.names.at(-1) || each.title}`]).reverse();
  const first = select(options, options.at(1)?.[0] ?? options[0][0], () => {});
  const second = select(options, options[0][0], () => {});
  first.setAttribute("aria-label", "First version");
  second.setAttribute("aria-label", "Second version");
  replace(root, h("h1", {}, "Versions"),
    h("p", { class: "lead" }, "The newest first; nothing is overwritten. Going back adds a version that equals the earlier one."),
    noteChoice(run, note),
    h("div", { class: "card" }, h("h2", {}, "Compare two by ear"),
      h("div", { class: "row" }, first, h("span", {}, "against"), second,
        button("Compare", () => compare(run, note, compared, first.value, second.value), { class: "main", id: "compare-versions" }))),
    compared, line);
  compared.hidden = true;
}

// The newest first; changes by hand that nobody has named or commented on go together.
function folded(versions) {
  const isQuiet = (each) => each.kind === "set" && !each.names.length && !each.note && each !== versions.at(-1);
  const groups = [];
  for (const version of [...versions].reverse()) {
    const last = groups.at(-1);
    if (last && isQuiet(version) && isQuiet(last[0])) last.push(version);
    else groups.push([version]);
  }
  return groups;
}

function item(run, note, version, current, again) {
  const isCurrent = version.number === current.number;
  const name = h("input", { type: "text", maxlength: "60", size: 18, placeholder: "a name", "aria-label": `Name for version ${version.number}` });
  const keep = async () => {
    const kept = await attempt(() => api.post(api.path("runs", run.name, "keep"), { version: version.number, name: name.value }));
    if (kept) {
      say(`Version ${version.number} is called ${name.value}.`);
      again();
    }
  };
  const back = async () => {
    const gone = await attempt(() => api.post(api.path("runs", run.name, "back"), { version: version.number }));
    if (gone) {
      say(`Version ${gone.version} equals version ${version.number}.`);
      again();
    }
  };
  const unname = (given) => async () => {
    if (await attempt(() => api.post(api.path("runs", run.name, "unname"), { name: given }))) again();
  };
  const play = playButton(`Play version ${version.number}`, async () =>
    (await api.postForSound(api.path("runs", run.name, "notes", note, "play"), { version: version.number })).data, { shown: "Play", class: "small" });
  const changes = version.changes.slice(0, 6).map((each) => `${each.part}, ${each.label}: ${moved(each)}`);
  return h("li", { class: isCurrent ? "card current" : "card", "data-version": String(version.number), value: version.number },
    h("div", { class: "row spread" },
      h("h2", {}, `${version.number} `, version.names.map((each) => h("span", { class: "tag" }, each, button("×", unname(each), { class: "unname", "aria-label": `take the name ${each} back` }))), h("span", { class: "plain" }, version.title)),
      h("span", {}, version.loss === null ? "" : ["distance ", h("b", {}, number(version.loss))])),
    version.note && h("p", { class: "said" }, version.note),
    changes.length > 0 && h("ul", { class: "quiet" }, changes.map((text) => h("li", {}, text)),
      version.changes.length > 6 && h("li", {}, `and ${version.changes.length - 6} more`)),
    h("div", { class: "row" }, play, name, button("Give it this name", keep, { "aria-label": `Give version ${version.number} this name` }),
      isCurrent ? h("span", { class: "quiet" }, "this is the current state") : button(`Go back to ${version.number}`, back)));
}

// The same figure on both sides of an arrow would read like a mistake.
function moved(change) {
  return change.before_text === change.after_text ? `${change.after_text}, hardly moved` : `${change.before_text} → ${change.after_text}`;
}

async function compare(run, note, root, first, second) {
  const isNewest = comparing();
  const [a, b] = await Promise.all([first, second].map((version) => attempt(() =>
    api.post(api.path("runs", run.name, "notes", note, "look"), { version: Number(version) }))));
  const difference = await attempt(() => api.get(`${api.path("runs", run.name, "diff")}?${new URLSearchParams({ a: first, b: second })}`));
  if (!a || !b || !difference || !isNewest() || !root.isConnected) return;
  const play = (version) => async () =>
    (await api.postForSound(api.path("runs", run.name, "notes", note, "play"), { version: Number(version) })).data;
  root.hidden = false;
  replace(root, h("h2", {}, `Version ${first} against version ${second}`),
    h("p", {}, "Distance ", h("b", {}, number(a.loss.total)), " against ", h("b", {}, number(b.loss.total)), "."),
    difference.changes.length === 0 ? h("p", {}, "No value differs.") :
      scrollable("What differs", h("table", {}, h("thead", {}, h("tr", {}, ["Part", "Control", `Version ${first}`, `Version ${second}`].map((text) => h("th", { scope: "col" }, text)))),
        h("tbody", {}, difference.changes.map((each) => h("tr", {}, h("td", {}, each.part), h("td", {}, each.label), h("td", {}, each.before_text), h("td", {}, each.after_text)))))));
  player.showPair(`versions ${run.name} ${first} ${second} ${note}`, {
    target: a.picture, match: b.picture, onset: run.notes[note].onset_s,
    names: [`Version ${first}`, `Version ${second}`],
    title: `version ${first} against version ${second}`, targetSound: play(first), matchSound: play(second),
  });
  root.scrollIntoView({ block: "nearest" });
}
