// Beginning; then views follow the address.

import { attempt, button, endProblem, h, number, put, replace, say } from "./dom.js";
import { isUnsaved, saveAll } from "./draft.js";
import { stopClip } from "./player.js";
import { VIEWS, completed, go, newest, read, refresh, store } from "./store.js";
import * as compare from "./view-compare.js";
import * as exported from "./view-export.js";
import * as how from "./view-how.js";
import * as match from "./view-match.js";
import * as patch from "./view-patch.js";
import * as shape from "./view-shape.js";
import * as target from "./view-target.js";
import * as versions from "./view-versions.js";

const views = { target, match, patch, shape, versions, how, compare, export: exported };
const view = document.getElementById("view");
const work = document.getElementById("work");
const steps = document.getElementById("steps");
let shown = null;
const rendering = newest();

function fillChoices(chosen) {
  const { state } = store;
  document.getElementById("folder").textContent = state.folder;
  const fill = (id, names, current, empty, change) => {
    const element = document.getElementById(id);
    // A list that is open, or has the focus, stays as it is unless there is something new in it.
    const wanted = JSON.stringify([empty, names]);
    if (element.dataset.filled !== wanted) {
      replace(element, h("option", { value: "" }, empty), names.map((name) => h("option", { value: name }, name)));
      element.dataset.filled = wanted;
    }
    element.value = current || "";
    element.onchange = () => change(element.value);
  };
  fill("choose-target", state.targets, chosen.target, state.targets.length ? "the recording of this match" : "none yet",
    (value) => go({ target: value || null, note: 0, job: null }));
  fill("choose-run", state.runs.filter((run) => !run.problem).map((run) => run.name), chosen.run,
    state.runs.length ? "none of this target" : "none yet",
    (value) => value && go({ run: value, note: 0, job: null, view: ["target", "match", "compare"].includes(chosen.view) ? "patch" : chosen.view }));
  document.getElementById("unsaved").hidden = !chosen.run || !isUnsaved(chosen.run);
  const query = new URLSearchParams();
  for (const key of ["target", "run"]) if (chosen[key]) query.set(key, chosen[key]);
  VIEWS.forEach(([name, text], i) => {
    const link = steps.children[i] || steps.appendChild(h("a", {}, text));
    link.href = `#/${name}${query.size ? `?${query}` : ""}`;
    if (name === chosen.view) link.setAttribute("aria-current", "page");
    else link.removeAttribute("aria-current");
  });
}

// On a phone the steps don't all fit: the one that is open is brought into sight.
function showStep() {
  const current = steps.querySelector("[aria-current]");
  if (current) steps.scrollLeft = current.offsetLeft - (steps.clientWidth - current.clientWidth) / 2;
}

// Where each kind of work is watched.
const VIEW_OF = { compare: "compare", explain: "how", keyboard: "how" };
const KINDS = { match: "Matching", resume: "Going on", refine: "Refining", explain: "Finding out what mattered", keyboard: "Playing every key", compare: "Comparing" };
const rows = new Map();

// Work that runs is seen from every view, also when another window has begun it. Rows stay while
// their figures change, so that a button keeps the focus.
const isBusy = (job) => ["starting", "running", "stopping"].includes(job.state);
function showWork(chosen) {
  const busy = store.state.jobs.filter(isBusy);
  announce(chosen);
  const wanted = new Map(busy.map((job) => [job.name, job]));
  for (const [name, row] of rows) {
    if (name === "voice" ? store.state.is_voice_ready : !wanted.has(name)) {
      row.element.remove();
      rows.delete(name);
    }
  }
  const dot = () => h("span", { class: "pulse", "aria-hidden": "true" });
  if (!store.state.is_voice_ready && !rows.has("voice")) {
    const element = h("div", { class: "busy", role: "status" }, dot(),
      h("span", {}, "The voice is being made ready, which takes half a minute the first time."));
    rows.set("voice", { element });
    put(work, element);
  }
  for (const job of busy) {
    if (!rows.has(job.name)) {
      const [figure, watch] = [h("span", { class: "quiet" }), button("Watch", () => {}, { class: "small" })];
      const element = h("div", { class: "busy" }, dot(), h("span", { role: "status" }, `${KINDS[job.kind]}: ${job.title}`), figure, watch);
      rows.set(job.name, { element, figure, watch });
      put(work, element);
    }
    const { figure, watch } = rows.get(job.name);
    const loss = job.last.progress?.loss;
    figure.textContent = loss ? `distance ${loss.toFixed(2)}` : "";
    const view = VIEW_OF[job.kind] || "match";
    watch.onclick = () => go({ view, job: job.name, ...(view === "how" && { run: job.settings.run }) });
    watch.hidden = chosen.view === view && (chosen.job === job.name || busy.length === 1);
  }
}

// Work that has ended says so wherever one is; where nothing else is being looked at, it is chosen.
// A short one begins and ends between two looks; what had ended before the first look is old.
let atWork = new Set();
let over = null;
function announce(chosen) {
  const done = store.state.jobs.filter((job) => !isBusy(job));
  const ended = over ? done.filter((job) => !over.has(job.name)) : [];
  over = new Set(done.map((job) => job.name));
  atWork = new Set(store.state.jobs.filter(isBusy).map((job) => job.name));
  for (const job of ended) {
    if (store.told.has(job.name)) continue;
    store.told.add(job.name);
    const { run, loss, comparison } = job.last.done || {};
    if (job.state !== "done") {
      say(`${KINDS[job.kind]} ${job.title}: ${job.last.failed?.text || "it was ended from outside."}`, true);
    } else if (VIEW_OF[job.kind]) {
      const view = VIEW_OF[job.kind];
      if (view !== chosen.view) say(`${KINDS[job.kind]} ${job.title}: done.`, false, ["Show it", () => go(comparison ? { view } : { view, run })]);
    } else if (run) {
      const far = Number.isFinite(loss) ? `: distance ${number(loss)}` : "";
      say(`${run} is ready${far}.`, false, ["Show the patch", () => go({ view: "patch", run })]);
      if (["target", "match"].includes(chosen.view)) go({ run, target: job.settings.target || chosen.target }, true);
    }
  }
}

// What had the focus before a view was built anew has it afterwards, if it is there again.
function mark() {
  const element = document.activeElement;
  if (!element || !view.contains(element) || element === view) return null;
  const name = element.id && !/-\d+$/.test(element.id) ? `#${CSS.escape(element.id)}` : null;
  const label = labelOf(element);
  return { name, label, nth: alike(label).indexOf(element) };
}

const labelOf = (element) => element.getAttribute("aria-label") || element.textContent;
const alike = (label) => [...view.querySelectorAll("button, a, input, select")].filter((each) => label && labelOf(each) === label);

function restore(marked) {
  if (document.activeElement !== document.body) return;
  const found = marked && ((marked.name && view.querySelector(marked.name)) || alike(marked.label)[marked.nth]);
  (found || view).focus({ preventScroll: true });
}

async function render() {
  const isNewest = rendering();
  const asked = read();
  document.body.dataset.ready = "";
  if (asked.view !== shown) endProblem();
  if (asked.view !== "shape") await attempt(saveAll);
  const state = await attempt(refresh);
  // Another view may have been asked for meanwhile; that comes next.
  if (!state || !isNewest() || read().view !== asked.view) return;
  const chosen = { ...completed(asked), isGone: () => !isNewest() };
  if (chosen.target !== asked.target || chosen.run !== asked.run) go({ target: chosen.target, run: chosen.run }, true);
  fillChoices(chosen);
  showStep();
  showWork(chosen);
  for (const each of Object.values(views)) each.leave?.();
  stopClip();
  document.title = `${VIEWS.find(([name]) => name === chosen.view)[1]}, earwright`;
  const isNew = shown !== null && shown !== chosen.view;
  const marked = isNew ? null : mark();
  const isFirst = shown === null;
  shown = chosen.view;
  document.body.dataset.view = chosen.view;
  await views[chosen.view].show(view, chosen, state);
  if (!isNewest()) return;
  if (isNew) {
    view.focus({ preventScroll: true });
    document.getElementById("page").scrollTo(0, 0);
  } else if (!isFirst) restore(marked);
  // So that keys scroll it from the start.
  else if (document.activeElement === document.body) document.getElementById("page").focus({ preventScroll: true });
  document.body.dataset.ready = chosen.view;
}

async function look() {
  try {
    await refresh();
  } catch {
    document.body.classList.add("offline");
    return;
  }
  document.body.classList.remove("offline");
  const chosen = completed(read());
  fillChoices(chosen);
  showWork(chosen);
}

// Another start of the server has another key.
window.addEventListener("locked", () => {
  if (document.body.classList.contains("locked")) return;
  document.body.classList.add("locked");
  document.body.dataset.ready = "locked";
  replace(view, h("h1", {}, "This window is of an earlier start"),
    h("p", { class: "lead" }, "The page was started again, and has a new address: open the one that it has shown last. What you have made is all there; this window can be closed."));
});

// Other windows and the command line make runs, too; what runs is looked at more often.
async function keepLooking() {
  while (!document.body.classList.contains("locked")) {
    await new Promise((later) => { setTimeout(later, atWork.size ? 1500 : 4000); });
    if (!document.hidden) await look();
  }
}

// The address holds what is chosen, so this link leaves it alone.
document.querySelector(".skip").addEventListener("click", (event) => {
  event.preventDefault();
  view.focus();
});
window.addEventListener("hashchange", render);
window.addEventListener("listed", look);
window.addEventListener("draft", () => store.state && fillChoices(completed(read())));
window.addEventListener("unhandledrejection", (event) => say(String(event.reason?.message || event.reason), true));

render();
keepLooking();
