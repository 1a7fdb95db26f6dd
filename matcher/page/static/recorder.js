// A recording from an input, as a WAV file: samples as they come, nothing made smoother.

export class Recorder {
  constructor(onSecond) {
    this.onSecond = onSecond;
  }

  async start() {
    this.stream = await navigator.mediaDevices.getUserMedia({
      audio: { echoCancellation: false, noiseSuppression: false, autoGainControl: false },
    });
    this.context = new AudioContext();
    await this.context.audioWorklet.addModule("/static/recorder-worklet.js");
    this.node = new AudioWorkletNode(this.context, "recorder", { numberOfOutputs: 0 });
    this.pieces = [];
    this.length = 0;
    this.node.port.onmessage = ({ data }) => {
      // A minute is what a target may last.
      if (this.length < 60 * this.context.sampleRate) {
        this.pieces.push(data);
        const before = Math.floor(this.length / this.context.sampleRate);
        this.length += data.length;
        const seconds = Math.floor(this.length / this.context.sampleRate);
        if (seconds > before) this.onSecond(seconds);
      }
    };
    this.context.createMediaStreamSource(this.stream).connect(this.node);
  }

  async stop() {
    for (const track of this.stream.getTracks()) track.stop();
    const rate = this.context.sampleRate;
    await this.context.close();
    return wav(this.pieces, this.length, rate);
  }
}

// RIFF/WAVE, format 3: 32 bit floating point, one channel.
function wav(pieces, length, rate) {
  const view = new DataView(new ArrayBuffer(44 + 4 * length));
  const text = (at, word) => [...word].forEach((sign, i) => view.setUint8(at + i, sign.charCodeAt(0)));
  text(0, "RIFF");
  view.setUint32(4, 36 + 4 * length, true);
  text(8, "WAVEfmt ");
  view.setUint32(16, 16, true);
  view.setUint16(20, 3, true);
  view.setUint16(22, 1, true);
  view.setUint32(24, rate, true);
  view.setUint32(28, 4 * rate, true);
  view.setUint16(32, 4, true);
  view.setUint16(34, 32, true);
  text(36, "data");
  view.setUint32(40, 4 * length, true);
  let at = 44;
  for (const piece of pieces) {
    for (const sample of piece) {
      view.setFloat32(at, sample, true);
      at += 4;
    }
  }
  return view.buffer;
}
