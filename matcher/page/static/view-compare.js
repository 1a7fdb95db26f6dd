// Compare: several structures on the same target; curves that grow, the verdict, and both by ear.

import * as api from "./api.js";
import { attempt, button, endProblem, field, figures, h, link, newId, number, replace, say, scrollable } from "./dom.js";
import * as player from "./foot.js";
import { go, newest, read, refresh } from "./store.js";

const picked = new Set();
const settings = { seconds: 10, seeds: 3 };
const asking = newest();
let endFollowing = () => {};

export function leave() {
  endFollowing();
  endFollowing = () => {};
}

export async function show(root, chosen, state) {
  player.hide();
  const live = h("div", { class: "stack", id: "comparison" });
  const busy = state.jobs.find((job) => job.kind === "compare" && (job.name === chosen.job || ["starting", "running", "stopping"].includes(job.state)));
  replace(root, h("h1", {}, "Compare"),
    h("p", { class: "lead" }, "Is one oscillator enough? Is the small instrument good enough for tonight? Each structure gets the same target, time and seeds."),
    chosen.target ? form(chosen, state) : h("p", {}, "Give a target first. ", h("a", { href: "#/target" }, "To the target")),
    state.comparisons.length > 0 && h("div", { class: "row" }, h("span", { class: "quiet" }, "Earlier:"),
      state.comparisons.map((name) => button(name, async () => {
        leave();
        await load(live, name);
      }, { class: "small" }))),
    live);
  if (busy) watch(live, busy);
  else if (state.comparisons.length) {
    await load(live, state.comparisons[0]);
  }
}

// Only what was asked for last is shown, and only where it was asked for.
async function load(root, name, onFound = () => {}) {
  const isNewest = asking();
  const found = await attempt(() => api.get(api.path("comparisons", name)));
  if (!found || !isNewest() || !root.isConnected) return;
  onFound(found);
  showComparison(root, found);
}

function form(chosen, state) {
  const boxes = state.structures.map((each) => {
    const id = newId("structure");
    const box = h("input", { type: "checkbox", id, value: each.name, checked: picked.has(each.name),
      on: { change: () => {
        if (box.checked) picked.add(each.name);
        else picked.delete(each.name);
        endProblem();
        tell();
      } } });
    return h("div", { class: "pick" }, box, h("label", { for: id }, h("b", {}, each.name), h("span", { class: "quiet" }, each.meaning)));
  });
  const seconds = h("input", { type: "number", min: "1", max: "86400", value: String(settings.seconds), id: "compare-seconds",
    on: { input: () => { settings.seconds = Number(seconds.value); tell(); } } });
  const seeds = h("input", { type: "number", min: "1", max: "50", value: String(settings.seeds), id: "compare-seeds",
    on: { input: () => { settings.seeds = Number(seeds.value); tell(); } } });
  // What it takes is told before: runs are made side by side as far as there are processors.
  const total = h("span", { class: "quiet beside", id: "compare-total" });
  const tell = () => {
    const n = picked.size * Number(seeds.value);
    const all = Math.ceil(n / state.n_at_once) * (Number(seconds.value) + state.beside_s);
    total.textContent = picked.size < 2 ? "Choose at least two structures." : `${n} runs, about ${all < 100 ? `${Math.ceil(all)} s` : `${Math.ceil(all / 60)} min`} in all`;
  };
  const start = async (event) => {
    event.preventDefault();
    if (picked.size < 2) {
      say("Choose at least two structures to compare.", true);
      return;
    }
    const job = await attempt(() => api.post("/api/jobs", { kind: "compare", target: chosen.target,
      structures: state.structures.map((each) => each.name).filter((name) => picked.has(name)),
      seconds: Number(seconds.value), seeds: Number(seeds.value) }));
    if (!job) return;
    await refresh();
    if (read().view === "compare") go({ view: "compare", job: job.name });
  };
  tell();
  return h("form", { class: "card form", on: { submit: start } },
    h("fieldset", { class: "picks" }, h("legend", {}, "Structures, the plainest first; the others are set against the first"), boxes),
    h("div", { class: "row form-row" }, field("Time for each run, s", seconds), field("Runs of each", seeds, "more runs, a firmer verdict"),
            h("button", { type: "submit", class: "main", id: "compare-start" }, `Compare on ${chosen.target}`), total));
}

function watch(root, job) {
  leave();
  const status = h("p", { role: "status", id: "compare-state" }, "The first runs are on their way.");
  const stop = button("Stop and keep", () => attempt(() => api.post(api.path("jobs", job.name, "stop"))));
  const body = h("div", { class: "stack" });
  replace(root, h("div", { class: "card row spread", "data-job": job.name }, status, stop), body);
  const tell = (found) => {
    status.textContent = `${found.n_finished} of ${found.n_finished + found.n_missing} runs are finished.`;
  };
  endFollowing = api.follow(job.name, async (event) => {
    if (event.kind === "compared") await load(body, event.comparison, tell);
    if (event.kind === "done") {
      stop.remove();
      await load(body, event.comparison, tell);
      root.dataset.state = "done";
      window.dispatchEvent(new Event("listed"));
    } else if (event.kind === "failed" || event.kind === "lost") {
      stop.remove();
      status.textContent = event.kind;
      say(event.text || "The comparison was ended from outside.", true);
    }
  });
}

function showComparison(root, found) {
  // Drawn anew as runs come in.
  const pictures = figures(api.path("comparisons", found.name, "pictures"), found.pictures);
  replace(root, h("section", { class: "card" }, h("h2", {}, found.name),
    found.verdict && h("p", { class: "verdict", id: "verdict" }, found.verdict),
    found.notes.map((text) => h("p", { class: "quiet" }, text)),
    pictures, h("p", { class: "quiet" }, "Lower is closer. 0 is identical."),
    scrollable("What each structure leaves", h("table", { class: "stacks" },
      h("thead", {}, h("tr", {}, ["Structure", "Runs", "Distance", "Quartiles", "Listen"].map((text) => h("th", { scope: "col" }, text)))),
      h("tbody", {}, found.summaries.map((each) => h("tr", {},
        h("th", { scope: "row", class: "wide" }, each.structure),
        h("td", { "data-label": "runs" }, each.n_runs),
        h("td", { class: "value", "data-label": "distance" }, number(each.measures.total.median)),
        h("td", { "data-label": "quartiles" }, `${number(each.measures.total.low)} to ${number(each.measures.total.high)}`),
        h("td", { class: "wide" }, button(`Listen to ${each.structure}`, () => hear(found, each.structure), { class: "small" }))))))),
    found.n_finished > 0 && h("p", {}, link("Report of this comparison", api.path("comparisons", found.name, "report"), { target: "_blank" })),
    found.failed.map((each) => h("p", { class: "problem" }, Object.values(each).join(": ")))));
}

const hearing = newest();
async function hear(found, structure) {
  const isNewest = hearing();
  const place = document.getElementById("comparison");
  const target = found.targets[0];
  const query = new URLSearchParams({ target, structure });
  const address = (which, what) => `${api.path("comparisons", found.name, "notes", 0, which, what)}?${query}`;
  const pictures = await attempt(() => Promise.all(["target", "match"].map((which) => api.get(address(which, "picture")))));
  if (!pictures || !isNewest() || !place.isConnected) return;
  player.showPair(`compare ${found.name} ${structure}`, { target: pictures[0], match: pictures[1], title: structure, names: ["Target", structure],
    targetSound: () => api.sound(address("target", "sound")), matchSound: () => api.sound(address("match", "sound")) });
}
