// Beginning: the address holds the key only until here; then views follow the address.

import { attempt, button, h, put, replace, say } from "./dom.js";
import { stopClip } from "./player.js";
import { VIEWS, go, newest, read, refresh, store } from "./store.js";
import * as compare from "./view-compare.js";
import * as exported from "./view-export.js";
import * as how from "./view-how.js";
import * as listen from "./view-listen.js";
import * as match from "./view-match.js";
import * as shape from "./view-shape.js";
import * as target from "./view-target.js";
import * as versions from "./view-versions.js";

const views = { target, match, listen, shape, versions, how, compare, export: exported };
const view = document.getElementById("view");
const work = document.getElementById("work");
const steps = document.getElementById("steps");
let shown = null;
const rendering = newest();

if (location.search) history.replaceState(null, "", `/${location.hash}`);

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
  fill("choose-target", state.targets, chosen.target, state.targets.length ? "choose" : "none yet",
    (value) => go({ target: value || null, note: 0 }));
  fill("choose-run", state.runs.filter((run) => !run.problem).map((run) => run.name), chosen.run,
    state.runs.length ? "choose" : "none yet",
    (value) => go({ run: value || null, note: 0, target: state.runs.find((run) => run.name === value)?.target || chosen.target, view: ["target", "match", "compare"].includes(chosen.view) ? "listen" : chosen.view }));
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
function showWork(chosen) {
  const busy = store.state.jobs.filter((job) => ["starting", "running", "stopping"].includes(job.state));
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

function completed(chosen) {
  const { state } = store;
  const runs = state.runs.filter((run) => !run.problem);
  const found = { ...chosen };
  if (!runs.some((run) => run.name === found.run)) {
    found.run = (runs.find((run) => run.target && run.target === found.target) || runs[0])?.name || null;
  }
  if (!state.targets.includes(found.target)) {
    found.target = runs.find((run) => run.name === found.run)?.target || state.targets[0] || null;
  }
  return found;
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
  const state = await attempt(refresh);
  if (!state || !isNewest()) return;
  const chosen = { ...completed(asked), isGone: () => !isNewest() };
  if (chosen.target !== asked.target || chosen.run !== asked.run) go(chosen, true);
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
    window.scrollTo(0, 0);
  } else if (!isFirst) restore(marked);
  document.body.dataset.ready = chosen.view;
}

async function relist() {
  if (!(await attempt(refresh))) return;
  const chosen = completed(read());
  fillChoices(chosen);
  showWork(chosen);
}

window.addEventListener("hashchange", render);
window.addEventListener("listed", relist);
window.addEventListener("unhandledrejection", (event) => say(String(event.reason?.message || event.reason), true));
// Other windows and the command line make runs, too.
setInterval(async () => {
  if (document.hidden) return;
  try {
    await refresh();
    const chosen = completed(read());
    fillChoices(chosen);
    showWork(chosen);
    document.body.classList.remove("offline");
  } catch {
    document.body.classList.add("offline");
  }
}, 4000);

render();
