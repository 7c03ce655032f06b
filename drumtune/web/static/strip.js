// The rim strip: the rim cut open at rod 1 and laid flat; taps and what is heard as rods come in, then the pulls.
import { add, signed } from "/static/pictures.js";

const SPACE = "http://www.w3.org/2000/svg";
const HEIGHT = 285, MIDDLE = 95, REACH = 80;

export function draw(place, state, reading) {
  const width = Math.max(320, 46 * state.rods), step = width / state.rods;
  const svg = document.createElementNS(SPACE, "svg");
  const dots = Math.min(24 * state.per_rod, 150), top = reading ? 0 : HEIGHT - 62 - dots - 38;
  svg.setAttribute("viewBox", `0 ${top} ${width} ${HEIGHT - top}`);
  svg.setAttribute("role", "img");
  svg.setAttribute("aria-label", words(state, reading));
  const pulls = reading ? reading.rods.map((rod) => rod.pull_cents) : null;
  const most = pulls ? Math.max(10, ...reading.rods.map((rod) => Math.abs(rod.pull_cents) + rod.pull_sd_cents)) : 1;
  if (pulls) add(svg, "line", { x1: 0, x2: width, y1: MIDDLE, y2: MIDDLE, class: "axis" });
  for (let rod = 1; rod <= state.rods; rod += 1) {
    const x = (rod - 0.5) * step;
    if (pulls) pull(svg, x, reading.rods[rod - 1], REACH / most, state.moves.find((move) => move.rod === rod));
    else taps(svg, x, state, rod, HEIGHT - 62 - dots);
    if (rod === state.due) add(svg, "rect", { x: x - 17, y: HEIGHT - 34, width: 34, height: 28, rx: 5, class: "due" });
    add(svg, "text", { x, y: HEIGHT - 14, "text-anchor": "middle" }, rod);
  }
  place.replaceChildren(svg);
}

function taps(svg, x, state, rod, top) {
  const gap = Math.min(24, 150 / state.per_rod), heard = state.heard[rod - 1];
  for (let i = 0; i < state.per_rod; i += 1) {
    add(svg, "circle", { cx: x, cy: HEIGHT - 52 - i * gap, r: Math.min(8, gap / 2.6), class: i < state.taps[rod - 1] ? "tap" : "gap" });
  }
  if (!heard) return;
  add(svg, "text", { x, y: top - 18, "text-anchor": "middle", class: "word" }, heard.hz.toFixed(0));
  add(svg, "text", { x, y: top - 2, "text-anchor": "middle", class: "word" }, heard.note);
}

function pull(svg, x, rod, scale, move) {
  const y = MIDDLE - rod.pull_cents * scale, sd = rod.pull_sd_cents * scale;
  add(svg, "line", { x1: x, x2: x, y1: y - sd, y2: y + sd, class: "bar" });
  add(svg, "line", { x1: x, x2: x, y1: MIDDLE, y2: y, class: "axis" });
  add(svg, "circle", { cx: x, cy: y, r: 6, class: "tap" });
  add(svg, "text", { x, y: HEIGHT - 40, "text-anchor": "middle" }, signed(rod.pull_cents));
  if (!move) return;
  const up = move.action === "raise", at = HEIGHT - 64;
  const points = up ? `${x - 9},${at} ${x + 9},${at} ${x},${at - 16}` : `${x - 9},${at - 16} ${x + 9},${at - 16} ${x},${at}`;
  add(svg, "polygon", { points, class: up ? "up" : "down" });
  add(svg, "text", { x, y: at - 20, "text-anchor": "middle", class: "word" }, move.action);
}

function words(state, reading) {
  if (reading) return `Pull at each rod in cents: ${reading.rods.map((rod) => `rod ${rod.rod} ${rod.pull_cents.toFixed(0)}`).join(", ")}.`;
  const heard = (line) => (line ? `, ${line.hz.toFixed(0)} hertz` : "");
  return `Taps so far: ${state.taps.map((count, i) => `rod ${i + 1} ${count} of ${state.per_rod}${heard(state.heard[i])}`).join("; ")}.`;
}
