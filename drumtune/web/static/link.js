// The socket of a round: opened again whenever it closes.
export class Link {
  constructor(drum, heard, changed) {
    this.drum = drum; this.heard = heard; this.changed = changed; this.wait = 250; this.over = false;
    this.connect();
  }

  get up() { return this.socket.readyState === WebSocket.OPEN; }

  connect() {
    const scheme = location.protocol === "https:" ? "wss" : "ws";
    this.socket = new WebSocket(`${scheme}://${location.host}/live?drum=${encodeURIComponent(this.drum)}`);
    this.socket.onopen = () => { this.wait = 250; this.changed(true); };
    this.socket.onmessage = (event) => this.heard(JSON.parse(event.data));
    this.socket.onclose = () => {
      if (this.over) return;
      this.changed(false);
      this.timer = setTimeout(() => this.connect(), this.wait);
      this.wait = Math.min(2 * this.wait, 4000);
    };
  }

  say(what) { if (this.up) this.socket.send(JSON.stringify(what)); }

  sound(block) { // whether it was sent; when much waits already, later
    if (!this.up || this.socket.bufferedAmount > 1e6) return false;
    this.socket.send(block);
    return true;
  }

  close() { this.over = true; clearTimeout(this.timer); this.socket.close(); }
}
