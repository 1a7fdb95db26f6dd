// Match: choose, start, watch, listen while it goes, stop and keep.

import * as api from "./api.js";
import { attempt, button, choice, field, h, number, replace, say, select } from "./dom.js";
import { canvas, paintCurves, paintSpectrogram } from "./draw.js";
import * as player from "./foot.js";
import { go, read, refresh, store } from "./store.js";

const INKS = { spectral: "--ink-1", onset: "--ink-2", envelope: "--ink-3", modulation: "--ink-4", pitch: "--ink-5" };
const settings = { structure: "", seconds: 30, weights: "balanced", seed: 0 };
const SEARCHES = ["match", "resume", "refine"];
// What a search is doing; the clock runs from its first try, once the voice is compiled.
const STATES = { starting: "making ready", running: "searching", stopping: "stopping: the best so far is kept", done: "done", failed: "failed", lost: "ended from outside" };
let endFollowing = () => {};

const isOver = (job) => ["done", "failed", "lost"].includes(job.state);

export function leave() {
  endFollowing();
  endFollowing = () => {};
}

export async function show(root, chosen, state) {
  player.hide();
  const live = h("div", { class: "stack", id: "live" });
  const searches = state.jobs.filter((job) => SEARCHES.includes(job.kind));
  const job = searches.find((each) => each.name === chosen.job) || searches.find((each) => !isOver(each));
  replace(root, h("h1", {}, "Match"),
    !chosen.target ? h("p", {}, "Give a target first. ", h("a", { href: "#/target" }, "To the target"))
      // What runs comes first; a key that was pressed to start it starts no other one.
      : job && !isOver(job) ? h("details", { class: "card" }, h("summary", {}, "Start another match"), startForm(chosen, state))
        : startForm(chosen, state),
    live,
    state.interrupted.length > 0 && h("section", { class: "card" }, h("h2", {}, "Interrupted searches"),
      h("p", { class: "quiet" }, "They were ended from outside; at most a few seconds of them are lost."),
      state.interrupted.map((name) => h("div", { class: "row" }, h("span", {}, name), button("Go on", () => goOn({ run: name }))))),
    matchesSoFar(chosen, state), unreadable(state));
  if (job) watch(live, job, chosen.note);
}

// What there is already for this target, the newest first.
function matchesSoFar(chosen, state) {
  const runs = state.runs.filter((run) => !run.problem && chosen.target && run.target === chosen.target);
  return runs.length > 0 && h("section", { class: "card" }, h("h2", {}, `Matches of ${chosen.target} so far`),
    h("ul", { class: "so-far" }, runs.slice(0, 12).map((run) => h("li", {},
      h("span", { class: "plain" }, h("b", {}, run.name), " ", h("span", { class: "quiet" }, run.structure)),
      h("span", {}, typeof run.loss === "number" && ["distance ", h("b", {}, number(run.loss))]),
      button(`Show ${run.name}`, () => go({ view: "patch", run: run.name }), { class: "small" })))));
}

// Runs that can't be read are in no list; here it is said why.
function unreadable(state) {
  const runs = [...state.runs.filter((run) => run.problem), ...state.left_out];
  return runs.length > 0 && h("section", { class: "card" }, h("h2", {}, "Runs that can't be read"),
    h("ul", { class: "notes" }, runs.map((run) => h("li", {}, h("b", {}, run.name), `: ${run.problem}`))));
}

function startForm(chosen, state) {
  const structures = state.structures.map((each) => [each.name, each.is_own ? `${each.name} (your own)` : each.name]);
  const meaning = h("p", { class: "quiet", id: "meaning" });
  const explain = () => {
    const found = state.structures.find((each) => each.name === settings.structure);
    meaning.textContent = found ? found.meaning : "";
  };
  if (!structures.some(([name]) => name === settings.structure)) settings.structure = state.default_structure;
  const structure = select(structures, settings.structure, (value) => { settings.structure = value; explain(); });
  const own = h("input", { type: "file", accept: ".toml", id: "own-structure", class: "hidden-file", on: { change: async () => {
    const file = own.files[0];
    const added = file && (await attempt(() => api.upload("/api/structures", { name: file.name }, file)));
    if (added) {
      settings.structure = added.name;
      await refresh();
      go({});
    }
  } } });
  const seconds = h("input", { type: "number", min: "1", max: "86400", value: String(settings.seconds),
    on: { change: () => { settings.seconds = Number(seconds.value); } } });
  const seed = h("input", { type: "number", min: "0", step: "1", value: String(settings.seed), on: { change: () => { settings.seed = Number(seed.value); } } });
  const weights = choice("What matters most", Object.entries(state.presets), settings.weights,
    (value) => { settings.weights = value; });
  explain();
  return h("form", { class: "card form", on: { submit: (event) => { event.preventDefault(); start(chosen.target); } } },
    h("div", { class: "row form-row" },
      field("Structure of your instrument", structure),
      h("div", { class: "field" }, h("label", { for: "own-structure" }, "Or a structure file of your own"), own),
      field("Time, s", seconds, "longer searches come closer"),
      h("details", { class: "small-box" }, h("summary", {}, "More"), field("Seed", seed, "another number, another way there"))),
    meaning, weights,
    h("div", { class: "row" }, h("button", { class: "main", type: "submit", id: "start" }, `Match ${chosen.target}`)));
}

const start = (target) => begin({ kind: "match", target, ...settings });
const goOn = (more) => begin({ kind: "resume", ...more });

// Whoever has gone on to another view meanwhile stays there, and is told of the end.
async function begin(work) {
  const { view } = read();
  const job = await attempt(() => api.post("/api/jobs", work));
  if (!job) return;
  await refresh();
  if (read().view !== view) return;
  go({ view: "match", job: job.name });
  document.getElementById("view").focus({ preventScroll: true });
}

// What the distance is made of, one word for each term.
export const termWords = (terms) => Object.entries(terms || {}).map(([term, value]) =>
  h("span", {}, h("b", {}, number(value)), ` ${store.state.term_words[term] || term}`));

// What is left of a match that was stopped is used before more is asked for.
function unused(run) {
  const { seconds, evals } = run.settings;
  if (run.stop_reason !== "stopped" || !run.figures) return 0;
  return Math.floor(seconds ? seconds - run.figures.elapsed_s : evals ? evals - run.figures.evaluations : 0);
}

// More time for a match that has ended: its search goes on from where it was.
export function extendBox(run) {
  const isTimed = run.settings.seconds !== null && run.settings.seconds !== undefined;
  const rest = unused(run);
  if (rest > 0) {
    return h("div", { class: "row" }, button("Go on with this match", () => goOn({ run: run.name }), { id: "extend" }),
      h("span", { class: "quiet" }, `It was stopped with ${isTimed ? `${rest} s` : `${rest} tries`} left.`));
  }
  const more = h("input", { type: "number", min: "1", value: isTimed ? "30" : "2000" });
  return h("div", { class: "row form-row" }, run.end_text && h("span", { class: "quiet beside" }, run.end_text), field(isTimed ? "Search on for, s" : "Tries to add", more),
    button("Go on with this match", () => goOn({ run: run.name, [isTimed ? "seconds" : "evals"]: Number(more.value) }), { id: "extend" }));
}

// The work on a job, as it goes; also after a reload, and in a second window. `inShape` is what to do
// at its end where the controls are on the screen, too.
export function watch(root, job, note = 0, inShape = null) {
  endFollowing();
  const history = [];
  let last = null;
  let bestShown = 0;
  let isFetching = false;
  let isLeft = false;
  let isEnded = false;
  // By hand something else may be in the player by now; it isn't taken away again.
  let hasPlayer = inShape !== null && job.state === "done";
  const { target: targetName, run: runName } = job.settings;
  const hasSound = Boolean(targetName || runName);
  const targetSound = targetName ? api.path("targets", targetName, "notes", note, "sound")
    : runName && api.path("runs", runName, "notes", note, "target", "sound");
  const playerKey = `job ${job.name}`;
  let bestPicture = null;
  let targetPicture = null;
  const figure = h("div", { class: "figures" });
  const bar = h("progress", { max: "1", value: "0", "aria-label": "Part of the time that is used" });
  const left = h("span", { class: "quiet", id: "left" });
  const status = h("span", { id: "job-state", role: "status" }, STATES[job.state] || job.state);
  const curves = canvas("Distance over time, whole and by what it is made of", "curves", (context, width, height) => {
    if (!history.length) return;
    const budget = last.seconds || (last.evals ? last.elapsed_s * last.evals / Math.max(1, last.evaluations) : last.elapsed_s);
    const xMax = Math.max(budget, last.elapsed_s);
    // What is worse than this, as the first tries are, lies above the picture.
    const settled = history.filter((each) => each.elapsed_s > 0.05 * xMax || each === last);
    const yMax = Math.max(2, Math.min(20, 1.05 * Math.max(...settled.flatMap((each) => [each.loss, ...Object.values(each.terms)]))));
    paintCurves(context, width, height, { xMax, yMax, xText: `${number(xMax, 0)} s`, curves: [
      ...Object.keys(INKS).map((term) => ({ ink: INKS[term], points: history.map((each) => [each.elapsed_s, each.terms[term]]) })),
      { ink: "--match", weight: 3, points: history.map((each) => [each.elapsed_s, each.loss]) },
    ] });
  });
  const target = canvas("Spectrogram of the target", "spectrogram", (context, width, height) => targetPicture && paintSpectrogram(context, width, height, targetPicture));
  const best = canvas("Spectrogram of the best so far", "spectrogram", (context, width, height) => bestPicture && paintSpectrogram(context, width, height, bestPicture, "--match"));
  const stop = button("Stop and keep", async () => {
    stop.disabled = true;
    status.textContent = "stopping: the best so far is kept";
    await attempt(() => api.post(api.path("jobs", job.name, "stop")));
  }, { id: "stop" });
  const actions = h("div", { class: "row" }, stop);
  replace(root, h("section", { class: "card", id: "job", "data-job": job.name, "data-state": job.state },
    h("div", { class: "row spread" }, h("h2", {}, job.title), status),
    h("div", { class: "row" }, bar, left, actions), figure, curves,
    h("ul", { class: "legend" }, h("li", { class: "legend-match" }, "whole"),
      Object.entries(INKS).map(([term, ink]) => h("li", { class: `legend${ink.replace("--", "-")}` }, store.state.term_words[term]))),
    hasSound && h("div", { class: "two" },
      h("figure", {}, target, h("figcaption", {}, "Target")), h("figure", {}, best, h("figcaption", {}, "Best so far")))));

  async function showBest() {
    if (isFetching || !hasSound || !last || last.best === bestShown) return;
    isFetching = true;
    const number_ = last.best;
    try {
      if (!targetPicture) {
        targetPicture = targetName ? (await api.get(api.path("targets", targetName))).notes[note].picture
          : await api.get(api.path("runs", runName, "notes", note, "target", "picture"));
        target.repaint();
      }
      bestPicture = await api.get(api.path("jobs", job.name, "best", note, "picture"));
      if (isLeft) return;
      best.repaint();
      bestShown = number_;
      if (!hasPlayer || player.isShown(playerKey)) {
        hasPlayer = true;
        player.showPair(playerKey, {
          target: targetPicture, match: bestPicture, title: `${job.title}, best so far`,
          targetSound: () => api.sound(targetSound),
          matchSound: () => api.sound(api.path("jobs", job.name, "best", note, "sound")),
        });
      }
      if (player.isShown(playerKey) && player.isMatchLoaded()) {
        await player.replaceMatch(playerKey, await api.sound(api.path("jobs", job.name, "best", note, "sound")), false);
      }
    } catch {
      // The next best will do; a search that ends in between has its last event.
    }
    isFetching = false;
    // Another one may have come meanwhile, and it may be the last.
    if (!isLeft && bestShown === number_ && last.best !== number_) showBest();
  }

  function showFigures() {
    replace(figure, h("span", { class: "large" }, "Distance ", h("b", { id: "loss" }, number(last.loss)), " (0 is identical)"),
      termWords(last.terms));
    if (isEnded) return;
    const share = last.seconds ? last.elapsed_s / last.seconds : last.evaluations / last.evals;
    bar.value = Math.min(1, share);
    const rest = last.seconds ? last.seconds - last.elapsed_s : (last.elapsed_s / Math.max(share, 1e-6)) * (1 - share);
    left.textContent = rest > 0 ? `${last.evaluations} tries, ${Math.ceil(rest)} s left` : `${last.evaluations} tries, the patch is being written`;
  }

  let isDue = false;
  function later() {
    if (isDue) return;
    isDue = true;
    requestAnimationFrame(() => {
      isDue = false;
      if (last) {
        showFigures();
        curves.repaint();
        showBest();
      }
    });
  }

  function setState(state) {
    status.textContent = STATES[state] || state;
    root.querySelector("#job").dataset.state = state;
  }

  const end = api.follow(job.name, async (event) => {
    if (event.kind === "begun" && job.state === "starting") setState("running");
    if (event.kind === "listening") left.textContent = `Making ready; ${event.text}.`;
    if (event.kind === "progress") {
      last = event;
      history.push(event);
      later();
    } else if (event.kind === "done") {
      isEnded = true;
      setState("done");
      bar.value = 1;
      left.textContent = "";
      store.told.add(job.name);
      if (!event.run) {
        replace(actions);
        if (event.text) say(event.text);
        return;
      }
      replace(actions, button("Show the patch", () => go({ view: "patch", run: event.run, target: targetName || null }), { class: "main", id: "show-patch" }));
      if (job.state === "done") return;
      await refresh();
      if (isLeft) return;
      // The patch is what one has waited for.
      if (inShape) inShape();
      else go({ view: "patch", run: event.run, job: null, target: store.state.runs.find((run) => run.name === event.run)?.target ?? null });
    } else if (event.kind === "failed" || event.kind === "lost") {
      isEnded = true;
      setState(event.kind);
      stop.remove();
      store.told.add(job.name);
      say(event.text || "The search was ended from outside; what it had is under Interrupted searches.", true);
      window.dispatchEvent(new Event("listed"));
    }
  });
  endFollowing = () => {
    isLeft = true;
    end();
  };
}
