/*
 * The player of reports and of the page: sounds that are compared by ear.
 *
 * All sounds of a note start together on the clock of Web Audio and run on together; switching only
 * changes which of them is heard, so the position stays. Nothing plays before somebody asks for it,
 * and only one player plays at a time. A report holds this file as its only script, the page imports
 * it; so it imports nothing itself.
 *
 * Markup that becomes a player (without this script, its sounds have the browser's own controls):
 *
 *   <div data-player>
 *     <div data-note="horn C4" data-onset="0.02">      any number of notes
 *       <audio data-sound="Target" controls preload="none" src="data:..."></audio>
 *       <audio data-sound="Match" controls preload="none" src="data:..."></audio>
 *     </div>
 *   </div>
 *
 * and a single sound with one button:
 *
 *   <span data-clip="name of it"><audio controls preload="none" src="data:..."></audio></span>
 */

const FADE_S = 0.006;
const BEFORE_S = 0.02;
const ATTACK_S = 0.25;
const GAP_S = 0.35;
const LOOPS = [["once", "Once"], ["whole", "Whole"], ["attack", "Attack"]];

// Elements made by hand. Text from files and names only ever becomes text, never markup.

export function h(tag, properties = {}, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(properties || {})) {
    if (value === null || value === undefined || value === false) continue;
    if (name === "on") {
      for (const [event, listener] of Object.entries(value)) element.addEventListener(event, listener);
    } else if (name === "class") element.className = value;
    else if (name in element && typeof value !== "string") element[name] = value;
    else if (name === "value") element.value = value;
    else element.setAttribute(name, value === true ? "" : value);
  }
  return put(element, ...children);
}

export function put(element, ...children) {
  for (const child of children.flat(Infinity)) {
    if (child === null || child === undefined || child === false) continue;
    element.append(child instanceof Node ? child : document.createTextNode(String(child)));
  }
  return element;
}

export function button(text, listener, properties = {}) {
  return h("button", { type: "button", ...properties, on: { click: listener } }, text);
}

let count = 0;
export function newId(stem) {
  count += 1;
  return `${stem}-${count}`;
}

// A set of choices of which one holds, moved through with the arrow keys.
export function choice(legend, options, chosen, listener, className = "") {
  const name = newId("choice");
  return h("fieldset", { class: `choice ${className}` }, h("legend", {}, legend),
    options.map(([value, text]) => {
      const input = h("input", { type: "radio", name, value, checked: value === chosen,
        on: { change: () => listener(value) } });
      return h("label", {}, input, h("span", {}, text));
    }));
}

function mark(group, value) {
  for (const input of group.querySelectorAll("input")) input.checked = input.value === value;
}

// Answers may overtake each other. Each question takes a number; only the newest one's answer counts.
export function newest() {
  let asked = 0;
  return () => {
    asked += 1;
    const mine = asked;
    return () => mine === asked;
  };
}

// One audio context for everything that sounds, with a limiter and a level that starts low.

let context = null;
let master = null;
let meter = null;
const samples = new Float32Array(1024);

export function audioContext() {
  if (!context) {
    context = new AudioContext({ latencyHint: "interactive" });
    master = context.createGain();
    master.gain.value = level();
    // Single sounds are limited where they are written; chords add up, so the sum is limited here.
    const limiter = context.createDynamicsCompressor();
    limiter.threshold.value = -6;
    limiter.knee.value = 0;
    limiter.ratio.value = 20;
    limiter.attack.value = 0.001;
    limiter.release.value = 0.1;
    // The limiter adds gain of its own, (1 / its gain at full scale) ** 0.6 (Web Audio API, 1.19):
    // 3.4 dB with these settings, taken off again here.
    const ceiling = context.createGain();
    ceiling.gain.value = 0.67;
    meter = context.createAnalyser();
    meter.fftSize = samples.length;
    master.connect(limiter).connect(ceiling).connect(meter).connect(context.destination);
  }
  if (context.state === "suspended") context.resume();
  return context;
}

export const out = () => (audioContext(), master);
export const decode = (bytes) => audioContext().decodeAudioData(bytes);

// -12 dB to begin with: everybody can turn up, nobody can take a fright back. A report in a sandbox
// has no storage.
let chosenLevel = 0.25;
export function level() {
  try {
    return Number(sessionStorage.getItem("level") ?? chosenLevel);
  } catch {
    return chosenLevel;
  }
}
function setLevel(value) {
  chosenLevel = value;
  try {
    sessionStorage.setItem("level", String(value));
  } catch {
    // It holds as long as the page is open.
  }
  if (master) master.gain.setTargetAtTime(value, context.currentTime, 0.02);
}

export function loudness() {
  if (!meter) return 0;
  meter.getFloatTimeDomainData(samples);
  return Math.sqrt(samples.reduce((sum, sample) => sum + sample * sample, 0) / samples.length);
}

// A stretch of a sound, with short fades at its ends and silence after it.
function cut(sound, startS, endS, gapS) {
  const rate = sound.sampleRate;
  const first = Math.max(0, Math.round(startS * rate));
  const last = Math.min(sound.length, Math.round(endS * rate));
  const piece = context.createBuffer(1, Math.max(1, Math.round((endS - startS + gapS) * rate)), rate);
  const from = sound.getChannelData(0);
  const to = piece.getChannelData(0);
  const fade = Math.round(FADE_S * rate);
  for (let i = first; i < last; i += 1) to[i - first] = from[i] * Math.min(1, (i - first + 1) / fade, (last - i) / fade);
  return piece;
}

// Sources that run together until they are stopped; one of them is heard.
class Playback {
  constructor(buffers, { heard = 0, speed = 1, isRepeated = false, fromS = 0, onEnd }) {
    this.startS = context.currentTime + 0.03;
    this.lengthS = Math.max(...buffers.map((buffer) => buffer.duration));
    this.fromS = Math.min(fromS, this.lengthS);
    this.speed = speed;
    this.gains = [];
    this.sources = buffers.map((buffer, i) => {
      const source = new AudioBufferSourceNode(context, { buffer, playbackRate: speed, loop: isRepeated });
      const gain = new GainNode(context, { gain: i === heard ? 1 : 0 });
      this.gains.push(gain);
      source.connect(gain).connect(out());
      source.start(this.startS, Math.min(this.fromS, buffer.duration));
      return source;
    });
    this.sources[0].onended = onEnd;
  }

  fade(heard) {
    const now = context.currentTime;
    this.gains.forEach((gain, i) => {
      gain.gain.cancelScheduledValues(now);
      gain.gain.setValueAtTime(gain.gain.value, now);
      gain.gain.linearRampToValueAtTime(i === heard ? 1 : 0, now + FADE_S);
    });
  }

  get place() {
    return (this.fromS + Math.max(0, context.currentTime - this.startS) * this.speed) % this.lengthS;
  }

  stop() {
    this.sources[0].onended = null;
    this.fade(null);
    for (const source of this.sources) source.stop(context.currentTime + 2 * FADE_S);
  }
}

// What plays, or is about to; whoever begins ends it.
let playing = null;
function takeTurn(next) {
  if (playing !== next) playing?.stop();
  playing = next;
}

async function bufferOf(sound) {
  if (!sound.buffer) {
    const buffer = await decode(await sound.load());
    // It may have been replaced while it was fetched.
    sound.buffer ??= buffer;
  }
  return sound.buffer;
}

// Controls for notes of several sounds each: { name, onsetS, sounds: [{ name, load }] }. Where they go
// in the page is up to whoever makes the player.
export class Player {
  constructor(root, { loop = "once", onProblem, onState = () => {}, onMove = () => {} }) {
    Object.assign(this, { root, loop, onProblem, onState, onMove, heard: 0, speed: 1, playback: null, isLoading: false });
    this.asking = newest();
    const volume = h("input", { type: "range", min: "0", max: "1", step: "0.01", value: String(Math.sqrt(level())),
      id: newId("level"), on: { input: () => setLevel(volume.value ** 2) } });
    this.controls = {
      note: h("label", { class: "note", hidden: true }),
      play: button("Play", () => this.toggle(), { class: "main play" }),
      heard: h("div", {}),
      loop: choice("Loop", LOOPS, loop, (value) => this.change({ loop: value })),
      speed: choice("Speed", [["1", "Full"], ["0.5", "Half"]], "1", (value) => this.change({ speed: Number(value) })),
      level: h("div", { class: "level" }, h("label", { for: volume.id }, "Level"), volume),
    };
  }

  show(notes) {
    this.stop();
    this.notes = notes;
    const select = h("select", { on: { change: () => this.choose(Number(select.value)) } },
      notes.map((note, i) => h("option", { value: String(i) }, note.name)));
    this.controls.note.replaceChildren(h("span", {}, "Note"), select);
    this.controls.note.hidden = notes.length < 2;
    this.choose(0);
  }

  choose(number) {
    const isPlaying = this.isPlaying;
    this.note = this.notes[number];
    const { sounds } = this.note;
    this.heard = Math.min(this.heard, sounds.length - 1);
    this.controls.heard.replaceChildren(choice("Listen to", sounds.map((sound, i) => [String(i), sound.name]),
      String(this.heard), (value) => this.hear(Number(value)), "sides"));
    this.controls.heard.hidden = sounds.length < 2;
    if (isPlaying) this.start();
    else this.tell();
  }

  get isPlaying() {
    return this.playback !== null;
  }

  get durationS() {
    return Math.max(0, ...this.note.sounds.map((sound) => sound.buffer?.duration ?? 0));
  }

  // The part that repeats, in s; null where all is played once.
  get stretch() {
    if (this.loop === "once") return null;
    const { onsetS } = this.note;
    return this.loop === "whole" ? [0, this.durationS] : [Math.max(0, onsetS - BEFORE_S), onsetS + ATTACK_S];
  }

  get positionS() {
    return this.isPlaying ? Math.min(this.beginS + this.playback.place, this.durationS) : 0;
  }

  toggle() {
    if (this.isPlaying || this.isLoading) this.stop();
    else this.start();
  }

  async start(fromS = 0) {
    takeTurn(this);
    const isNewest = this.asking();
    // At the press itself, as browsers ask for.
    audioContext();
    this.isLoading = true;
    this.tell();
    try {
      await Promise.all(this.note.sounds.map(bufferOf));
      if (isNewest()) this.run(fromS);
    } catch (error) {
      if (!isNewest()) return;
      this.stop();
      this.onProblem(error);
    }
  }

  run(fromS) {
    this.playback?.stop();
    this.isLoading = false;
    const [beginS, endS] = this.stretch ?? [0, this.durationS];
    this.beginS = beginS;
    const pieces = this.note.sounds.map((sound) => cut(sound.buffer, beginS, endS, this.stretch ? GAP_S : 0));
    this.playback = new Playback(pieces, { heard: this.heard, speed: this.speed, isRepeated: Boolean(this.stretch),
      fromS: Math.max(0, fromS - beginS), onEnd: () => this.stop() });
    this.tell();
    this.follow();
  }

  stop() {
    this.asking();
    this.playback?.stop();
    this.playback = null;
    this.isLoading = false;
    if (playing === this) playing = null;
    this.tell();
  }

  next() {
    this.hear((this.heard + 1) % this.note.sounds.length);
  }

  hear(number) {
    this.heard = number;
    this.playback?.fade(number);
    mark(this.controls.heard, String(number));
    this.tell();
  }

  change(settings) {
    const { positionS } = this;
    Object.assign(this, settings);
    mark(this.controls.loop, this.loop);
    if (this.isPlaying) this.run(this.stretch ? 0 : positionS);
    this.tell();
  }

  replace(number, buffer) {
    this.note.sounds[number].buffer = buffer;
    if (this.isPlaying) this.run(this.positionS);
  }

  tell(problem) {
    if (!this.note) return;
    const state = this.isPlaying ? "Playing" : this.isLoading ? "Loading" : "Stopped";
    const sound = this.note.sounds[this.heard].name;
    this.root.dataset.state = state.toLowerCase();
    this.root.dataset.heard = sound;
    this.controls.play.textContent = state === "Stopped" ? "Play" : "Stop";
    this.onState(problem ?? (state === "Stopped" ? state : `${state}: ${sound}, ${this.note.name}`));
  }

  follow() {
    const { playback } = this;
    const step = () => {
      this.onMove(this.positionS / (this.durationS || 1), this.isPlaying);
      if (this.isPlaying && this.playback === playback) requestAnimationFrame(step);
    };
    step();
  }

  // What a key does here; each does one thing.
  action(key) {
    if (key === " ") return () => this.toggle();
    if (key === "x") return () => this.next();
    return LOOPS[key - 1] && (() => this.change({ loop: LOOPS[key - 1][0] }));
  }
}

// Where a key has a meaning of its own: text, lists, boxes, and buttons that play something themselves.
const OWN_KEYS = "select, textarea, input:not([type=range], [type=radio]), button.clip-button";

// Space plays and stops also where a button was pressed before: it has the focus, and Enter presses it.
export function listenToKeys(player, isOurs) {
  const action = (event) => {
    if (event.defaultPrevented || event.ctrlKey || event.metaKey || event.altKey) return null;
    if (event.target.closest?.(OWN_KEYS) || !isOurs(event)) return null;
    return player.action(event.key.toLowerCase());
  };
  document.addEventListener("keydown", (event) => {
    const does = action(event);
    if (!does) return;
    event.preventDefault();
    if (!event.repeat) does();
  });
  // Some browsers press a button when the key comes up.
  document.addEventListener("keyup", (event) => {
    if (event.key === " " && action(event)) event.preventDefault();
  });
}

// A button for one sound. What is shown may be shorter than its name, as in a list.
export function playButton(name, load, onProblem, { shown = name, ...properties } = {}) {
  const sound = { load };
  let playback = null;
  const asked = newest();
  const clip = { isClip: true, stop() {
    asked();
    playback?.stop();
    playback = null;
    if (playing === clip) playing = null;
    tell("stopped");
  } };
  const element = button(shown, async () => {
    if (element.dataset.state === "playing") {
      clip.stop();
      return;
    }
    takeTurn(clip);
    const isNewest = asked();
    audioContext();
    tell("playing");
    try {
      const buffer = await bufferOf(sound);
      if (isNewest()) playback = new Playback([cut(buffer, 0, buffer.duration, 0)], { onEnd: clip.stop });
    } catch (error) {
      if (!isNewest()) return;
      clip.stop();
      onProblem(error, element);
    }
  }, properties);
  element.classList.add("clip-button");
  const tell = (state) => {
    const say = (text) => (state === "playing" ? text.replace(/^Play/, "Stop") : text);
    element.dataset.state = state;
    element.textContent = say(shown);
    element.setAttribute("aria-label", say(name));
  };
  tell("stopped");
  return element;
}

export function stopClip() {
  if (playing?.isClip) playing.stop();
}

function bytesOf(audio) {
  const text = atob(audio.src.slice(audio.src.indexOf(",") + 1));
  return Uint8Array.from(text, (sign) => sign.charCodeAt(0)).buffer;
}

function makePlayer(root) {
  const notes = [...root.querySelectorAll("[data-note]")].map((part) => {
    part.hidden = true;
    const sounds = [...part.querySelectorAll("audio[data-sound]")].map((audio) => ({ name: audio.dataset.sound, load: () => bytesOf(audio) }));
    return { name: part.dataset.note, onsetS: Number(part.dataset.onset) || 0, sounds };
  });
  const line = h("i", {});
  const status = h("p", { class: "status", role: "status" });
  const player = new Player(root, { loop: "whole",
    onProblem: (error) => player.tell(`This sound can't be played here: ${error.message}`),
    onState: (text) => { status.textContent = text; },
    onMove: (share, isPlaying) => { line.style.width = isPlaying ? `${100 * share}%` : "0"; },
  });
  root.prepend(h("div", { class: "controls" }, Object.values(player.controls)),
    h("div", { class: "place", "aria-hidden": "true" }, line), status,
    h("p", { class: "keys" }, "Space plays and stops. While the player has the focus, X switches and 1 to 3 choose the loop. Half speed sounds an octave lower."));
  player.show(notes);
  listenToKeys(player, (event) => root.contains(event.target) || (event.key === " " && event.target === document.body));
}

function makeClip(root) {
  const audio = root.querySelector("audio");
  audio.hidden = true;
  root.append(playButton(`Play ${root.dataset.clip}`, () => bytesOf(audio),
    (_, element) => { element.textContent = "Can't be played here"; }, { shown: "Play", class: "play small" }));
}

document.querySelectorAll("[data-player]").forEach(makePlayer);
document.querySelectorAll("[data-clip]").forEach(makeClip);
