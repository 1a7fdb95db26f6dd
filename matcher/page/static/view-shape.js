// Shape: every control with its values, by hand and at once; locks, exaggeration, refine the rest.

import * as api from "./api.js";
import { attempt, button, choice, endProblem, field, h, newId, number, put, replace, say, select } from "./dom.js";
import { keepDraft, save, saveWhenAtRest, valuesOf } from "./draft.js";
import { Keys } from "./keys.js";
import * as player from "./foot.js";
import { whose } from "./slip.js";
import { loadRun, newest, refresh, go } from "./store.js";
import { noRun, noteChoice, showRunPair } from "./view-patch.js";
import { watch } from "./view-match.js";

// What was locked, opened and undone, run by run; it survives a walk through the other views.
const memory = new Map();
const of = (name) => {
  if (!memory.has(name)) memory.set(name, { locked: new Set(), open: new Map(), before: [] });
  return memory.get(name);
};
// Changes of one control that follow each other so soon are undone together.
const TOGETHER_MS = 800;
let page = null;

export function leave() {
  page?.asked?.abort();
}

export async function show(root, chosen, state) {
  if (!chosen.run) {
    player.hide();
    noRun(root, "Shape", chosen);
    return;
  }
  const [run, slack] = await Promise.all([attempt(() => loadRun(chosen.run)), attempt(() => api.get(api.path("runs", chosen.run, "slack")))]);
  if (!run || chosen.isGone()) return;
  const note = Math.min(chosen.note, run.notes.length - 1);
  const fresh = { run, note, slack: slack || {}, values: valuesOf(run.name), ...of(run.name), rows: new Map(), asking: newest(),
    player: `shape ${run.name} ${run.version?.number} ${note}`, isGone: chosen.isGone };
  fresh.keys = new Keys(run.name, () => fresh.values);
  await attempt(() => showRunPair(run, note, fresh.player, chosen.isGone));
  if (chosen.isGone()) return;
  // What is on the screen works with the page before until the new one is built.
  page = fresh;
  build(root);
  const job = state.jobs.find((each) => each.name === chosen.job && each.kind === "refine" && each.settings.run === run.name);
  if (job) watch(page.job, job, note, again);
  if (Object.keys(page.values).length) {
    changed(false);
    saveLater();
  }
}

// The run has another state now.
const again = () => window.dispatchEvent(new HashChangeEvent("hashchange"));
const isSmall = () => matchMedia("(max-width: 640px)").matches;

function build(root) {
  const { run, note } = page;
  page.loss = h("span", { class: "large", id: "shape-loss" });
  showLoss(page, run.notes[note].loss?.total ?? run.loss.end.total);
  page.saved = h("span", { class: "quiet", role: "status", id: "saved" });
  page.words = h("ul", { class: "quiet" });
  page.hear = h("input", { type: "checkbox", id: "hear", checked: true });
  page.comment = h("input", { type: "text", maxlength: "200", size: 22, id: "comment", placeholder: "softer attack" });
  page.undo = button("Undo", undo, { id: "undo", "aria-keyshortcuts": "Control+Z" });
  const seconds = h("input", { type: "number", min: "1", max: "86400", value: "15", id: "refine-seconds" });
  const all = h("div", { class: "parts" });
  page.labels = new Map(run.parts.flatMap((part) => part.controls.map((each) => [each.name, `${part.title}, ${each.label}`])));
  const isOff = (part) => !part.controls.some((each) => run.values[each.name].is_used || each.name in page.values);
  const off = run.parts.filter(isOff);
  put(all, run.parts.filter((part) => !isOff(part)).map(partCard),
    off.length > 0 && h("details", { class: "card off-parts" }, h("summary", {}, `${off.length} parts that are off`), h("div", { class: "parts" }, off.map(partCard))));
  page.job = h("div", { class: "stack" });
  page.whose = h("p", { class: "lead" }, `${run.name} · ${whose(run)}`);
  replace(root, h("h1", {}, "Shape"), page.whose,
    noteChoice(run, note),
    h("div", { class: "card shape-head" },
      h("div", { class: "row spread" }, page.loss, h("span", { class: "row tight" }, page.saved, page.undo)),
      page.words,
      h("details", {}, h("summary", {}, "Lock, and refine the rest"),
        h("fieldset", { class: "row groups" }, h("legend", {}, "Lock a group"), Object.entries(run.groups).map(([group, text]) => groupToggle(group, text))),
        h("div", { class: "row form-row" },
          field("Refine the rest for, s", seconds),
          button("Refine the rest", () => refine(Number(seconds.value)), { class: "main", id: "refine" }),
          h("span", { class: "quiet beside" }, "What is locked stays as it is, to the last digit."))),
      h("details", {}, h("summary", {}, "Options"),
        h("div", { class: "row form-row" }, field("Comment", page.comment, "is kept with the next change"),
          h("label", { class: "check beside" }, page.hear, " play each change at once"))),
      run.hearable.length > 0 && h("details", {}, h("summary", {}, "Listen to one part"), partListening()),
      h("details", {}, h("summary", {}, "Play it on keys"), page.keys.element())),
    page.job, all);
  showSaved();
}

function partCard(part) {
  const { run, open } = page;
  const isUsed = part.controls.some((each) => run.values[each.name].is_used);
  const isHere = (each) => run.values[each.name].is_used || each.name in page.values || page.locked.has(each.name);
  const [here, off] = [part.controls.filter(isHere), part.controls.filter((each) => !isHere(each))];
  const isOpen = open.get(part.title) ?? ((isUsed && !isSmall()) || part.controls.some((each) => each.name in page.values));
  const state = h("span", { class: "quiet part-state" });
  const body = h("details", { class: "card part", open: isOpen, "data-part": part.title,
    on: { toggle: (event) => event.target === body && open.set(part.title, body.open) } },
  h("summary", {}, h("h2", {}, part.title), state),
  h("div", { class: "controls" }, here.map((control) => row(part, control))),
  off.length > 0 && (here.length > 0 ? h("details", { class: "more-controls" }, h("summary", {}, `${off.length} more, off`),
    h("div", { class: "controls" }, off.map((control) => row(part, control)))) : h("div", { class: "controls" }, off.map((control) => row(part, control)))),
  Object.keys(part.neutral).length > 0 && h("div", { class: "row part-tools" },
    button(`Turn ${part.title} off`, () => setValues({ ...part.neutral }), { "data-neutral": part.title, class: "small" })));
  // Folded, it says what it is set to.
  state.textContent = isUsed ? here.filter((each) => run.values[each.name].is_used).slice(0, 4)
    .map((each) => `${each.label} ${textOf(each, valueOf(each))}`).join(", ") : "off";
  return body;
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

const valueOf = (control) => page.values[control.name] ?? page.run.values[control.name].value;

const FACTORS = { ms: 0.001, khz: 1000, "%": 0.01 };

// A number and its unit, as they are written.
function split(text) {
  const found = text.trim().replace("\u2212", "-").replace(",", ".").match(/^([+-]?(?:\d+\.?\d*|\.\d+))\s*([a-z%]*)(.*)$/i);
  return found && { number: Number(found[1]), unit: found[2].toLowerCase(), factor: FACTORS[found[2].toLowerCase()] ?? 1 };
}

// What is written may be another measure than the value is, such as the time until 10 % are left.
function ratioOf(control) {
  const [value, text] = control.places.at(-1);
  const written = split(text);
  const ratio = written?.number ? value / (written.number * written.factor) : 1;
  return Math.abs(ratio - 1) < 0.02 ? 1 : ratio;
}

function textOf(control, value) {
  const saved = page.run.values[control.name];
  if (value === saved.value) return saved.text;
  const [place, text] = control.places[nearest(control.places, value)];
  const written = split(text);
  if (place === value || !written) return text;
  const number = value / ratioOf(control) / written.factor;
  return text.replace(/^[+\u2212-]?[\d.,]+/, String(Number(number.toPrecision(4))));
}

// What is typed: a number, in the unit that stands there unless another one is written.
function parsed(control, text, shown) {
  const given = split(text);
  if (!given) return NaN;
  const { factor } = given.unit ? given : split(shown) || given;
  const value = Number((given.number * factor * ratioOf(control)).toPrecision(12));
  if (!(value >= control.low && value <= control.high)) return NaN;
  return control.is_stepped ? control.places[nearest(control.places, value)][0] : value;
}

function row(part, control) {
  const id = newId("control");
  const { places } = control;
  const name = `${part.title}, ${control.label}`;
  const isLinked = Boolean(control.linked_to);
  const slider = h("input", { type: "range", min: "0", max: String(places.length - 1), step: "1", id, "data-name": control.name,
    "aria-label": name, disabled: places.length < 2 || isLinked });
  const value = h("input", { type: "text", class: "value", size: 9, "aria-label": `${name}, value`, "data-value": control.name, disabled: isLinked });
  const panel = h("span", { class: "panel" });
  const lock = h("input", { type: "checkbox", checked: page.locked.has(control.name), id: `${id}-lock`, "aria-label": `lock ${name}`, disabled: isLinked });
  const range = h("span", { class: "slack", "aria-hidden": "true" });
  const words = h("span", { class: "quiet meaning" }, isLinked ? `follows ${page.labels.get(control.linked_to) || control.linked_to}` : control.meaning);
  const element = h("div", { class: "control", "data-control": control.name },
    h("label", { for: id, class: "name" }, control.label),
    h("span", { class: "track" }, range, slider), value, panel,
    h("label", { class: "check lock", for: `${id}-lock` }, lock, " lock"), words);
  const paint = () => {
    const place = nearest(places, valueOf(control));
    slider.value = String(place);
    if (document.activeElement !== value || value.value === value.dataset.shown) value.value = textOf(control, valueOf(control));
    value.dataset.shown = textOf(control, valueOf(control));
    panel.textContent = places[place][2] ?? "";
    slider.setAttribute("aria-valuetext", `${value.dataset.shown}${panel.textContent ? `, panel ${panel.textContent}` : ""}`);
    element.classList.toggle("changed", control.name in page.values);
    element.classList.toggle("unused", !page.run.values[control.name].is_used && !(control.name in page.values));
    element.classList.toggle("locked", page.locked.has(control.name));
  };
  const slack = page.slack[control.name];
  if (slack) {
    const last = places.length - 1;
    range.style.left = `${(100 * nearest(places, slack.low)) / last}%`;
    range.style.width = `${Math.max(1, (100 * (nearest(places, slack.high) - nearest(places, slack.low))) / last)}%`;
    words.textContent = `${slack.text}; ${control.meaning}`;
  }
  slider.addEventListener("input", () => setValues({ [control.name]: places[Number(slider.value)][0] }));
  value.addEventListener("change", () => {
    if (value.value === value.dataset.shown) return;
    const given = parsed(control, value.value, value.dataset.shown);
    value.value = value.dataset.shown;
    if (Number.isNaN(given)) say(`${name} must be ${places[0][1]} to ${places.at(-1)[1]}.`, true);
    else {
      endProblem();
      setValues({ [control.name]: given });
    }
  });
  // Arrows step as the slider does.
  value.addEventListener("keydown", (event) => {
    const by = { ArrowUp: 1, ArrowDown: -1 }[event.key];
    if (!by) return;
    event.preventDefault();
    const next = Math.min(places.length - 1, Math.max(0, nearest(places, valueOf(control)) + by));
    setValues({ [control.name]: places[next][0] });
  });
  lock.addEventListener("change", () => {
    if (lock.checked) page.locked.add(control.name);
    else page.locked.delete(control.name);
    paint();
  });
  page.rows.set(control.name, { paint, lock, control });
  paint();
  return element;
}

function groupToggle(group, text) {
  const names = page.run.parts.flatMap((part) => part.controls).filter((each) => each.group === group && !each.linked_to).map((each) => each.name);
  if (!names.length) return null;
  const box = h("input", { type: "checkbox", "data-group": group, checked: names.every((name) => page.locked.has(name)) });
  box.addEventListener("change", () => {
    for (const name of names) {
      if (box.checked) page.locked.add(name);
      else page.locked.delete(name);
      page.rows.get(name).lock.checked = box.checked;
      page.rows.get(name).paint();
    }
  });
  return h("label", { class: "check" }, box, ` ${text}`);
}

function setValues(values, isUndo = false) {
  if (!isUndo) remember(values);
  Object.assign(page.values, values);
  keepDraft(page.run.name, page.values);
  for (const name of Object.keys(values)) page.rows.get(name)?.paint();
  changed(page.hear.checked);
  saveLater();
}

// What stood there before, to be undone change by change.
function remember(values) {
  const names = Object.keys(values).join(" ");
  const last = page.before.at(-1);
  const now = performance.now();
  if (last && last.names === names && now - last.at < TOGETHER_MS) {
    last.at = now;
    return;
  }
  const before = Object.fromEntries(Object.keys(values).map((name) => [name, page.values[name] ?? page.run.values[name].value]));
  page.before.push({ names, at: now, before });
}

async function undo() {
  const last = page.before.pop();
  if (last) {
    setValues(last.before, true);
    return;
  }
  const { version } = page.run;
  if (version?.kind !== "set") return;
  const gone = await attempt(() => api.post(api.path("runs", page.run.name, "back"), { version: version.parent }));
  if (gone) again();
}

document.addEventListener("keydown", (event) => {
  if (document.body.dataset.view !== "shape" || event.key.toLowerCase() !== "z" || !(event.ctrlKey || event.metaKey) || event.shiftKey) return;
  // In a field in which somebody writes, it takes back what was written.
  if (event.target.matches?.("input[type=text], input[type=number]") && event.target.value !== (event.target.dataset.shown ?? event.target.defaultValue)) return;
  event.preventDefault();
  undo();
});

function saveLater() {
  const here = page;
  saveWhenAtRest(here.run.name, () => here.comment.value, async () => {
    here.comment.value = "";
    const run = await attempt(() => loadRun(here.run.name));
    if (!run) return;
    Object.assign(here.run, { values: run.values, version: run.version });
    here.values = valuesOf(run.name);
    for (const { paint } of here.rows.values()) if (page === here) paint();
    here.whose.textContent = `${run.name} · ${whose(run)}`;
    showSaved(here);
  });
  showSaved();
}

function showSaved(here = page) {
  const isUnsaved = Object.keys(here.values).length > 0;
  const { version } = here.run;
  here.saved.textContent = isUnsaved ? "not saved yet" : version ? `saved as version ${version.number}` : "";
  here.undo.disabled = !here.before.length && version?.kind !== "set";
}

function showLoss(here, total) {
  replace(here.loss, "Distance ", h("b", {}, number(total)));
  here.loss.dataset.loss = number(total, 4);
}

// Only the newest change is rendered; what was asked for before is dropped.
async function changed(isHeard) {
  const here = page;
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

async function refine(seconds) {
  const here = page;
  const job = await attempt(async () => {
    await save(here.run.name, here.comment.value);
    return api.post("/api/jobs", { kind: "refine", run: here.run.name, seconds, hold: [...here.locked] });
  });
  if (!job || page !== here) return;
  await refresh();
  watch(page.job, job, page.note, again);
  go({ job: job.name }, true);
  page.job.scrollIntoView({ block: "nearest" });
}
