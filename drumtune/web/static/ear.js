// The microphone: opened without any processing, its blocks kept until the server has them.
const KEEP = 6000; // blocks kept while the server is away: some two minutes, 25 MB

export class Ear {
  constructor(send) { this.send = send; this.blocks = []; this.next = 0; this.context = null; this.tune = ""; this.lost = null; this.away = 0; }

  get open() { return this.context !== null; }

  get rate() { return this.context.sampleRate; }

  async start() {
    const devices = navigator.mediaDevices;
    if (!devices || !window.AudioWorkletNode) throw new Error("This browser gives no microphone to this address: open the page on the machine itself, use --lan, or hand in a recording below.");
    const audio = { echoCancellation: false, noiseSuppression: false, autoGainControl: false, channelCount: 1 };
    this.stream = await devices.getUserMedia({ audio, video: false });
    this.context = new AudioContext({ latencyHint: "interactive" });
    await this.context.audioWorklet.addModule("/static/worklet.js");
    this.node = new AudioWorkletNode(this.context, "blocks", { numberOfOutputs: 0, channelCount: 1, channelCountMode: "explicit" });
    this.blocks = []; this.next = 0;
    this.tune = Array.from(crypto.getRandomValues(new Uint32Array(4)), (n) => n.toString(36)).join("");
    this.node.port.onmessage = (event) => this.take(event.data);
    this.stream.getAudioTracks()[0].addEventListener("ended", () => { this.stop(); if (this.lost) this.lost(); });
    this.context.createMediaStreamSource(this.stream).connect(this.node);
    await this.context.resume();
    this.context.onstatechange = () => this.turn();
  }

  turn() { // sound that passed while the browser had stopped listening is told as lost, not joined over
    if (!this.context) return;
    if (this.context.state !== "running") { this.away = this.away || performance.now(); return; }
    if (this.away) this.node.port.postMessage(Math.round((performance.now() - this.away) / 1000 * this.rate));
    this.away = 0;
  }

  take(block) {
    this.blocks.push(block);
    if (this.blocks.length > KEEP) this.forget();
    this.flow();
  }

  flow() { // what was not sent yet, in order, as far as it is taken
    while (this.next < this.blocks.length && this.send(this.blocks[this.next])) this.next += 1;
  }

  forget() { this.blocks.shift(); this.next = Math.max(this.next - 1, 0); }

  safe(frame) { // nothing before this frame is needed again, even if the server is killed
    while (this.blocks.length && end(this.blocks[0]) <= frame) this.forget();
  }

  again(frame) { // the server has everything before this frame
    const place = this.blocks.findIndex((block) => end(block) > frame);
    this.next = place < 0 ? this.blocks.length : place;
    this.flow();
  }

  async wake() { if (this.context && this.context.state !== "running") await this.context.resume(); }

  stop() {
    if (this.stream) for (const track of this.stream.getTracks()) track.stop();
    if (this.context) this.context.close();
    this.context = null; this.stream = null; this.blocks = []; this.next = 0;
  }
}

function end(block) { return Number(new DataView(block).getBigUint64(0, true)) + (block.byteLength - 8) / 4; }
