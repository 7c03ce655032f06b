"use strict";
// The sliders: everything they show was computed beforehand and stands in the page; the sound is a sum of damped lines.
(() => {
  const data = JSON.parse(document.getElementById("bench-data").textContent);
  const byId = (id) => document.getElementById(id);
  const top = byId("top-slider"), bottom = byId("bottom-slider");
  const NAMES = ["C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B"];
  const SECONDS = 2.2, LOOKS = [["#0072B2", ""], ["#D55E00", "7 4"]];
  const SVG = "http://www.w3.org/2000/svg";

  const note = (hz) => {
    const steps = 69 + 12 * Math.log2(hz / 440), whole = Math.round(steps), off = Math.round(100 * (steps - whole));
    return `${hz.toFixed(1)} Hz, ${NAMES[((whole % 12) + 12) % 12]}${Math.floor(whole / 12) - 1} ${off >= 0 ? "+" : ""}${off} cents`;
  };
  const loudest = Math.max(...data.rows.flat().filter(Boolean).map((cell) => cell.lines.reduce((s, l) => s + l[2], 0)));

  // Sum of lines sin(2 pi f t) exp(-6.9 t / T60), each by its own recurrence; one gain for all tunings.
  function samples(cell, rate, seconds) {
    const sound = new Float32Array(Math.round(rate * seconds));
    for (const [hz, decay, strength] of cell.lines) {
      if (hz > 0.45 * rate) continue;
      const radius = Math.exp(-3 * Math.LN10 / (decay * rate)), turn = 2 * Math.PI * hz / rate;
      const first = 2 * radius * Math.cos(turn), second = -radius * radius;
      let before = 0, now = 0.7 * strength / loudest * radius * Math.sin(turn);
      for (let i = 1; i < sound.length; i += 1) {
        sound[i] += now;
        const next = first * now + second * before;
        before = now;
        now = next;
      }
    }
    const fade = Math.round(0.05 * rate);
    for (let i = 0; i < fade; i += 1) sound[sound.length - 1 - i] *= i / fade;
    return sound;
  }

  const cellNow = () => data.rows[top.value][bottom.value];

  function draw(svg, name, attributes, text) {
    const element = document.createElementNS(SVG, name);
    for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
    if (text !== undefined) element.textContent = text;
    svg.append(element);
  }

  function motion(cell) {
    const svg = byId("motion");
    svg.replaceChildren();
    if (!cell) return;
    ["lower", "upper"].forEach((name, mode) => {
      const left = 60 + 155 * mode, width = 130, curves = cell.motion[mode].map((parts) =>
        data.shapes[0].map((_, i) => parts.reduce((sum, part, n) => sum + part * data.shapes[n][i], 0)));
      const most = Math.max(...curves.flat().map(Math.abs)), sign = Math.sign(curves[0][0]) || 1;
      draw(svg, "text", {x: left, y: 16, "font-size": 13}, `${name}: ${(mode ? cell.high : cell.low).toFixed(0)} Hz`);
      for (const side of [left, left + width]) draw(svg, "path", {d: `M${side} 70V160`, stroke: "#000", "stroke-width": 2});
      curves.forEach((curve, head) => {
        const rest = head ? 160 : 70, count = curve.length - 1;
        const place = (i, x) => `${x.toFixed(1)} ${(rest + 30 * sign * curve[i] / most).toFixed(1)}`;
        const half = curve.map((_, i) => place(i, left + width / 2 * (1 + i / count)));
        const other = curve.map((_, i) => place(i, left + width / 2 * (1 - i / count))).reverse();
        draw(svg, "path", {d: `M${left} ${rest}H${left + width}`, stroke: "#595959", "stroke-dasharray": "2 3"});
        draw(svg, "path", {d: `M${[...other, ...half.slice(1)].join("L")}`, fill: "none", stroke: LOOKS[head][0],
          "stroke-dasharray": LOOKS[head][1], "stroke-width": 3, class: `head-${head}`});
        if (!mode) draw(svg, "text", {x: left - 6, y: rest + 4, "font-size": 13, "text-anchor": "end"}, head ? "bottom" : "top");
      });
    });
    svg.setAttribute("aria-label", `Both heads from the side in the lower mode at ${cell.low.toFixed(0)} Hz, where they ` +
      `move together, and in the upper one at ${cell.high.toFixed(0)} Hz, where they move against each other.`);
  }

  function lines(cell) {
    const svg = byId("lines");
    svg.replaceChildren();
    if (!cell) return;
    const limit = 800, strongest = Math.max(...cell.lines.map((line) => line[2]));
    const x = (hz) => 24 + 320 * hz / limit;
    draw(svg, "text", {x: 8, y: 16, "font-size": 13}, "lines of the sound (long: strong, thick: lasting)");
    draw(svg, "path", {d: "M20 180H350", stroke: "#000"});
    for (let hz = 0; hz <= limit; hz += 200) {
      draw(svg, "text", {x: x(hz), y: 198, "font-size": 12, "text-anchor": "middle"}, hz ? `${hz}` : "0 Hz");
    }
    for (const [hz, decay, strength] of cell.lines) {
      const height = 140 * (1 + 20 * Math.log10(strength / strongest) / 45);
      if (hz > limit || height <= 0) continue;
      draw(svg, "path", {d: `M${x(hz).toFixed(1)} 180V${(180 - height).toFixed(1)}`, stroke: "#0072B2",
        "stroke-width": (1.2 + 3 * decay).toFixed(2), class: "line"});
    }
    svg.setAttribute("aria-label", `Lines of the sound: ${cell.lines.filter((line) => line[0] <= limit).length} up to ` +
      `${limit} Hz, the lowest at ${cell.low.toFixed(0)} Hz.`);
  }

  function show() {
    const cell = cellNow();
    for (const [slider, hertz, says] of [[top, data.top_hz, "top-says"], [bottom, data.bottom_hz, "bottom-says"]]) {
      const words = note(hertz[slider.value]);
      byId(says).textContent = words;
      slider.setAttribute("aria-valuetext", words);
    }
    byId("says").textContent = cell ? `Note ${cell.low.toFixed(1)} Hz, ${cell.note}. Bottom head ${cell.offset >= 0 ? "+" : ""}` +
      `${cell.offset} semitones from the top. Rings ${cell.rings.toFixed(2)} s. (1,1) pair ${cell.beat.toFixed(1)} Hz apart` +
      `${cell.beats ? ": it beats" : ""}. Feel ${cell.stiffness.toFixed(2)} N/mm, stick stays ${cell.stay.toFixed(1)} ms.`
      : "No head can be tuned so: its film, or the air in the shell, does not allow it.";
    byId("hear").disabled = !cell;
    motion(cell);
    lines(cell);
  }

  let context, playing, waiting;
  function play() {
    const cell = cellNow();
    if (!cell) return;
    context = context || new AudioContext();
    context.resume();
    if (playing) playing.stop();
    const sound = samples(cell, context.sampleRate, SECONDS);
    const buffer = context.createBuffer(1, sound.length, context.sampleRate);
    buffer.copyToChannel(sound, 0);
    playing = context.createBufferSource();
    playing.buffer = buffer;
    playing.connect(context.destination);
    byId("hear").dataset.state = "playing";
    const mine = playing;
    playing.onended = () => { if (mine === playing) byId("hear").dataset.state = "ended"; };
    playing.start();
  }

  function moved() {
    show();
    clearTimeout(waiting);
    if (byId("follow").checked) waiting = setTimeout(play, 250);
  }

  top.max = data.top_steps.length - 1;
  bottom.max = data.bottom_steps.length - 1;
  [top.value, bottom.value] = data.start;
  top.addEventListener("input", moved);
  bottom.addEventListener("input", moved);
  byId("hear").addEventListener("click", play);
  show();

  for (const field of document.querySelectorAll("fieldset[data-answer]")) {
    field.addEventListener("change", (event) => {
      const right = event.target.value === field.dataset.answer;
      const why = field.parentElement.querySelector("details p").textContent;
      field.parentElement.querySelector(".verdict").textContent = right ? `Right: ${why}` : "Not that one: listen again.";
    });
  }
  window.lessonBench = {data, samples};
})();
