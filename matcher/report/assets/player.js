/*
 * Players of reports and of the page: sounds that are compared by ear.
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
 *   <span data-clip="Step 1"><audio controls preload="none" src="..."></audio></span>
 *
 * All sounds of a note start together and run on together; switching only changes which of them
 * is heard, so the position stays. Nothing plays before somebody asks for it, and only one player
 * plays at a time. Sources may be data: addresses or files of the same site.
 *
 * For markup that is added later: earwrightPlayers.enhance(element).
 */
(() => {
  "use strict";

  const FADE_S = 0.006;
  const BEFORE_S = 0.02;
  const ATTACK_S = 0.25;
  const GAP_S = 0.35;
  const FIRST_LEVEL = 50;
  const PARTS = [
    ["whole", "Whole note"],
    ["attack", "Attack"],
    ["slow", "Attack at half speed"],
  ];

  let context = null;
  let playing = null;
  let count = 0;

  /* Start the sound system at the first press of a button, as browsers ask for. */
  function soundSystem() {
    if (context === null) context = new AudioContext();
    return context.state === "suspended" ? context.resume().then(() => context) : context;
  }

  async function bytesOf(address) {
    if (!address.startsWith("data:")) {
      const answer = await fetch(address);
      if (!answer.ok) throw new Error(`${address} can't be loaded (${answer.status})`);
      return answer.arrayBuffer();
    }
    const text = atob(address.slice(address.indexOf(",") + 1));
    return Uint8Array.from(text, (sign) => sign.charCodeAt(0)).buffer;
  }

  const decoded = new WeakMap();
  function soundOf(audio, system) {
    if (!decoded.has(audio)) {
      const sound = bytesOf(audio.src).then((bytes) => system.decodeAudioData(bytes));
      sound.catch(() => decoded.delete(audio));
      decoded.set(audio, sound);
    }
    return decoded.get(audio);
  }

  /* Cut a stretch out of a sound, with short fades at its ends and silence after it. */
  function cut(system, sound, startS, endS, gapS) {
    const rate = sound.sampleRate;
    const first = Math.max(0, Math.round(startS * rate));
    const last = Math.min(sound.length, Math.round(endS * rate));
    const piece = system.createBuffer(1, Math.max(1, Math.round((endS - startS + gapS) * rate)), rate);
    const from = sound.getChannelData(0);
    const to = piece.getChannelData(0);
    const fade = Math.round(FADE_S * rate);
    for (let i = first; i < last; i += 1) {
      const ends = Math.min(1, (i - first + 1) / fade, (last - i) / fade);
      to[i - first] = from[i] * ends;
    }
    return piece;
  }

  /* Something that sounds until it is stopped: sources that run together, one of them heard. */
  class Playback {
    constructor(system, buffers, { heard, level, rate, isRepeated, onEnd }) {
      this.system = system;
      this.master = system.createGain();
      this.master.gain.value = level;
      this.master.connect(system.destination);
      this.gains = [];
      this.startS = system.currentTime + 0.03;
      this.lengthS = Math.max(...buffers.map((buffer) => buffer.duration)) / rate;
      this.sources = buffers.map((buffer, i) => {
        const source = system.createBufferSource();
        source.buffer = buffer;
        source.playbackRate.value = rate;
        source.loop = isRepeated;
        const gain = system.createGain();
        gain.gain.value = i === heard ? 1 : 0;
        this.gains.push(gain);
        source.connect(gain).connect(this.master);
        source.start(this.startS);
        return source;
      });
      this.sources[0].onended = onEnd;
    }

    hear(heard) {
      const now = this.system.currentTime;
      this.gains.forEach((gain, i) => {
        gain.gain.cancelScheduledValues(now);
        gain.gain.setValueAtTime(gain.gain.value, now);
        gain.gain.linearRampToValueAtTime(i === heard ? 1 : 0, now + FADE_S);
      });
    }

    turn(level) {
      this.master.gain.setTargetAtTime(level, this.system.currentTime, 0.02);
    }

    /* Where in the sound we are, 0 to 1. */
    get place() {
      const passed = Math.max(0, this.system.currentTime - this.startS);
      return (passed % this.lengthS) / this.lengthS;
    }

    stop() {
      const now = this.system.currentTime;
      this.sources[0].onended = null;
      this.master.gain.cancelScheduledValues(now);
      this.master.gain.setValueAtTime(this.master.gain.value, now);
      this.master.gain.linearRampToValueAtTime(0, now + FADE_S);
      this.sources.forEach((source) => source.stop(now + 2 * FADE_S));
      setTimeout(() => this.master.disconnect(), 200);
    }
  }

  function element(name, properties = {}, ...children) {
    const made = Object.assign(document.createElement(name), properties);
    made.append(...children);
    return made;
  }

  /* A group of radio buttons; arrow keys move within it, as in any form. */
  function choice(legend, entries, onChange) {
    count += 1;
    const group = element("fieldset", { className: "choice" }, element("legend", { textContent: legend }));
    entries.forEach(([value, text], i) => {
      const input = element("input", { type: "radio", name: `choice-${count}`, value, checked: i === 0 });
      input.addEventListener("change", () => onChange(value));
      group.append(element("label", {}, input, element("span", { textContent: text })));
    });
    return group;
  }

  function pick(group, value) {
    const input = [...group.querySelectorAll("input")].find((each) => each.value === value);
    if (input && !input.checked) {
      input.checked = true;
      input.dispatchEvent(new Event("change"));
    }
  }

  class Player {
    constructor(root) {
      this.root = root;
      this.notes = [...root.querySelectorAll("[data-note]")].map((part) => ({
        name: part.dataset.note,
        onsetS: Number(part.dataset.onset) || 0,
        part,
        sounds: [...part.querySelectorAll("audio[data-sound]")],
      }));
      this.note = this.notes[0];
      this.heard = 0;
      this.part = "whole";
      this.isRepeated = true;
      this.playback = null;
      this.build();
      this.tell("Stopped");
    }

    build() {
      this.notes.forEach((note) => {
        note.part.hidden = true;
      });
      this.button = element("button", { type: "button", className: "play" });
      this.button.addEventListener("click", () => this.toggle());
      this.sounds = element("div", { className: "sounds" });
      this.parts = choice("Part", PARTS, (value) => this.choosePart(value));
      const repeat = element("input", { type: "checkbox", checked: true });
      repeat.addEventListener("change", () => this.repeat(repeat.checked));
      this.level = element("input", { type: "range", min: 0, max: 100, value: FIRST_LEVEL });
      this.level.addEventListener("input", () => this.playback?.turn(this.gain));
      this.bar = element("div", { className: "place" }, element("i"));
      this.bar.setAttribute("aria-hidden", "true");
      this.status = element("p", { className: "status" });
      this.status.setAttribute("role", "status");
      const controls = element("div", { className: "controls" });
      if (this.notes.length > 1) controls.append(this.noteChoice());
      controls.append(
        this.button,
        this.sounds,
        this.parts,
        element("label", { className: "repeat" }, repeat, " Repeat"),
        element("label", { className: "level" }, element("span", { textContent: "Level" }), this.level),
      );
      const keys = element("p", {
        className: "keys",
        textContent:
          "Keys while the player has the focus: P plays and stops, X switches, 1 to 3 choose the part.",
      });
      this.root.prepend(controls, this.bar, this.status, keys);
      this.root.addEventListener("keydown", (event) => this.key(event));
      this.offerSounds();
    }

    noteChoice() {
      const select = element("select");
      this.notes.forEach((note, i) => {
        select.append(element("option", { value: String(i), textContent: note.name }));
      });
      select.addEventListener("change", () => {
        this.note = this.notes[Number(select.value)];
        this.offerSounds();
        this.again();
      });
      return element("label", { className: "note" }, element("span", { textContent: "Note" }), select);
    }

    offerSounds() {
      this.heard = Math.min(this.heard, this.note.sounds.length - 1);
      const entries = this.note.sounds.map((audio, i) => [String(i), audio.dataset.sound]);
      this.choice = choice("Sound", entries, (value) => this.hear(Number(value)));
      this.choice.classList.add("sides");
      this.sounds.replaceChildren(this.choice);
      pick(this.choice, String(this.heard));
    }

    get gain() {
      const share = Number(this.level.value) / 100;
      return share * share;
    }

    async toggle() {
      if (this.playback) this.stop();
      else await this.start();
    }

    async start() {
      playing?.stop();
      playing = this;
      this.tell("Loading");
      this.request = (this.request ?? 0) + 1;
      const request = this.request;
      try {
        const system = await soundSystem();
        const sounds = await Promise.all(this.note.sounds.map((audio) => soundOf(audio, system)));
        // Somebody may have pressed another button meanwhile.
        if (request !== this.request || playing !== this) return;
        this.playback = new Playback(system, this.pieces(system, sounds), {
          heard: this.heard,
          level: this.gain,
          rate: this.part === "slow" ? 0.5 : 1,
          isRepeated: this.isRepeated || this.part !== "whole",
          onEnd: () => this.stop(),
        });
        this.tell("Playing");
        this.draw();
      } catch (error) {
        this.stop();
        this.tell("Stopped", `This sound can't be played here: ${error.message}`);
      }
    }

    pieces(system, sounds) {
      const endS = Math.max(...sounds.map((sound) => sound.duration));
      const { onsetS } = this.note;
      return sounds.map((sound) =>
        this.part === "whole"
          ? cut(system, sound, 0, endS, this.isRepeated ? GAP_S : 0)
          : cut(system, sound, Math.max(0, onsetS - BEFORE_S), onsetS + ATTACK_S, GAP_S),
      );
    }

    stop() {
      this.request = (this.request ?? 0) + 1;
      this.playback?.stop();
      this.playback = null;
      if (playing === this) playing = null;
      this.tell("Stopped");
    }

    /* Begin anew with what was changed, if something is playing. */
    again() {
      if (this.playback) this.start();
      else this.tell("Stopped");
    }

    hear(heard) {
      this.heard = heard;
      this.playback?.hear(heard);
      this.tell(this.playback ? "Playing" : "Stopped");
    }

    choosePart(part) {
      this.part = part;
      this.again();
    }

    repeat(isRepeated) {
      this.isRepeated = isRepeated;
      this.again();
    }

    tell(state, text) {
      const isPlaying = state !== "Stopped";
      const sound = this.note.sounds[this.heard].dataset.sound;
      this.root.dataset.state = state.toLowerCase();
      this.root.dataset.heard = sound;
      this.button.textContent = isPlaying ? "Stop" : "Play";
      this.status.textContent = text ?? (isPlaying ? `${state}: ${sound}, ${this.note.name}` : state);
    }

    draw() {
      const line = this.bar.firstElementChild;
      const step = () => {
        line.style.width = this.playback ? `${100 * this.playback.place}%` : "0";
        if (this.playback) requestAnimationFrame(step);
      };
      step();
    }

    key(event) {
      if (event.ctrlKey || event.metaKey || event.altKey || event.target.matches("select")) return;
      const key = event.key.toLowerCase();
      const part = PARTS[Number(key) - 1];
      if (key === "p") this.toggle();
      else if (key === "x") pick(this.choice, String((this.heard + 1) % this.note.sounds.length));
      else if (part) pick(this.parts, part[0]);
      else return;
      event.preventDefault();
    }
  }

  /* One sound, one button. */
  class Clip {
    constructor(root) {
      this.root = root;
      this.audio = root.querySelector("audio");
      this.name = root.dataset.clip;
      this.playback = null;
      this.audio.hidden = true;
      this.button = element("button", { type: "button", className: "play small" });
      this.button.addEventListener("click", () => (this.playback ? this.stop() : this.start()));
      root.append(this.button);
      this.tell();
    }

    async start() {
      playing?.stop();
      playing = this;
      try {
        const system = await soundSystem();
        const sound = await soundOf(this.audio, system);
        if (playing !== this || this.playback) return;
        this.playback = new Playback(system, [cut(system, sound, 0, sound.duration, 0)], {
          heard: 0,
          level: (FIRST_LEVEL / 100) ** 2,
          rate: 1,
          isRepeated: false,
          onEnd: () => this.stop(),
        });
        this.tell();
      } catch (error) {
        this.stop();
        this.button.textContent = "Can't be played here";
      }
    }

    stop() {
      this.playback?.stop();
      this.playback = null;
      if (playing === this) playing = null;
      this.tell();
    }

    tell() {
      this.root.dataset.state = this.playback ? "playing" : "stopped";
      this.button.textContent = this.playback ? "Stop" : "Play";
      this.button.setAttribute("aria-label", `${this.button.textContent} ${this.name}`);
    }
  }

  function enhance(scope) {
    scope.querySelectorAll("[data-player]:not([data-state])").forEach((root) => new Player(root));
    scope.querySelectorAll("[data-clip]:not([data-state])").forEach((root) => new Clip(root));
  }

  window.earwrightPlayers = { enhance };
  if (document.readyState === "loading") {
    document.addEventListener("DOMContentLoaded", () => enhance(document));
  } else {
    enhance(document);
  }
})();
