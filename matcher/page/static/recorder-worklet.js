// Runs beside the sound: hands every block of samples over.
class RecorderProcessor extends AudioWorkletProcessor {
  process([input]) {
    if (input.length) this.port.postMessage(input[0].slice());
    return true;
  }
}
registerProcessor("recorder", RecorderProcessor);
