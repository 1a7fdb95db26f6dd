// Shape: every control with its values, by hand and at once; locks, exaggeration, refine the rest.

import * as api from "./api.js";
import { attempt, button, choice, field, h, newId, number, replace, say, select } from "./dom.js";
import { Keys } from "./keys.js";
import * as player from "./foot.js";
import { loadRun, newest, refresh, go } from "./store.js";
import { noRun, noteChoice, showRunPair } from "./view-listen.js";
import { watch } from "./view-match.js";

// What was changed and held, run by run; it survives a walk through the other views.
const memory = new Map();
const of = (name) => {
  if (!memory.has(name)) memory.set(name, { values: {}, held: new Set(), open: new Set() });
  return memory.get(name);
};
let page = null;

export function leave() {
  page?.asked?.abort();
}

export async function show(root, chosen, state) {
  if (!chosen.run) {
    player.hide();
    noRun(root, "Shape");
    return;
  }
  const run = await attempt(() => loadRun(chosen.run));
  if (!run || chosen.isGone()) return;
  const note = Math.min(chosen.note, run.notes.length - 1);
  const slack = await attempt(() => api.get(api.path("runs", run.name, "slack")));
  if (chosen.isGone()) return;
  const fresh = { run, note, slack: slack || {}, ...of(run.name), rows: new Map(), asking: newest(),
    player: `shape ${run.name} ${note}`, isGone: chosen.isGone };
  fresh.keys = new Keys(run.name, () => fresh.values);
  player.hide();
  await attempt(() => showRunPair(run, note, fresh.player, chosen.isGone));
  if (chosen.isGone()) return;
  // What is on the screen works with the page before until the new one is built.
  page = fresh;
  build(root);
  const job = state.jobs.find((each) => each.name === chosen.job && each.kind === "refine" && each.settings.run === run.name);
  if (job) watch(page.job, job, note, again);
  if (Object.keys(page.values).length) changed(false);
}

// The run has another state now.
const again = () => window.dispatchEvent(new HashChangeEvent("hashchange"));

function build(root) {
  const { run, note } = page;
  page.loss = h("span", { class: "large", id: "shape-loss" });
  showLoss(page, run.notes[note].loss?.total ?? run.loss.end.total);
  page.count = h("span", { class: "quiet", role: "status", id: "changed-count" });
  page.words = h("ul", { class: "quiet" });
  const hear = h("input", { type: "checkbox", id: "hear", checked: true });
  page.hear = hear;
  const note_ = h("input", { type: "text", maxlength: "200", size: 22, id: "set-note", placeholder: "softer front" });
  const seconds = h("input", { type: "number", min: "1", max: "86400", value: "15", id: "refine-seconds" });
  const all = h("div", { class: "parts" });
  page.labels = new Map(run.parts.flatMap((part) => part.controls.map((each) => [each.name, `${part.title}, ${each.label}`])));
  for (const part of run.parts) all.append(partCard(part));
  page.job = h("div", { class: "stack" });
  replace(root, h("h1", {}, "Shape"),
    noteChoice(run, note),
    h("div", { class: "card shape-head" },
      h("div", { class: "row spread" }, page.loss,
        h("label", { class: "check" }, hear, " play each change at once")),
      h("div", { class: "row" }, page.count,
        button("Take the changes back", takeBack, { id: "undo" }),
        h("label", { for: "set-note" }, "Comment"), note_,
        button("Keep this state", () => keep(note_.value), { id: "keep-state" })),
      page.words,
      h("div", { class: "row" }, h("span", {}, "Lock a group:"), Object.entries(run.groups).map(([group, text]) => groupToggle(group, text))),
      h("div", { class: "row form-row" },
        field("Refine the rest for, s", seconds),
        button("Refine the rest", () => refine(Number(seconds.value)), { class: "main", id: "refine" }),
        h("span", { class: "quiet beside" }, "What is locked stays as it is, to the last digit."))),
    page.run.hearable.length > 0 && h("div", { class: "card" }, partListening()),
    page.job,
    h("details", { class: "card" }, h("summary", {}, "Play it"), page.keys.element()),
    all);
  showCount();
}

function partCard(part) {
  const { run } = page;
  const isUsed = part.controls.some((each) => run.values[each.name].is_used);
  const isOpen = isUsed || page.open.has(part.title) || part.controls.some((each) => each.name in page.values);
  const body = h("details", { class: "card part", open: isOpen, "data-part": part.title,
    on: { toggle: () => (body.open ? page.open.add(part.title) : page.open.delete(part.title)) } },
  h("summary", {}, h("h2", {}, part.title), h("span", { class: "quiet part-state" }, isUsed ? "" : "off")),
  h("div", { class: "controls" }, part.controls.map((control) => row(control))),
  partTools(part));
  return body;
}

function partTools(part) {
  if (!Object.keys(part.neutral).length) return null;
  return h("div", { class: "row part-tools" },
    button("Turn it off", () => setValues({ ...part.neutral }), { "data-neutral": part.title }));
}

// One control that leaves a part out, shows it as it is, and exaggerates it.
function partListening() {
  const which = select(page.run.hearable.map((title) => [title, title]), null, () => play());
  page.which = which;
  const amount = h("input", { type: "range", min: "0", max: "4", step: "0.1", value: "1", id: "amount" });
  const text = h("output", { for: "amount" }, "as it is");
  const word = (value) => (value === 0 ? "left out" : value === 1 ? "as it is" : `${value.toFixed(1)} times`);
  const place = choice("Listen to it", [["context", "with the rest"], ["alone", "alone"]], "context", () => play(), "mini");
  const here = page;
  const play = async () => {
    const isNewest = here.asking();
    const body = { values: here.values, part: which.value, amount: Number(amount.value),
      is_alone: place.querySelector("input:checked").value === "alone" };
    const sound = await attempt(() => api.postForSound(api.path("runs", here.run.name, "notes", here.note, "part"), body));
    if (!sound || !isNewest() || !(await takePlayer(here))) return;
    await player.replaceMatch(here.player, sound.data, true);
  };
  amount.addEventListener("input", () => {
    text.textContent = word(Number(amount.value));
    amount.setAttribute("aria-valuetext", text.textContent);
  });
  amount.addEventListener("change", play);
  return h("div", { class: "row form-row", id: "part-listening" }, field("Listen to one part", which),
    h("div", { class: "field" }, h("label", { for: "amount" }, "How much of it"), h("span", { class: "row tight" }, amount, text)),
    place, button("Listen to it", play, { id: "hear-part" }),
    h("p", { class: "quiet whole" }, "Exaggerate it to know it, then bring it back until it is no longer heard by itself."));
}

function nearest(places, value) {
  let best = 0;
  for (let i = 1; i < places.length; i += 1) {
    if (Math.abs(places[i][0] - value) < Math.abs(places[best][0] - value)) best = i;
  }
  return best;
}

function row(control) {
  const { run } = page;
  const now = () => page.values[control.name] ?? run.values[control.name].value;
  const id = newId("control");
  const { places } = control;
  const slider = h("input", { type: "range", min: "0", max: String(places.length - 1), step: "1", id, "data-name": control.name,
    disabled: places.length < 2 || Boolean(control.linked_to) });
  const value = h("output", { for: id, class: "value" });
  const panel = h("span", { class: "panel" });
  const exact = h("input", { type: "number", step: "any", class: "exact", "aria-label": `${control.label}, exact value${control.unit ? ` in ${control.unit}` : ""}`,
    disabled: Boolean(control.linked_to) });
  const hold = h("input", { type: "checkbox", checked: page.held.has(control.name), id: `${id}-hold`, disabled: Boolean(control.linked_to) });
  const range = h("span", { class: "slack", "aria-hidden": "true" });
  const words = h("span", { class: "quiet meaning" }, control.linked_to ? `follows ${page.labels.get(control.linked_to) || control.linked_to}` : control.meaning);
  const element = h("div", { class: "control", "data-control": control.name },
    h("label", { for: id, class: "name" }, control.label),
    h("span", { class: "track" }, range, slider), value, panel, exact,
    h("label", { class: "check hold", for: `${id}-hold` }, hold, " lock"), words);
  const paint = () => {
    const place = nearest(places, now());
    slider.value = String(place);
    const isExact = places[place][0] === now();
    const text = isExact ? places[place][1] : control.name in page.values ? null : run.values[control.name].text;
    value.textContent = text ?? `${now()} ${control.unit}`;
    panel.textContent = places[place][2] ?? "";
    slider.setAttribute("aria-valuetext", `${value.textContent}${panel.textContent ? `, panel ${panel.textContent}` : ""}`);
    exact.value = String(Number(now().toPrecision(6)));
    element.classList.toggle("changed", control.name in page.values);
    element.classList.toggle("unused", !run.values[control.name].is_used && !(control.name in page.values));
    element.classList.toggle("held", page.held.has(control.name));
  };
  const slack = page.slack[control.name];
  if (slack) {
    const last = places.length - 1;
    range.style.left = `${(100 * nearest(places, slack.low)) / last}%`;
    range.style.width = `${Math.max(1, (100 * (nearest(places, slack.high) - nearest(places, slack.low))) / last)}%`;
    words.textContent = `${slack.text}; ${control.meaning}`;
  }
  slider.addEventListener("input", () => setValues({ [control.name]: places[Number(slider.value)][0] }));
  exact.addEventListener("change", () => {
    const given = Number(exact.value);
    if (exact.value === "" || !(given >= control.low && given <= control.high)) {
      say(`${control.label} must be ${control.accepted}.`, true);
      paint();
    } else setValues({ [control.name]: given });
  });
  hold.addEventListener("change", () => {
    if (hold.checked) page.held.add(control.name);
    else page.held.delete(control.name);
    paint();
  });
  page.rows.set(control.name, { paint, hold, control });
  paint();
  return element;
}

function groupToggle(group, text) {
  const names = page.run.parts.flatMap((part) => part.controls).filter((each) => each.group === group && !each.linked_to).map((each) => each.name);
  if (!names.length) return null;
  const box = h("input", { type: "checkbox", "data-group": group, checked: names.every((name) => page.held.has(name)) });
  box.addEventListener("change", () => {
    for (const name of names) {
      if (box.checked) page.held.add(name);
      else page.held.delete(name);
      page.rows.get(name).hold.checked = box.checked;
      page.rows.get(name).paint();
    }
  });
  return h("label", { class: "check" }, box, ` ${text}`);
}

function setValues(values) {
  for (const [name, value] of Object.entries(values)) {
    if (value === page.run.values[name].value) delete page.values[name];
    else page.values[name] = value;
    page.rows.get(name)?.paint();
  }
  changed(page.hear.checked);
}

function showLoss(here, total) {
  replace(here.loss, "Distance ", h("b", {}, number(total)));
  here.loss.dataset.loss = number(total, 4);
}

function showCount() {
  const n = Object.keys(page.values).length;
  page.count.textContent = n === 0 ? "Nothing is changed by hand." : n === 1 ? "1 value is changed by hand." : `${n} values are changed by hand.`;
}

// Only the newest change is rendered; what was asked for before is dropped.
async function changed(isHeard) {
  const here = page;
  showCount();
  here.keys.forget();
  const isNewest = here.asking();
  here.asked?.abort();
  await new Promise((later) => { setTimeout(later, 40); });
  if (!isNewest() || here.isGone()) return;
  here.asked = new AbortController();
  try {
    const sound = await api.postForSound(api.path("runs", here.run.name, "notes", here.note, "play"), { values: here.values }, here.asked.signal);
    if (here.isGone()) return;
    showLoss(here, sound.loss.total);
    if (isNewest() && (await takePlayer(here))) await player.replaceMatch(here.player, sound.data, isHeard);
    const look = await api.post(api.path("runs", here.run.name, "notes", here.note, "look"), { values: here.values });
    if (!isNewest() || here.isGone()) return;
    player.showMatchPicture(here.player, look.picture);
    showHearable(here, look.hearable);
    replace(here.words, look.differences.filter((each) => each.steps >= 1).slice(0, 4).map((each) => h("li", {}, each.sentence)));
  } catch (error) {
    if (error.name !== "AbortError") say(error.message, true);
  }
}

// A search that was begun from here may have the player; what is done by hand takes it back.
async function takePlayer(here) {
  if (!player.isShown(here.player)) await showRunPair(here.run, here.note, here.player, here.isGone);
  return !here.isGone();
}

// Parts come and go with what is changed by hand.
function showHearable(here, titles) {
  if (!here.which) return;
  const chosen = here.which.value;
  replace(here.which, titles.map((title) => h("option", { value: title, selected: title === chosen }, title)));
}

function takeBack() {
  const names = Object.keys(page.values);
  for (const name of names) delete page.values[name];
  for (const name of names) page.rows.get(name)?.paint();
  changed(page.hear.checked);
}

async function keep(note) {
  if (!Object.keys(page.values).length) {
    say("Nothing is changed by hand, so there is nothing new to keep. Give a version a name under Versions.");
    return;
  }
  const kept = await attempt(() => api.post(api.path("runs", page.run.name, "set"), { values: page.values, note }));
  if (!kept) return;
  for (const name of Object.keys(page.values)) delete page.values[name];
  say(`Kept as version ${kept.version}.`);
  again();
}

async function refine(seconds) {
  const job = await attempt(() => api.post("/api/jobs", { kind: "refine", run: page.run.name, seconds, values: page.values, hold: [...page.held] }));
  if (!job) return;
  await refresh();
  for (const name of Object.keys(page.values)) delete page.values[name];
  watch(page.job, job, page.note, again);
  go({ job: job.name }, true);
  page.job.scrollIntoView({ block: "nearest" });
}
