// Keys: on screen, on the computer's keyboard, or on a MIDI keyboard; all play the same voice.

import * as api from "./api.js";
import { attempt, button, h, keyName, newId, put, replace } from "./dom.js";
import { audioContext, decode, out } from "./player.js";

// A key that is let go sounds its own release: the same note is asked for once more with the time
// that it was held, and takes over at the same place.
const HELD_S = 4;
const AHEAD_S = 0.06;
const FADE_S = 0.012;
// Places on the keyboard, whatever is printed there: white keys from S on, black ones in the row above.
const PLACES = ["S", "E", "D", "R", "F", "G", "Y", "H", "U", "J", "I", "K", "L", "P"].map((sign) => `Key${sign}`).concat("Semicolon");
const OCTAVES = { PageUp: 12, PageDown: -12 };

// MIDI is allowed once for the page; the keys that are on the screen are the ones it plays.
let midiAccess = null;
let played = null;

export class Keys {
  constructor(run, getValues) {
    this.run = run;
    this.getValues = getValues;
    this.sounding = new Map();
    this.cache = new Map();
    this.patch = 0;
    this.low = 48;
    this.times = [];
  }

  // The patch has changed: what was kept is another sound.
  forget() {
    this.patch += 1;
    this.cache.clear();
  }

  async sound(pitch, velocity, gate) {
    // What is asked for before a change and comes in after it is kept under the old number.
    const key = `${this.patch} ${pitch} ${velocity} ${gate}`;
    if (!this.cache.has(key)) {
      const { data, gain } = await api.postForSound(api.path("runs", this.run, "key"),
        { midi_pitch: pitch, velocity, gate_s: gate, values: this.getValues() });
      const buffer = await decode(data);
      if (this.cache.size > 200) this.cache.clear();
      this.cache.set(key, { buffer, gain });
    }
    return this.cache.get(key);
  }

  async press(pitch, velocity) {
    if (this.sounding.has(pitch)) this.release(pitch);
    const pressed = performance.now();
    const voice = { isHeld: true, pressed };
    this.sounding.set(pitch, voice);
    this.mark(pitch, true);
    audioContext();
    await attempt(async () => {
      const { buffer, gain } = await this.sound(pitch, velocity, HELD_S);
      const audio = audioContext();
      voice.gain = gain;
      voice.velocity = velocity;
      voice.begun = audio.currentTime;
      voice.node = this.start(buffer, 0, 1, 0.002);
      this.times.push(performance.now() - pressed);
      this.root.dataset.answeredMs = String(Math.round(this.times.at(-1)));
      if (!voice.isHeld) this.letGo(pitch, voice);
    });
  }

  release(pitch) {
    const voice = this.sounding.get(pitch);
    if (!voice) return;
    this.sounding.delete(pitch);
    this.mark(pitch, false);
    voice.isHeld = false;
    if (voice.node) this.letGo(pitch, voice);
  }

  async letGo(pitch, voice) {
    const audio = audioContext();
    const held = audio.currentTime - voice.begun + AHEAD_S;
    if (held >= HELD_S) return;
    const gate = Math.max(0.02, Math.round(held * 50) / 50);
    const end = await attempt(() => this.sound(pitch, voice.velocity, gate));
    const place = audio.currentTime - voice.begun;
    if (end && place < end.buffer.duration) {
      this.start(end.buffer, place, Math.min(1, voice.gain / end.gain), FADE_S);
    }
    const now = audio.currentTime;
    voice.node.gain.gain.setTargetAtTime(0, now, FADE_S / 2);
    voice.node.source.stop(now + 0.1);
  }

  start(buffer, from, amount, fade) {
    const audio = audioContext();
    const source = audio.createBufferSource();
    const gain = audio.createGain();
    source.buffer = buffer;
    gain.gain.setValueAtTime(0, audio.currentTime);
    gain.gain.linearRampToValueAtTime(amount, audio.currentTime + fade);
    source.connect(gain).connect(out());
    source.start(audio.currentTime, from);
    return { source, gain };
  }

  mark(pitch, isDown) {
    const key = this.root?.querySelector(`[data-pitch="${pitch}"]`);
    if (key) key.classList.toggle("down", isDown);
  }

  element() {
    this.root = h("div", { class: "keys" });
    this.velocity = h("input", { type: "range", min: "1", max: "127", value: "100", id: newId("velocity") });
    this.said = h("span", { class: "quiet", role: "status" });
    const board = h("div", { class: "board", role: "group", "aria-label": "Keys" });
    this.board = board;
    this.fill();
    const velocityText = h("output", {}, "100");
    this.velocity.addEventListener("input", () => { velocityText.textContent = this.velocity.value; });
    played = this;
    if (midiAccess) this.connect();
    return put(this.root, board,
      h("div", { class: "row" },
        button("Octave down", () => this.shift(-12)), button("Octave up", () => this.shift(12)),
        h("label", { for: this.velocity.id }, "Velocity"), this.velocity, velocityText,
        button("Use a MIDI keyboard", () => this.midi()), this.said),
      h("p", { class: "quiet" }, "Play with the mouse, by touch, or, while a key has the focus, with the letters from S to the right (black keys in the row above); Page Up and Page Down change the octave."));
  }

  shift(by) {
    this.low = Math.min(96, Math.max(12, this.low + by));
    this.fill();
    this.board.querySelector("button").focus();
  }

  fill() {
    const wide = matchMedia("(max-width: 640px)").matches ? 13 : 25;
    const keys = [];
    for (let pitch = this.low; pitch < this.low + wide; pitch += 1) {
      const isBlack = keyName(pitch).includes("#");
      const key = h("button", { type: "button", class: isBlack ? "key black" : "key", "data-pitch": String(pitch),
        "aria-label": keyName(pitch), tabindex: pitch === this.low ? "0" : "-1" },
      keyName(pitch).startsWith("C") && !isBlack ? keyName(pitch) : "");
      keys.push(key);
    }
    replace(this.board, keys);
    this.listen();
  }

  listen() {
    const { board } = this;
    const pitchOf = (event) => Number(event.target.closest?.(".key")?.dataset.pitch ?? NaN);
    const velocity = () => Number(this.velocity.value);
    let touched = null;
    const change = (pitch) => {
      if (pitch === touched) return;
      if (touched !== null) this.release(touched);
      touched = Number.isFinite(pitch) ? pitch : null;
      if (touched !== null) this.press(touched, velocity());
    };
    board.onpointerdown = (event) => {
      event.target.releasePointerCapture?.(event.pointerId);
      change(pitchOf(event));
    };
    board.onpointerover = (event) => { if (touched !== null && event.buttons) change(pitchOf(event)); };
    board.onpointerup = board.onpointerleave = board.onpointercancel = () => change(NaN);
    const held = new Map();
    this.root.onkeydown = (event) => {
      if (event.ctrlKey || event.metaKey || event.altKey || event.target === this.velocity) return;
      const key = event.key.toLowerCase();
      if (event.key in OCTAVES) {
        event.preventDefault();
        if (!event.repeat) this.shift(OCTAVES[event.key]);
        return;
      }
      if (key === "arrowright" || key === "arrowleft") {
        const all = [...board.children];
        const at = all.indexOf(document.activeElement);
        if (at < 0) return;
        const next = all[Math.min(all.length - 1, Math.max(0, at + (key === "arrowright" ? 1 : -1)))];
        for (const each of all) each.tabIndex = each === next ? 0 : -1;
        next.focus();
        return;
      }
      const isPress = key === "enter" && Number.isFinite(pitchOf(event));
      const place = PLACES.indexOf(event.code);
      if (place < 0 && !isPress) return;
      event.preventDefault();
      if (event.repeat) return;
      const pitch = isPress ? pitchOf(event) : this.low + place;
      held.set(event.code, pitch);
      this.press(pitch, velocity());
    };
    this.root.onkeyup = (event) => {
      const pitch = held.get(event.code);
      if (pitch === undefined) return;
      held.delete(event.code);
      this.release(pitch);
    };
  }

  async midi() {
    if (!navigator.requestMIDIAccess) {
      this.said.textContent = "This browser has no Web MIDI; Chromium, Edge and Firefox do.";
      return;
    }
    try {
      midiAccess = await navigator.requestMIDIAccess();
      this.connect();
    } catch {
      this.said.textContent = "The browser didn't allow MIDI. Allow it for this address.";
    }
  }

  connect() {
    const inputs = [...midiAccess.inputs.values()];
    for (const input of inputs) {
      input.onmidimessage = (message) => { if (played.root.isConnected) played.hear(message.data); };
    }
    midiAccess.onstatechange = () => played.connect();
    this.said.textContent = inputs.length ? `Playing from ${inputs.map((input) => input.name).join(", ")}.`
      : "No MIDI keyboard is connected yet.";
  }

  // MIDI 1.0: 9n key velocity is note on, 8n (or velocity 0) note off.
  hear([status, pitch, velocity]) {
    const kind = status & 0xf0;
    if (kind === 0x90 && velocity > 0) this.press(pitch, velocity);
    else if (kind === 0x80 || kind === 0x90) this.release(pitch);
  }
}
