// What is chosen, in the address, so that a reload and a second window find it again.

import * as api from "./api.js";
import { newest } from "./player.js";

export { newest } from "./player.js";

export const VIEWS = [
  ["target", "Target"],
  ["match", "Match"],
  ["listen", "Listen"],
  ["shape", "Shape"],
  ["versions", "Versions"],
  ["how", "How it works"],
  ["compare", "Compare"],
  ["export", "Export"],
];

export const store = { state: null };

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
  const query = new URLSearchParams();
  for (const key of ["target", "run", "job"]) if (now[key]) query.set(key, now[key]);
  if (now.note) query.set("note", now.note);
  const address = `#/${now.view}${query.size ? `?${query}` : ""}`;
  if (isQuiet) history.replaceState(null, "", address);
  else if (location.hash !== address) location.hash = address;
  else window.dispatchEvent(new HashChangeEvent("hashchange"));
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
