// How it works: what mattered, how exactly, and in which order to build it, with sound.

import * as api from "./api.js";
import { attempt, button, field, figures, h, number, playButton, replace, say, scrollable } from "./dom.js";
import * as player from "./foot.js";
import { loadRun, newest, refresh } from "./store.js";
import { noRun } from "./view-patch.js";

const VERDICTS = { needed: "needed", replaceable: "others can take over", inaudible: "not heard", absent: "off" };
const filling = newest();
// What is followed: what mattered, and the check of the keyboard.
const following = { explain: () => {}, keyboard: () => {} };
const range = { low: "C2", high: "C6" };

export function leave() {
  for (const kind of Object.keys(following)) {
    following[kind]();
    following[kind] = () => {};
  }
}

export async function show(root, chosen, state) {
  player.hide();
  if (!chosen.run) {
    noRun(root, "How it works", chosen);
    return;
  }
  const run = await attempt(() => loadRun(chosen.run));
  if (!run || chosen.isGone()) return;
  const body = h("div", { class: "stack", id: "why" });
  const seconds = h("input", { type: "number", min: "1", max: "86400", value: String(Math.max(10, Math.round(run.figures?.elapsed_s || 30))) });
  const status = h("span", { role: "status", id: "why-state", class: "quiet" });
  const start = button("Find out what mattered", async () => {
    const job = await attempt(() => api.post("/api/jobs", { kind: "explain", run: run.name, seconds: Number(seconds.value) }));
    if (job) {
      await refresh();
      follow(run, body, status, stop, job);
    }
  }, { class: "main", id: "explain" });
  const stop = button("Stop and keep", () => {}, { hidden: true });
  replace(root, h("h1", {}, "How it works"),
    h("p", { class: "lead" }, "What makes this sound this sound, what may be left out, how exactly each control has to be set, and in which order to build it."),
    h("div", { class: "card" }, h("div", { class: "row form-row" }, field("Time, s", seconds, "as long as the match does well"), start, stop, status)),
    body);
  const busy = state.jobs.filter((job) => job.settings.run === run.name && ["starting", "running", "stopping"].includes(job.state));
  const [explains, plays] = ["explain", "keyboard"].map((kind) => busy.find((job) => job.kind === kind));
  if (explains) follow(run, body, status, stop, explains);
  if (plays) followKeys(run, body, plays);
  await fill(run, body);
}

function follow(run, body, status, stop, job) {
  following.explain();
  status.textContent = "at work";
  stop.hidden = false;
  stop.onclick = () => attempt(() => api.post(api.path("jobs", job.name, "stop")));
  following.explain = api.follow(job.name, async (event) => {
    if (event.kind === "explained") await fill(run, body);
    if (["done", "failed", "lost"].includes(event.kind)) {
      stop.hidden = true;
      status.textContent = event.kind === "done" ? "done" : "";
      if (event.kind === "done") await fill(run, body);
      else say(event.text || "It was ended from outside.", true);
      window.dispatchEvent(new Event("listed"));
    }
  });
}

async function fill(run, body) {
  const isNewest = filling();
  const found = await attempt(() => api.get(api.path("runs", run.name, "why")));
  if (!found || !isNewest() || !body.isConnected) return;
  const { explanation } = found;
  if (!explanation) {
    replace(body, keyboardCheck(run, body, found.keyboard));
    return;
  }
  replace(body,
    !found.is_current && h("p", { class: "caution" }, "The patch has changed since; find out again for the current one."),
    explanation.build && buildOrder(run, explanation.build),
    explanation.parts && partsTable(explanation.parts),
    explanation.slack && slackTable(explanation.slack, found.slack_texts),
    keyboardCheck(run, body, found.keyboard),
    explanation.search && searchTable(explanation.search));
}

let checked = null;
function followKeys(run, body, job) {
  following.keyboard();
  checked = job.name;
  const end = api.follow(job.name, async (event) => {
    if (event.kind === "failed" || event.kind === "lost") say(event.text || "The check has ended unexpectedly.", true);
    if (["done", "failed", "lost"].includes(event.kind)) {
      checked = null;
      await fill(run, body);
      window.dispatchEvent(new Event("listed"));
    }
  });
  following.keyboard = () => {
    checked = null;
    end();
  };
}

function keyboardCheck(run, body, found) {
  const [low, high] = ["low", "high"].map((end) => {
    const input = h("input", { type: "text", size: 4, value: range[end], on: { change: () => { range[end] = input.value; } } });
    return input;
  });
  const isBusy = () => {
    start.disabled = true;
    start.textContent = "Measuring every key …";
  };
  const start = button("Check the keyboard", async () => {
    const job = await attempt(() => api.post("/api/jobs", { kind: "keyboard", run: run.name, low: low.value, high: high.value, step: 1 }));
    if (!job || !body.isConnected) return;
    isBusy();
    followKeys(run, body, job);
  }, { id: "check-keyboard" });
  if (checked) isBusy();
  const play = playButton("Play the scale", () => api.sound(api.path("runs", run.name, "why", "keyboard", "sound")));
  return h("section", { class: "card", id: "keyboard-check" }, h("h2", {}, "Over the keyboard"),
    h("div", { class: "row form-row" }, field("From", low), field("to", high), start, found && play),
    found && (found.findings.length ? h("ul", {}, found.findings.map((text) => h("li", {}, text)))
      : h("p", {}, `Nothing breaks from ${found.keys[0]?.pitch_name} to ${found.keys.at(-1)?.pitch_name}.`)),
    found && figures(api.path("runs", run.name, "why", "keyboard", "pictures"), found.pictures));
}

function buildOrder(run, build) {
  const play = (step) => playButton(`Play ${step === 0 ? "the plain patch" : `step ${step}`}`,
    () => api.sound(api.path("runs", run.name, "why", "build", String(step), "sound")), { class: "small" });
  return h("section", { class: "card" }, h("h2", {}, "In which order to build it"),
    h("ol", { class: "steps" },
      h("li", { value: 0 }, h("span", { class: "step-text" }, build.start_text), h("span", { class: "value" }, number(build.start_loss)), play(0)),
      build.steps.map((step) => h("li", { value: step.number },
        h("span", { class: "step-text" }, step.text), h("span", { class: "value" }, number(step.loss)), play(step.number)))),
    h("p", { class: "quiet" }, "Distance from the target after each step, 0 is identical; the step that helps most comes first."),
    build.left_out.length > 0 && h("p", { class: "quiet" }, `Set besides, and not heard: ${build.left_out.join("; ")}.`));
}

function partsTable({ parts, times }) {
  const columns = Object.keys(times);
  const most = Math.max(0.5, ...parts.flatMap((part) => columns.map((time) => part.by_time[time] || 0)));
  return h("section", { class: "card" }, h("h2", {}, "What each part brings"),
    h("p", { class: "quiet" }, "By how much the distance from the target would grow without the part."),
    scrollable("What each part brings", h("table", { class: "stacks" },
      h("thead", {}, h("tr", {}, h("th", { scope: "col" }, "Part"), h("th", { scope: "col" }, "Without it"),
        columns.map((time) => h("th", { scope: "col" }, time, h("span", { class: "quiet" }, ` ${times[time]}`))))),
      h("tbody", {}, parts.filter((part) => part.verdict !== "absent").map((part) => h("tr", {},
        h("th", { scope: "row", class: "wide" }, part.part, h("span", { class: `tag verdict-${part.verdict}` }, VERDICTS[part.verdict])),
        h("td", { class: "wide" }, part.sentence),
        columns.map((time) => {
          const value = part.by_time[time];
          const bar = h("span", { class: "bar", "aria-hidden": "true" });
          bar.style.width = `${Math.max(0, Math.min(100, (100 * (value || 0)) / most))}%`;
          return h("td", { class: "bar-cell", "data-label": time }, bar, h("span", {}, value === undefined ? "" : number(value)));
        })))))),
    parts.some((part) => part.verdict === "absent") && h("p", { class: "quiet" },
      `Off in this patch: ${parts.filter((part) => part.verdict === "absent").map((part) => part.part).join("; ")}.`));
}

function slackTable({ slacks, trade_offs: pairs }, texts) {
  return h("section", { class: "card" }, h("h2", {}, "How exactly each control has to be set"),
    scrollable("How exactly each control has to be set", h("table", { class: "stacks" },
      h("thead", {}, h("tr", {}, ["Control", "How exactly", "Sounds the same"].map((text) => h("th", { scope: "col" }, text)))),
      h("tbody", {}, slacks.map((slack) => h("tr", {}, h("th", { scope: "row", class: "wide" }, `${slack.part}, ${slack.label}`),
        h("td", {}, slack.exactness), h("td", { class: "rest" }, texts[slack.name].replace(" sounds the same", ""))))))),
    pairs.length > 0 && [h("h3", {}, "Controls that stand in for each other"), h("ul", {}, pairs.map((pair) => h("li", {}, pair.sentence)))]);
}

function searchTable({ measures, n_evaluations: count }) {
  return h("details", { class: "card" }, h("summary", {}, `Over the whole search (${count} tries)`),
    measures.map((measure) => h("div", {}, h("h3", {}, `${measure.method}, ${measure.scope}`), h("p", { class: "quiet" }, measure.meaning),
      h("ul", {}, Object.entries(measure.importances).slice(0, 8).map(([name, share]) => h("li", {}, `${name}: ${Math.round(100 * share)} %`))))));
}
