// Runs beside the page, in the audio thread: gathers the microphone's samples into blocks, and notices gaps.

const BLOCK = 256; // 6 ms at 44.1 kHz: short beside the time that deciding on a tap takes

class Gather extends AudioWorkletProcessor {
  block = new Float32Array(BLOCK);
  filled = 0;
  next = null;

  process([input]) {
    const samples = input[0];
    if (!samples) return true; // the microphone is not connected yet
    if (this.next !== null && currentFrame !== this.next) this.port.postMessage("lost");
    this.next = currentFrame + samples.length;
    for (let i = 0; i < samples.length; i += 1) {
      this.block[this.filled] = samples[i];
      this.filled += 1;
      if (this.filled === BLOCK) {
        this.port.postMessage(this.block.buffer, [this.block.buffer]);
        this.block = new Float32Array(BLOCK);
        this.filled = 0;
      }
    }
    return true;
  }
}

registerProcessor("gather", Gather);
