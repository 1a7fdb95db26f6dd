// Changes by hand: every view shows the same patch. What is changed is kept in this window at once,
// so that a reload loses nothing, and becomes a version of the run as soon as the hand rests.

import * as api from "./api.js";

const RESTS_MS = 1200;
const key = (run) => `draft ${run}`;
let timer = null;
let saving = Promise.resolve();

export function valuesOf(run) {
  return JSON.parse(sessionStorage.getItem(key(run)) || "{}");
}

export function keepDraft(run, values) {
  if (Object.keys(values).length) sessionStorage.setItem(key(run), JSON.stringify(values));
  else sessionStorage.removeItem(key(run));
  tell(run);
}

// Where it can be seen: unsaved or saved, and as which version.
function tell(run, version = null) {
  window.dispatchEvent(new CustomEvent("draft", { detail: { run, version } }));
}

export const isUnsaved = (run) => Boolean(sessionStorage.getItem(key(run)));

export function saveWhenAtRest(run, note, onSaved) {
  clearTimeout(timer);
  timer = setTimeout(async () => {
    const version = await save(run, note());
    if (version) onSaved(version);
  }, RESTS_MS);
}

// One after the other. What can't be saved, as a search works on the run, stays here for later.
export function save(run, note = "") {
  clearTimeout(timer);
  saving = saving.catch(() => null).then(async () => {
    const values = valuesOf(run);
    if (!Object.keys(values).length) return null;
    const { version } = await api.post(api.path("runs", run, "set"), { values, note }).catch((error) => {
      // Only what may go well later is kept.
      if (!/in use|can't be changed|doesn't answer/.test(error.message)) keepDraft(run, {});
      throw error;
    });
    const now = valuesOf(run);
    for (const [name, value] of Object.entries(values)) if (now[name] === value) delete now[name];
    keepDraft(run, now);
    tell(run, version);
    return version;
  });
  return saving;
}

export const saveAll = () => Promise.all(Object.keys(sessionStorage).filter((name) => name.startsWith("draft "))
  .map((name) => save(name.slice(6))));
