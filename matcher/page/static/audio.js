// One audio context for everything that sounds, with a limiter and a level that starts low.

let context = null;
let master = null;
let meter = null;
const samples = new Float32Array(1024);
const FADE_S = 0.008;

export function audioContext() {
  if (!context) {
    context = new AudioContext({ latencyHint: "interactive" });
    master = context.createGain();
    master.gain.value = level();
    // Single sounds are limited by the server; chords add up, so the sum is limited here.
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
    meter.fftSize = 1024;
    master.connect(limiter).connect(ceiling).connect(meter).connect(context.destination);
  }
  if (context.state === "suspended") context.resume();
  return context;
}

export const out = () => (audioContext(), master);

// -12 dB to begin with: everybody can turn up, nobody can take a fright back.
export const level = () => Number(sessionStorage.getItem("level") ?? 0.25);
export function setLevel(value) {
  sessionStorage.setItem("level", String(value));
  if (master) master.gain.setTargetAtTime(value, context.currentTime, 0.02);
}

export function loudness() {
  if (!meter) return 0;
  meter.getFloatTimeDomainData(samples);
  let sum = 0;
  for (const sample of samples) sum += sample * sample;
  return Math.sqrt(sum / samples.length);
}

export const decode = (data) => audioContext().decodeAudioData(data);

// As long as the longer one, so that repeats of both begin together.
const padded = new WeakMap();
function together(buffer, duration) {
  if (buffer.duration >= duration) return buffer;
  const known = padded.get(buffer);
  if (known && known.duration >= duration) return known;
  const longer = context.createBuffer(1, Math.ceil(duration * buffer.sampleRate), buffer.sampleRate);
  longer.copyToChannel(buffer.getChannelData(0), 0);
  padded.set(buffer, longer);
  return longer;
}

// Two sounds that run together; one of them is heard.
export class Pair {
  constructor() {
    this.buffers = { target: null, match: null };
    this.heard = "target";
    this.loop = null;
    this.speed = 1;
    this.isPlaying = false;
    this.onEnd = () => {};
  }

  set(which, buffer) {
    this.buffers[which] = buffer;
    if (this.isPlaying) this.play(this.position());
  }

  get duration() {
    const { target, match } = this.buffers;
    return Math.max(target ? target.duration : 0, match ? match.duration : 0);
  }

  position() {
    if (!this.isPlaying) return 0;
    let at = this.startedAt + (context.currentTime - this.begun) * this.speed;
    if (this.loop && at > this.loop[1]) {
      const length = this.loop[1] - this.loop[0];
      at = this.loop[0] + ((at - this.loop[0]) % length);
    }
    return Math.min(at, this.duration);
  }

  play(from = null) {
    const audio = audioContext();
    this.halt();
    const start = from ?? (this.loop ? this.loop[0] : 0);
    this.gains = {};
    this.sources = [];
    for (const which of ["target", "match"]) {
      if (!this.buffers[which]) continue;
      const buffer = together(this.buffers[which], this.duration);
      const source = audio.createBufferSource();
      const gain = audio.createGain();
      source.buffer = buffer;
      source.playbackRate.value = this.speed;
      if (this.loop) {
        source.loop = true;
        [source.loopStart, source.loopEnd] = this.loop;
      }
      gain.gain.setValueAtTime(0, audio.currentTime);
      gain.gain.linearRampToValueAtTime(which === this.heard ? 1 : 0, audio.currentTime + FADE_S);
      source.connect(gain).connect(out());
      source.start(audio.currentTime, Math.min(start, buffer.duration));
      this.gains[which] = gain;
      this.sources.push(source);
    }
    if (!this.sources.length) return;
    this.begun = audio.currentTime;
    this.startedAt = start;
    this.isPlaying = true;
    const longest = this.sources.reduce((a, b) => (b.buffer.duration > a.buffer.duration ? b : a));
    longest.onended = () => {
      if (this.sources.includes(longest)) {
        this.isPlaying = false;
        this.onEnd();
      }
    };
  }

  switchTo(which) {
    this.heard = which;
    if (!this.isPlaying) return;
    const now = context.currentTime;
    for (const [name, gain] of Object.entries(this.gains)) {
      gain.gain.cancelScheduledValues(now);
      gain.gain.setValueAtTime(gain.gain.value, now);
      gain.gain.linearRampToValueAtTime(name === which ? 1 : 0, now + FADE_S);
    }
  }

  change(settings) {
    const at = this.position();
    const was = this.isPlaying;
    Object.assign(this, settings);
    if (was) this.play(this.loop ? null : at);
  }

  halt() {
    if (!this.isPlaying) return;
    this.isPlaying = false;
    const now = context.currentTime;
    for (const gain of Object.values(this.gains)) gain.gain.setTargetAtTime(0, now, FADE_S / 3);
    for (const source of this.sources) source.stop(now + 0.05);
    this.sources = [];
  }
}

// A single sound, from the start; the one before ends, also if it comes in later.
let current = null;
export async function playOnce(load, onEnd = () => {}) {
  stopOnce();
  const mine = { onEnd };
  current = mine;
  try {
    audioContext();
    const buffer = await decode(await load());
    if (current !== mine) return;
    mine.source = context.createBufferSource();
    mine.gain = context.createGain();
    mine.source.buffer = buffer;
    mine.source.connect(mine.gain).connect(out());
    mine.source.onended = () => { if (current === mine) stopOnce(); };
    mine.source.start();
  } catch (error) {
    if (current === mine) stopOnce();
    throw error;
  }
}

export function stopOnce() {
  if (!current) return;
  const { source, gain, onEnd } = current;
  current = null;
  if (source) {
    gain.gain.setTargetAtTime(0, context.currentTime, 0.006);
    source.stop(context.currentTime + 0.04);
  }
  onEnd();
}
