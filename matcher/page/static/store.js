// What is chosen, in the address, so that a reload and a second window find it again.

import * as api from "./api.js";
import { newest } from "./player.js";

export { newest } from "./player.js";

export const VIEWS = [
  ["target", "Target"],
  ["match", "Match"],
  ["patch", "Patch"],
  ["shape", "Shape"],
  ["versions", "Versions"],
  ["how", "How it works"],
  ["compare", "Compare"],
  ["export", "Export"],
];

// `told` are the jobs of whose end somebody has heard.
export const store = { state: null, told: new Set() };

export function read() {
  const [view, query] = location.hash.replace(/^#\/?/, "").split("?");
  const chosen = new URLSearchParams(query || "");
  return {
    view: VIEWS.some(([name]) => name === view) ? view : "target",
    target: chosen.get("target"),
    run: chosen.get("run"),
    note: Number(chosen.get("note") || 0),
    job: chosen.get("job"),
  };
}

export function go(changes, isQuiet = false) {
  const now = { ...read(), ...changes };
  // Target and match belong together: the one that is chosen brings the other along.
  if ("run" in changes && !("target" in changes)) {
    const run = store.state?.runs.find((each) => each.name === changes.run);
    if (run) now.target = run.target;
  } else if ("target" in changes && !("run" in changes)) now.run = null;
  const query = new URLSearchParams();
  for (const key of ["target", "run", "job"]) if (now[key]) query.set(key, now[key]);
  if (now.note) query.set("note", now.note);
  const address = `#/${now.view}${query.size ? `?${query}` : ""}`;
  if (isQuiet) history.replaceState(null, "", address);
  else if (location.hash !== address) location.hash = address;
  else window.dispatchEvent(new HashChangeEvent("hashchange"));
}

// What the address leaves open. A target has its own matches, the newest first; a match that the
// command line has made from other files has no target here.
export function completed(chosen) {
  const { state } = store;
  const runs = state.runs.filter((run) => !run.problem);
  const target = state.targets.includes(chosen.target) ? chosen.target : null;
  const named = runs.find((run) => run.name === chosen.run);
  const first = target || named ? target : state.targets[0] || null;
  const run = named && (!target || named.target === target) ? named
    : first ? runs.find((each) => each.target === first) : runs[0];
  return { ...chosen, run: run?.name || null, target: first || run?.target || null };
}

const asking = newest();
export async function refresh() {
  const isNewest = asking();
  const state = await api.get("/api/state");
  if (isNewest() || !store.state) store.state = state;
  return state;
}

// Always asked for anew: another window, or the command line, may have changed it.
export const loadRun = (name) => api.get(api.path("runs", name));
