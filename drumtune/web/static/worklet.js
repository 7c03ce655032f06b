// Collects the microphone's samples and hands them on in blocks, each with the number of its first frame.
class Blocks extends AudioWorkletProcessor {
  constructor() {
    super();
    this.size = 1024;
    this.block = new Float32Array(this.size);
    this.used = 0;
    this.frame = 0; // frames handed on
    this.port.onmessage = (event) => { this.frame += this.used + event.data; this.used = 0; }; // so many went by unheard
    this.skip = Math.round(0.1 * sampleRate); // frames jump while the microphone opens
  }

  process(inputs) {
    const channel = inputs[0] && inputs[0][0];
    const count = channel ? channel.length : 128;
    if (this.skip > 0) { this.skip -= count; return true; }
    for (let i = 0; i < count; i += 1) {
      this.block[this.used] = channel ? channel[i] : 0;
      this.used += 1;
      if (this.used === this.size) {
        const message = new ArrayBuffer(8 + 4 * this.size);
        new DataView(message).setBigUint64(0, BigInt(this.frame), true);
        new Float32Array(message, 8).set(this.block);
        this.port.postMessage(message, [message]);
        this.frame += this.size;
        this.used = 0;
      }
    }
    return true;
  }
}
registerProcessor("blocks", Blocks);
