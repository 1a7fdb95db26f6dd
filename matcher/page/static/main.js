// Beginning: the address holds the key only until here; then views follow the address.

import { attempt, button, h, replace, say } from "./dom.js";
import { VIEWS, go, read, refresh, store } from "./store.js";
import * as compare from "./view-compare.js";
import * as keep from "./view-keep.js";
import * as listen from "./view-listen.js";
import * as match from "./view-match.js";
import * as shape from "./view-shape.js";
import * as take from "./view-take.js";
import * as target from "./view-target.js";
import * as why from "./view-why.js";

const views = { target, match, listen, shape, keep, why, compare, take };
const view = document.getElementById("view");
const work = document.getElementById("work");
let shown = null;

if (location.search) history.replaceState(null, "", `/${location.hash}`);

function fillChoices(chosen) {
  const { state } = store;
  document.getElementById("folder").textContent = state.folder;
  const fill = (id, names, current, empty, change) => {
    const element = document.getElementById(id);
    replace(element, h("option", { value: "" }, empty),
      names.map((name) => h("option", { value: name, selected: name === current }, name)));
    element.onchange = () => change(element.value);
  };
  fill("choose-target", state.targets, chosen.target, state.targets.length ? "choose" : "none yet",
    (value) => go({ target: value || null, note: 0 }));
  fill("choose-run", state.runs.filter((run) => !run.problem).map((run) => run.name), chosen.run,
    state.runs.length ? "choose" : "none yet",
    (value) => go({ run: value || null, note: 0, target: state.runs.find((run) => run.name === value)?.target || chosen.target, view: ["target", "match", "compare"].includes(chosen.view) ? "listen" : chosen.view }));
  replace(document.getElementById("steps"), VIEWS.map(([name, text]) => {
    const query = new URLSearchParams();
    for (const key of ["target", "run"]) if (chosen[key]) query.set(key, chosen[key]);
    return h("a", { href: `#/${name}${query.size ? `?${query}` : ""}`, "aria-current": name === chosen.view ? "page" : null }, text);
  }));
}

// On a phone the steps don't all fit: the one that is open is brought into sight.
function showStep() {
  const current = document.querySelector("#steps [aria-current]");
  const nav = current?.parentElement;
  if (nav) nav.scrollLeft = current.offsetLeft - (nav.clientWidth - current.clientWidth) / 2;
}

// Work that runs is seen from every view, also when another window has begun it.
function showWork(chosen) {
  const busy = store.state.jobs.filter((job) => ["starting", "running", "stopping"].includes(job.state));
  replace(work, !store.state.is_voice_ready && h("div", { class: "busy" }, h("span", { class: "pulse", "aria-hidden": "true" }),
    h("span", {}, "The voice is being made ready, which takes half a minute the first time.")),
  busy.map((job) => {
    const loss = job.last.progress?.loss;
    return h("div", { class: "busy" }, h("span", { class: "pulse", "aria-hidden": "true" }),
      h("span", {}, `${job.kind}: ${job.title}${loss ? `, ${loss.toFixed(2)} audible steps` : ""}`),
      chosen.job !== job.name && button("Watch", () => go({ view: job.kind === "compare" ? "compare" : "match", job: job.name }), { class: "small" }));
  }));
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

async function render() {
  const asked = read();
  if (!(await attempt(refresh))) return;
  const chosen = completed(asked);
  if (chosen.target !== asked.target || chosen.run !== asked.run) go(chosen, true);
  fillChoices(chosen);
  showStep();
  showWork(chosen);
  match.leave();
  compare.leave();
  why.leave();
  document.title = `${VIEWS.find(([name]) => name === chosen.view)[1]}, earwright`;
  const isNew = shown !== null && shown !== chosen.view;
  shown = chosen.view;
  document.body.dataset.view = chosen.view;
  await views[chosen.view].show(view, chosen, store.state);
  document.body.dataset.ready = chosen.view;
  if (isNew) {
    view.focus({ preventScroll: true });
    window.scrollTo(0, 0);
  }
}

async function relist() {
  if (!(await attempt(refresh))) return;
  const chosen = completed(read());
  fillChoices(chosen);
  showWork(chosen);
}

window.addEventListener("hashchange", () => {
  document.body.dataset.ready = "";
  render();
});
window.addEventListener("listed", relist);
window.addEventListener("unhandledrejection", (event) => say(String(event.reason?.message || event.reason), true));
// Other windows and the command line make runs, too.
setInterval(async () => {
  if (document.hidden) return;
  try {
    const before = JSON.stringify([store.state?.targets, store.state?.runs.map((run) => run.name), store.state?.jobs.map((job) => [job.name, job.state])]);
    await refresh();
    const after = JSON.stringify([store.state.targets, store.state.runs.map((run) => run.name), store.state.jobs.map((job) => [job.name, job.state])]);
    if (before !== after) {
      const chosen = completed(read());
      fillChoices(chosen);
    }
    showWork(read());
    document.body.classList.remove("offline");
  } catch {
    document.body.classList.add("offline");
  }
}, 4000);

render();
