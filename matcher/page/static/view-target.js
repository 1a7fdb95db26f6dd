// Target: recordings in, what is heard in them, and corrections by hand.

import * as api from "./api.js";
import { attempt, button, field, h, milliseconds, number, playButton, replace, say } from "./dom.js";
import { canvas, paintLevels, paintSpectrogram } from "./draw.js";
import * as player from "./foot.js";
import { Recorder } from "./recorder.js";
import { go, newest, read, refresh } from "./store.js";

const ACCEPTED = ".wav,.flac,.aiff,.aif,.ogg,.mp3";
let recorder = null;
let recordButton = null;
let isPreparing = false;

export async function show(root, chosen, state) {
  player.hide();
  const notes = h("div", { class: "stack", id: "notes" });
  replace(root, h("h1", {}, "Target"),
    h("p", { class: "lead" }, "Give the sound that you want: one recording, several notes, or one file with several notes. Use recordings that you may use."),
    dropArea(chosen), notes);
  const name = chosen.target;
  if (!name || !state.targets.includes(name)) return;
  replace(notes, h("p", { class: "quiet", role: "status" }, "Listening to the recording …"));
  const target = await attempt(() => api.get(api.path("targets", name)));
  if (chosen.isGone()) return;
  if (target) showNotes(notes, target);
  else notes.replaceChildren();
}

function dropArea(chosen) {
  const input = h("input", { type: "file", id: "recordings", multiple: true, accept: ACCEPTED,
    on: { change: () => take([...input.files], adds.checked ? chosen.target : null) } });
  const adds = h("input", { type: "checkbox", id: "adds" });
  recordButton = button(recorder ? "Stop recording" : "Record from an input",
    () => toggleRecording(() => (adds.checked ? chosen.target : null)), { id: "record" });
  const area = h("div", { class: "drop card" },
    h("p", {}, h("label", { for: "recordings", class: "big" }, "Drop recordings here, or choose them"), input),
    h("p", { class: "quiet" }, "WAV, FLAC, AIFF, OGG or MP3. Names such as horn_C4_v100.wav tell pitch and velocity. Several files dropped together become the notes of one target."),
    h("div", { class: "row" }, recordButton,
      chosen.target && h("label", { class: "check" }, adds, ` add to ${chosen.target} as another note`)));
  for (const kind of ["dragover", "dragenter"]) {
    area.addEventListener(kind, (event) => { event.preventDefault(); area.classList.add("over"); });
  }
  area.addEventListener("dragleave", () => area.classList.remove("over"));
  area.addEventListener("drop", (event) => {
    event.preventDefault();
    area.classList.remove("over");
    take([...event.dataTransfer.files], adds.checked ? chosen.target : null);
  });
  return area;
}

async function take(files, to) {
  let name = to;
  for (const file of files) {
    say(`Reading ${file.name} …`);
    const added = await attempt(() => addFile(file, name));
    if (!added) break;
    name = added.name;
  }
  if (!name || name === to) return;
  if (!document.querySelector("#message .problem")) say(files.length > 1 ? `${files.length} recordings are in ${name}.` : `${name} is here.`);
  await refresh();
  if (read().view === "target") go({ target: name });
}

// A sound in which no pitch is found is asked for its key, and given once more with it.
async function addFile(file, to, fileName = file.name) {
  const query = { name: fileName, ...(to && { to }) };
  for (let pitch = null; ;) {
    try {
      return await api.upload("/api/targets", { ...query, ...(pitch && { pitch }) }, file);
    } catch (error) {
      if (!error.needsPitch) throw error;
      pitch = await askPitch(fileName, error.message, pitch);
      if (!pitch) return null;
    }
  }
}

function askPitch(name, text, before) {
  return new Promise((resolve) => {
    const input = h("input", { type: "text", size: 5, value: before || "C4", id: "given-pitch" });
    const end = (value) => { area.remove(); say(""); resolve(value); };
    const area = h("form", { class: "card row form-row", id: "ask-pitch", on: { submit: (event) => { event.preventDefault(); end(input.value.trim()); } } },
      h("p", { class: "whole" }, h("b", {}, name), `: ${text}`), field("Key that is to play it", input),
      h("button", { type: "submit", class: "main" }, "Use this key"), button("Leave it out", () => end(null)));
    document.getElementById("notes").before(area);
    input.focus();
    say("");
  });
}

async function toggleRecording(where) {
  if (isPreparing) return;
  isPreparing = true;
  await attempt(async () => {
    if (recorder) {
      const recorded = recorder;
      recorder = null;
      recordButton.textContent = "Record from an input";
      const content = await recorded.stop();
      const added = await addFile(content, where(), "recording.wav");
      if (!added) return;
      await refresh();
      if (read().view === "target") go({ target: added.name });
      return;
    }
    if (!navigator.mediaDevices) throw new Error("This browser lets no page record at this address. Open 127.0.0.1.");
    const begun = new Recorder((seconds) => { recordButton.textContent = `Stop recording, ${seconds} s`; });
    try {
      await begun.start();
    } catch (error) {
      throw new Error(`The input can't be recorded: ${error.message}. Allow it in the browser, or choose a file.`);
    }
    recorder = begun;
    recordButton.textContent = "Stop recording";
  });
  isPreparing = false;
}

// A field in which somebody writes keeps the focus, and what is written, when the notes come anew.
function keepingFocus(root, build, isRefused) {
  const before = document.activeElement;
  const { id, value } = before || {};
  const isWritten = value !== undefined && value !== before.defaultValue;
  build();
  if (!id || before.isConnected) return;
  const after = root.querySelector(`#${CSS.escape(id)}`);
  if (!after) return;
  if (isWritten && !isRefused) after.value = value;
  after.focus({ preventScroll: true });
}

function showNotes(root, target, isRefused = false) {
  keepingFocus(root, () => buildNotes(root, target), isRefused);
}

function buildNotes(root, target) {
  const again = (changed, isRefused) => { if (root.isConnected) showNotes(root, changed, isRefused); };
  const files = new Set(target.notes.map((note) => note.file));
  replace(root,
    h("div", { class: "row spread" },
      h("h2", {}, target.notes.length === 1 ? target.name : `${target.name}: ${target.notes.length} notes`),
      h("div", { class: "row" },
        files.size === 1 && splitBox(target, again),
        button("Match this target", () => go({ view: "match", target: target.name }), { class: "main" }))),
    target.notes.map((note, i) => noteCard(target, note, i, corrections(target, again), again)));
}

// Corrections go one after the other, each with all that were made before it.
let sending = Promise.resolve();
function corrections(target, again) {
  const asking = newest();
  target.said ??= target.notes.map((note) => ({ ...note.given }));
  return (i, changes) => {
    const isNewest = asking();
    Object.assign(target.said[i], changes);
    sending = sending.then(async () => {
      const changed = await attempt(() => api.post(api.path("targets", target.name, "notes"), { notes: target.said }));
      if (!changed) target.said = null;
      if (isNewest()) again(changed || target, !changed);
    });
  };
}

function splitBox(target, again) {
  const times = h("input", { type: "text", size: 14, placeholder: "0.1, 1.2, 2.5", "aria-label": "Times in s at which the notes begin" });
  const run = async (list) => {
    const changed = await attempt(() => api.post(api.path("targets", target.name, "split"), { times_s: list }));
    if (changed) {
      again(changed);
      say(changed.notes.length === 1 ? "One note was found." : `${changed.notes.length} notes were found.`);
    }
  };
  const read = () => {
    const list = times.value.split(/[,;\s]+/).filter(Boolean).map(Number);
    if (!list.length || list.some((time) => !Number.isFinite(time))) say("Times are numbers in seconds, such as 0.1, 1.2, 2.5.", true);
    else run(list);
  };
  return h("details", { class: "small-box" }, h("summary", {}, "Several notes in this file?"),
    h("div", { class: "row" }, button("Find the notes", () => run(null)), times, button("Cut here", read)));
}

function noteCard(target, note, i, correct, again) {
  const marks = [[note.onset_s, "attack"], [note.onset_s + note.gate_s, "key let go"]];
  const label = `${note.name}: attack at ${milliseconds(note.onset_s)}, key let go at ${milliseconds(note.onset_s + note.gate_s)}`;
  const levels = canvas(`Level of ${label}`, "levels drag", (context, width, height) =>
    paintLevels(context, width, height, { target: note.picture, marks }));
  const picture = canvas(`Spectrogram of ${label}`, "spectrogram", (context, width, height) =>
    paintSpectrogram(context, width, height, note.picture));
  const fields = correctionFields(note, i, correct);
  dragMarks(levels, note, fields, (at) => { marks[0][0] = at.onset; marks[1][0] = at.onset + at.gate; levels.repaint(); });
  const play = playButton("Play", () => api.sound(api.path("targets", target.name, "notes", i, "sound")));
  return h("article", { class: "card note" },
    h("div", { class: "row spread" }, h("h3", {}, note.name),
      h("div", { class: "row" }, play,
        target.notes.length > 1 && button("Leave out", async () => {
          const changed = await attempt(() => api.remove(api.path("targets", target.name, "notes", i)));
          if (changed) again(changed);
        }))),
    h("div", { class: "pictures" }, levels, picture),
    h("div", { class: "row facts" }, facts(note).map(([name, value]) => h("span", {}, h("b", {}, value), ` ${name}`))),
    fields.element,
    note.warnings.length > 0 && h("ul", { class: "notes" }, note.warnings.map((text) => h("li", {}, text))));
}

function facts(note) {
  const { heard } = note;
  const all = [
    ["level", `${number(note.level_db, 1)} dBFS`],
    ["noise", note.noise_floor_db <= -119.9 ? "no pause to measure it in" : `${number(-note.noise_floor_db, 0)} dB below the peak`],
    ["attack", milliseconds(heard.attack_s)],
    ["brightness at the attack", `${number(heard.brightness_peak_hz, 0)} Hz`],
  ];
  if (heard.vibrato_rate_hz) all.push(["vibrato", `${number(heard.vibrato_rate_hz, 1)} Hz, ${number(heard.vibrato_depth_cents, 0)} cents`]);
  if (heard.beating_hz) all.push(["beating", `${number(heard.beating_hz, 2)} Hz`]);
  if (heard.pitch_hz) all.push(["measured pitch", `${number(heard.pitch_hz, 1)} Hz`]);
  return all;
}

// An emptied field is as it was measured.
const numberIn = (input, unit = 1) => (input.value === "" ? null : Number(input.value) * unit);

function correctionFields(note, i, correct) {
  const isGiven = (name) => note.given[name] !== undefined;
  const pitch = h("input", { type: "text", size: 14, value: isGiven("pitch") ? String(note.given.pitch) : note.pitch });
  const velocity = h("input", { type: "number", min: "1", max: "127", step: "1", value: String(note.velocity) });
  const gate = h("input", { type: "number", min: "10", max: "60000", step: "1", value: String(Math.round(1000 * note.gate_s)) });
  const onset = h("input", { type: "number", min: "0", step: "0.001", value: note.source_onset_s.toFixed(3) });
  const rows = [
    ["pitch", "Pitch", pitch, () => pitch.value.trim() || null],
    ["velocity", "Velocity", velocity, () => numberIn(velocity)],
    ["gate_s", "Key held, ms", gate, () => numberIn(gate, 0.001)],
    ["onset_s", "Attack begins in the file, s", onset, () => numberIn(onset)],
  ];
  const save = (changes) => correct(i, changes);
  const estimated = { pitch: "pitch", velocity: "velocity", gate_s: "gate", onset_s: "onset" };
  const element = h("div", { class: "row fields" }, rows.map(([name, label, input, read]) => {
    input.id = `note-${i}-${name}`;
    let known = input.value;
    for (const kind of ["change", "blur"]) {
      input.addEventListener(kind, () => {
        if (input.value === known || !input.isConnected) return;
        known = input.value;
        save({ [name]: read() });
      });
    }
    const origin = isGiven(name) ? "by hand" : !note.estimated.includes(estimated[name]) ? "from the name" : name === "velocity" ? "assumed" : "measured";
    return h("div", { class: "with-origin" }, field(label, input),
      h("span", { class: `origin ${isGiven(name) ? "hand" : ""}` }, origin),
      isGiven(name) && button("Back to what was measured", () => save({ [name]: null }), { class: "small", "aria-label": `${label}: back to what was measured` }));
  }));
  return { element, save };
}

// Onset and end of the key are dragged on the picture; the fields do the same by keyboard.
function dragMarks(element, note, fields, onMove) {
  const at = { onset: note.onset_s, gate: note.gate_s };
  let held = null;
  let isMoved = false;
  const time = (event) => {
    const box = element.getBoundingClientRect();
    return Math.min(1, Math.max(0, (event.clientX - box.left) / box.width)) * note.picture.duration_s;
  };
  element.addEventListener("pointerdown", (event) => {
    const moment = time(event);
    const end = at.onset + at.gate;
    held = Math.abs(moment - at.onset) < Math.abs(moment - end) ? "onset" : "gate";
    isMoved = false;
    element.setPointerCapture(event.pointerId);
  });
  element.addEventListener("pointermove", (event) => {
    if (!held) return;
    isMoved = true;
    if (held === "onset") at.onset = time(event);
    else at.gate = Math.max(0.01, time(event) - at.onset);
    onMove(at);
  });
  element.addEventListener("pointerup", () => {
    if (isMoved && held === "gate") fields.save({ gate_s: Number(at.gate.toFixed(4)) });
    if (isMoved && held === "onset") fields.save({ onset_s: Number(Math.max(0, note.source_onset_s + at.onset - note.onset_s).toFixed(4)) });
    held = null;
  });
}
