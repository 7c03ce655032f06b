// Small pictures of what was read: curves and rows on plain axes. Whatever a colour says, a word says too.
const SPACE = "http://www.w3.org/2000/svg";
const WIDTH = 360, HEIGHT = 220, LEFT = 46, RIGHT = 12, TOP = 26, BOTTOM = 44;

export function add(parent, name, attributes, text) {
  const made = document.createElementNS(SPACE, name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  if (text !== undefined) made.textContent = text;
  parent.append(made);
  return made;
}

export const signed = (value) => `${value < 0 ? "\u2212" : "+"}${Math.abs(value).toFixed(0)}`;

function sheet(title, height = HEIGHT) {
  const svg = document.createElementNS(SPACE, "svg");
  svg.setAttribute("viewBox", `0 0 ${WIDTH} ${height}`);
  svg.setAttribute("role", "img");
  svg.setAttribute("aria-label", title);
  svg.setAttribute("class", "picture");
  add(svg, "text", { x: 4, y: 15, class: "title" }, title);
  return svg;
}

function steps(low, high, most = 5) { // round numbers from low to high
  const rough = (high - low) / most, size = 10 ** Math.floor(Math.log10(rough));
  const step = [1, 2, 5, 10].map((factor) => factor * size).find((one) => one >= rough);
  const found = [];
  for (let value = Math.ceil(low / step) * step; value <= high + 1e-9; value += step) found.push(Number(value.toPrecision(6)));
  return found;
}

// x and y: [low, high, words]; lines: {points: [[x, y]], kind}; levels: {y, words}; marks: {x, y, words}
export function curves(title, { x, y, lines, levels = [], marks = [], ticks = null }) {
  const svg = sheet(title), right = WIDTH - RIGHT, foot = HEIGHT - BOTTOM;
  const across = (value) => LEFT + (value - x[0]) / (x[1] - x[0]) * (right - LEFT);
  const up = (value) => foot - (Math.min(Math.max(value, y[0]), y[1]) - y[0]) / (y[1] - y[0]) * (foot - TOP);
  for (const value of steps(y[0], y[1])) {
    add(svg, "line", { x1: LEFT, x2: right, y1: up(value), y2: up(value), class: "grid" });
    add(svg, "text", { x: LEFT - 5, y: up(value) + 5, "text-anchor": "end" }, String(value).replace("-", "\u2212"));
  }
  for (const value of ticks || steps(x[0], x[1])) add(svg, "text", { x: across(value), y: foot + 17, "text-anchor": "middle" }, String(value).replace("-", "\u2212"));
  add(svg, "line", { x1: LEFT, x2: right, y1: foot, y2: foot, class: "axis" });
  add(svg, "text", { x: (LEFT + right) / 2, y: HEIGHT - 7, "text-anchor": "middle" }, x[2]);
  add(svg, "text", { x: right, y: TOP + 8, "text-anchor": "end", class: "quiet" }, y[2]);
  for (const level of levels) {
    add(svg, "line", { x1: LEFT, x2: right, y1: up(level.y), y2: up(level.y), class: "level" });
    add(svg, "text", { x: LEFT + 4, y: up(level.y) - 5, class: "quiet" }, level.words);
  }
  for (const line of lines) {
    const inside = line.points.filter(([a]) => a >= x[0] && a <= x[1]);
    add(svg, "polyline", { points: inside.map(([a, b]) => `${across(a).toFixed(1)},${up(b).toFixed(1)}`).join(" "), class: `line ${line.kind || ""}` });
  }
  for (const mark of marks) {
    if (mark.sd) add(svg, "line", { x1: across(mark.x), x2: across(mark.x), y1: up(mark.y - mark.sd), y2: up(mark.y + mark.sd), class: "bar" });
    add(svg, "circle", { cx: across(mark.x), cy: up(mark.y), r: mark.large ? 7 : 4.5, class: "tap" });
    if (mark.words) add(svg, "text", { x: across(mark.x), y: up(mark.y) - 11, "text-anchor": "middle", class: "strong" }, mark.words);
  }
  return svg;
}

export function ringing(picture) {
  const found = [], worst = (row) => Math.max(...row.map(Math.abs)), { times_s: times, levels_db: levels, glide } = picture;
  const end = times[times.length - 1], floor = Math.max(-70, Math.min(-45, picture.floor_db - 6));
  found.push(curves("How the sound dies away", {
    x: [0, end, "seconds after the stroke"], y: [floor, 3, "level, dB"], lines: [{ points: times.map((time, i) => [time, levels[i]]) }],
    levels: picture.floor_db > floor ? [{ y: picture.floor_db, words: "noise of the room" }] : [],
  }));
  if (glide && glide.times_s.length > 2) {
    const most = Math.max(30, 1.2 * worst(glide.law), Math.min(100, worst(glide.cents)));
    found.push(curves("After-note: its pitch (line), its law (dashes)", {
      x: [0, glide.times_s[glide.times_s.length - 1], "seconds after the stroke"], y: [-0.4 * most, most, `cents above ${picture.note}`],
      lines: [{ points: glide.times_s.map((time, i) => [time, glide.cents[i]]) }, { points: glide.times_s.map((time, i) => [time, glide.law[i]]), kind: "law" }], levels: [{ y: 0, words: "" }],
    }));
  }
  return found;
}

export function offsets(pair) {
  const rows = pair.offsets.filter((row) => row.low_decay_s !== null), longest = Math.max(...rows.map((row) => row.low_decay_s));
  const marks = pair.recommended.map((one) => ({ one, row: rows.find((row) => row.semitones === one.semitones) })).filter(({ row }) => row)
    .map(({ one, row }) => ({ x: row.semitones, y: row.low_decay_s, words: `${one.rank}.`, large: true }));
  return curves("How long it rings, by the bottom head", {
    x: [rows[0].semitones - 0.5, rows[rows.length - 1].semitones + 0.5, "bottom head above the top head, semitones"], y: [0, 1.25 * longest, "seconds to fall by 60 dB"],
    lines: [{ points: rows.map((row) => [row.semitones, row.low_decay_s]) }], marks,
  });
}

export function notes(kit) {
  const row = 34, height = TOP + 20 + row * kit.drums.length + 26, svg = sheet("Notes, and each drum\u2019s good range", height);
  const low = Math.min(...kit.drums.map((drum) => drum.range_hz[0])), high = Math.max(...kit.drums.map((drum) => drum.range_hz[1]));
  const across = (hz) => 84 + Math.log(hz / low) / Math.log(high / low) * (WIDTH - 84 - 30);
  kit.drums.forEach((drum, i) => {
    const y = TOP + 26 + row * i;
    add(svg, "text", { x: 4, y: y + 5 }, drum.name.length > 10 ? `${drum.name.slice(0, 9)}\u2026` : drum.name);
    add(svg, "line", { x1: across(drum.range_hz[0]), x2: across(drum.range_hz[1]), y1: y, y2: y, class: "range" });
    add(svg, "circle", { cx: across(drum.frequency_hz), cy: y, r: 6, class: "tap" });
    add(svg, "text", { x: across(drum.frequency_hz), y: y - 10, "text-anchor": "middle", class: "strong" }, drum.note);
  });
  for (const hz of [40, 60, 80, 100, 150, 200, 300, 400, 600].filter((one) => one >= low && one <= high)) add(svg, "text", { x: across(hz), y: height - 6, "text-anchor": "middle" }, hz);
  add(svg, "text", { x: 4, y: height - 6 }, "Hz");
  return svg;
}

export function rounds(rows) { // newest first, as the log gives them
  const old = [...rows].reverse(), most = Math.max(30, ...old.map((row) => row.spread_cents + row.spread_sd_cents));
  const few = old.length < 9 ? old.map((row) => row.number) : null;
  const ends = [old[0].number - 0.5, old[old.length - 1].number + 0.5];
  return curves("Spread from take to take", {
    x: [...ends, "take"], y: [0, 1.15 * most, "cents"], lines: [{ points: old.map((row) => [row.number, row.spread_cents]) }], ticks: few,
    levels: [{ y: 20, words: "even below" }], marks: old.map((row) => ({ x: row.number, y: row.spread_cents, sd: row.spread_sd_cents })),
  });
}

export function strips(rows) { // the rim strips of the last takes, under each other, all on one scale
  const shown = rows.slice(0, 6), most = Math.max(20, ...shown.flatMap((row) => row.pulls_cents.map(Math.abs)));
  const row = 74, svg = sheet(`Rim strips, newest first; cents, \u00b1${most.toFixed(0)} at most`, TOP + row * shown.length + 20);
  const rods = Math.max(...shown.map((one) => one.pulls_cents.length)), step = (WIDTH - 60) / rods;
  shown.forEach((one, i) => {
    const middle = TOP + 36 + row * i;
    add(svg, "text", { x: 4, y: middle + 5, class: "strong" }, one.number);
    add(svg, "line", { x1: 40, x2: WIDTH - 8, y1: middle, y2: middle, class: "axis" });
    one.pulls_cents.forEach((pull, k) => {
      const x = 50 + (k + 0.5) * step, y = middle - pull / most * 26;
      add(svg, "line", { x1: x, x2: x, y1: middle, y2: y, class: "bar" });
      add(svg, "circle", { cx: x, cy: y, r: 4.5, class: "tap" });
      if (rods <= 10) add(svg, "text", { x, y: pull >= 0 ? middle + 15 : middle - 5, "text-anchor": "middle", class: "quiet" }, signed(pull));
    });
  });
  for (let k = 0; k < rods; k += 1) add(svg, "text", { x: 50 + (k + 0.5) * step, y: TOP + row * shown.length + 14, "text-anchor": "middle" }, k + 1);
  add(svg, "text", { x: 4, y: TOP + row * shown.length + 14 }, "rod");
  return svg;
}
