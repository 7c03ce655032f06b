// The page: which drum, the round as it goes on, and what else can be asked for.
import { Ear } from "/static/ear.js";
import { Link } from "/static/link.js";
import { notes, offsets, ringing, rounds, signed, strips } from "/static/pictures.js";
import { draw } from "/static/strip.js";

const at = (id) => document.getElementById(id);
const KEYS = [
  ["b", "back", "Back one rod"], ["r", "again", "Repeat this rod"], ["s", "skip", "Later"],
  ["x", "extra", "Last tap was not here"], ["e", "enough", "Read now"], ["a", "restart", "Begin anew"],
];
let link = null, state = null, reading = null;
const own = { link: "", ear: "", error: "" }; // troubles of this page's own, kept apart from those the round's state tells
let taken = false; // whether the server takes this page's sound: until then blocks wait, so that none overtakes another
const ear = new Ear((block) => Boolean(link && taken && link.sound(block)));

function make(name, text, attributes = {}) {
  const made = document.createElement(name);
  if (text) made.textContent = text;
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  return made;
}

async function ask(address, options) {
  const answer = await fetch(address, options);
  let plain = null;
  try { plain = await answer.json(); } catch { plain = { trouble: answer.status === 413 ? "the file is too large" : "the server refused" }; }
  if (!answer.ok) throw new Error(plain.trouble || "the server refused");
  return plain;
}

// Which drum

async function choose() {
  const { drums } = await ask("/api/drums");
  const wanted = decodeURIComponent(location.hash.slice(1));
  if (wanted && drums.some((drum) => drum.name === wanted)) { open(wanted); return; }
  at("choose").hidden = false; at("round").hidden = true; at("change").hidden = true; at("drum-name").textContent = "";
  at("drums").replaceChildren(...drums.map((drum) => {
    const row = make("li"), button = make("button", `${drum.name}: ${drum.sizes}; ${drum.takes} take${drum.takes === 1 ? "" : "s"}`, { type: "button" });
    button.onclick = () => open(drum.name);
    row.append(button);
    return row;
  }));
  at("new-drum").open = drums.length === 0;
}

at("describe").addEventListener("submit", async (event) => {
  event.preventDefault();
  const form = Object.fromEntries(new FormData(event.target)), told = { name: form.name.trim(), hoop: form.hoop, top: { film_mil: Number(form.film_mil) } };
  for (const key of ["diameter_in", "depth_in", "tap_distance_mm"]) told[key] = Number(form[key]);
  told.rods = parseInt(form.rods, 10);
  if (form.bottom_film_mil) told.bottom = { film_mil: Number(form.bottom_film_mil) };
  try { open((await ask("/api/drums", { method: "POST", body: JSON.stringify(told) })).name); } catch (failure) { alertIn(event.target, failure); }
});

function alertIn(place, failure) {
  const old = place.querySelector(".failure");
  if (old) old.remove();
  place.append(make("p", failure.message, { class: "failure", role: "alert" }));
}

function open(name) {
  location.hash = encodeURIComponent(name);
  if (link) link.close();
  at("choose").hidden = true; at("round").hidden = false; at("change").hidden = false;
  at("drum-name").textContent = `\u2013 ${name}`;
  state = null; reading = null; own.ear = own.error = "";
  link = new Link(name, heard, connected);
}

at("change").onclick = () => { ear.stop(); if (link) link.close(); link = null; location.hash = ""; choose(); };

// The round

function connected(up) {
  taken = false;
  own.link = up ? "" : "The server does not answer; trying again. What you tapped is kept.";
  trouble();
  if (up && ear.open) link.say({ do: "listen", rate: ear.rate, tune: ear.tune });
}

function heard(news) {
  if (news.safe !== undefined && ear.open) ear.safe(news.safe);
  if (news.ear) { taken = true; ear.again(news.got); }
  if (news.deaf) { taken = false; ear.stop(); at("said").textContent = news.deaf; }
  if (news.level !== undefined) level(news.level);
  if (news.reading !== undefined) reading = news.reading;
  if (news.state) { state = news.state; own.error = ""; }
  if (news.state || news.reading !== undefined) show();
  for (const message of news.say || []) say(message);
  if (news.ring) ring(news.ring);
  if (news.error) { own.error = news.error; trouble(); }
}

function trouble() { // all that is amiss, each said until it is over; said again only when it changed
  const text = [own.link, own.ear, own.error, state && state.trouble].filter(Boolean).join(" ");
  if (at("trouble").textContent !== text) at("trouble").textContent = text;
}

function say(message) {
  at("said").textContent = message.text;
  if (message.aloud) speak(message.text);
}

function speak(text) {
  if (!at("speak").checked || !window.speechSynthesis) return;
  window.speechSynthesis.cancel();
  window.speechSynthesis.speak(new SpeechSynthesisUtterance(text));
}

function level(value) {
  at("level").value = value;
  at("level-word").textContent = value > 0.97 ? "too loud" : value > 0.004 ? "" : "nothing heard";
}

function show() {
  if (!state) return;
  const done = state.rods * state.per_rod, in_ = state.taps.reduce((sum, count) => sum + Math.min(count, state.per_rod), 0);
  at("count").textContent = `Round ${state.number}, ${in_} of ${done} taps`;
  const [text, how] = headline();
  big(text);
  if (at("how").textContent !== how) at("how").textContent = how;
  at("dots").textContent = state.phase === "tapping" ? "\u25cf".repeat(state.per_rod - state.left) + "\u25cb".repeat(state.left) : "";
  at("listen").textContent = ear.open ? "Stop listening (l)" : state.listening ? "Listen here instead (l)" : "Listen (l)";
  at("listen").classList.toggle("main", !ear.open);
  trouble();
  at("heard-note").hidden = state.phase === "moves" || !state.heard.some((line) => line);
  draw(at("strip"), state, reading && reading.rods.length === state.rods ? reading : null);
  for (const [, what] of KEYS) at(`key-${what}`).disabled = state.phase === "moves" && what !== "restart";
  moves();
  table();
}

function headline() { // the one instruction, and how
  if (state.busy || (state.phase === "reading" && !state.trouble)) return ["Reading\u2026", ""];
  if (state.phase === "reading") return ["No reading", ""];
  if (state.phase === "tapping") return [`Rod ${state.due}`, ""];
  const rest = state.moves.find((move) => !state.ticked.includes(move.order));
  if (rest) return [`Rod ${rest.rod}`, `${rest.action === "raise" ? "\u25b2" : "\u25bc"} ${rest.words.replace(/^[^:]*: /, "")}`];
  return [state.moves.length ? "All moves made" : state.verdict === "even" ? "Even" : "No moves", ""];
}

function big(text) {
  const place = at("big");
  if (place.textContent === text) return;
  place.textContent = text;
  place.classList.toggle("long", text.length > 6);
  place.classList.remove("flash");
  requestAnimationFrame(() => place.classList.add("flash"));
}

function moves() {
  at("moves-part").hidden = state.phase !== "moves";
  if (state.phase !== "moves") return;
  const focus = document.activeElement && document.activeElement.dataset.order;
  at("moves").replaceChildren(...state.moves.map((move) => {
    const row = make("li"), label = make("label"), box = make("input", "", { type: "checkbox", "data-order": move.order });
    box.checked = state.ticked.includes(move.order);
    box.onchange = () => link.say({ do: "tick", order: move.order });
    const text = make("span", "", { class: box.checked ? "made" : "" });
    text.append(make("span", move.action === "raise" ? "\u25b2 " : "\u25bc ", { class: `sign ${move.action}`, "aria-hidden": "true" }), move.words);
    label.append(box, text);
    row.append(label);
    return row;
  }));
  if (focus) { const box = at("moves").querySelector(`[data-order="${focus}"]`); if (box) box.focus(); }
  if (!reading) return;
  const said = reading.words || { verdict: `Verdict: ${reading.verdict}.`, expected: "" }; // a reading kept by an older version has none
  at("verdict").textContent = said.verdict;
  at("expected").textContent = said.expected;
  at("mind").replaceChildren(...[...reading.reasons, ...reading.notes, ...reading.cautions, ...reading.take.warnings].map((line) => make("li", line)));
}

function table() {
  if (!reading) { at("table").replaceChildren(make("p", "Not read yet.")); return; }
  const heads = ["rod", "pull, cents", "\u00b1", "heard, Hz", "note", "taps"];
  at("table").replaceChildren(grid(heads, reading.rods.map((rod) => [
    rod.rod, rod.pull_cents.toFixed(1), rod.pull_sd_cents.toFixed(1), rod.heard_hz === null ? "" : rod.heard_hz.toFixed(1),
    rod.heard_hz === null ? "" : `${rod.heard_note} ${rod.heard_cents > 0 ? "+" : ""}${rod.heard_cents}`, rod.taps_used])));
}

function grid(heads, rows) {
  const table = make("table"), head = make("tr");
  head.append(...heads.map((text) => make("th", text, { scope: "col" })));
  table.append(head, ...rows.map((row) => { const line = make("tr"); line.append(...row.map((text) => make("td", String(text)))); return line; }));
  return table;
}

// What the player does

at("listen").onclick = listen;

const BELOW = "or hand in a recording below.";
const NO_EAR = { // what the player can do about a microphone that did not open, by the name of the failure
  NotFoundError: `No microphone was found: plug one in and press Listen, ${BELOW}`,
  NotAllowedError: `The browser may not use the microphone: allow it for this page and press Listen, ${BELOW}`,
  NotReadableError: `The microphone does not answer: close whatever else uses it and press Listen, ${BELOW}`,
};

function unheard(failure) {
  if (NO_EAR[failure.name]) return NO_EAR[failure.name];
  return failure instanceof DOMException ? `The microphone did not open: press Listen again, ${BELOW}` : failure.message;
}

async function listen() {
  own.ear = "";
  if (ear.open) { link.say({ do: "stop" }); ear.stop(); show(); return; }
  taken = false;
  try {
    await ear.start();
    link.say({ do: "listen", rate: ear.rate, tune: ear.tune });
    if (navigator.wakeLock) navigator.wakeLock.request("screen").catch(() => {});
  } catch (failure) {
    ear.stop();
    own.ear = unheard(failure);
  }
  trouble();
  show();
}

ear.lost = () => { own.ear = "The microphone went away: plug it in and press Listen. The round is kept."; link.say({ do: "stop" }); trouble(); show(); };

for (const [key, what, text] of KEYS) {
  const button = make("button", `${text} (${key})`, { type: "button", id: `key-${what}` });
  button.onclick = () => link.say({ do: what });
  at("keys").append(button);
}
at("key-list").append(...[...KEYS, ["n", "next", "Next round"], ["l", "listen", "Listen, or stop"], ["1\u20139", "", "Tick a move"]].flatMap(([key, , text]) => [make("dt", key), make("dd", text)]));
at("next").onclick = () => link.say({ do: "next" });

document.addEventListener("keydown", (event) => {
  if (!link || event.ctrlKey || event.metaKey || event.altKey || event.target.closest("input:not([type=checkbox]), select, textarea")) return;
  const found = KEYS.find(([key]) => key === event.key);
  if (found && !at(`key-${found[1]}`).disabled) link.say({ do: found[1] });
  else if (event.key === "l") listen();
  else if (event.key === "n" && state && state.phase === "moves") link.say({ do: "next" });
  else if (/^[1-9]$/.test(event.key) && state && state.phase === "moves" && state.moves.some((move) => move.order === Number(event.key))) link.say({ do: "tick", order: Number(event.key) });
});

document.addEventListener("visibilitychange", () => { if (!document.hidden) awake(); });
document.addEventListener("resume", awake);

function awake() { // after a sleep: the microphone, the screen and the connection
  ear.wake();
  if (ear.open && navigator.wakeLock) navigator.wakeLock.request("screen").catch(() => {});
}

at("speak").checked = localStorage.getItem("speak") === "yes";
at("speak").onchange = () => { localStorage.setItem("speak", at("speak").checked ? "yes" : "no"); speak("Speaking."); };

// What else can be asked for

const query = () => `?drum=${encodeURIComponent(state.drum)}`;

function ring(found) {
  if (found.trouble) { at("ring").replaceChildren(make("p", found.trouble, { role: "alert" })); return; }
  at("ring").replaceChildren(...ringing(found.picture), told(found.text));
}

function told(text) { // the whole answer in words, for those who want it
  const made = make("details", "");
  made.append(make("summary", "In words and numbers"), make("pre", text));
  return made;
}

at("ask-ring").onclick = () => { at("ring").replaceChildren(make("p", "Looking at it\u2026")); link.say({ do: "ring" }); };
for (const [what, picture] of [["pair", offsets], ["kit", notes]]) {
  at(`ask-${what}`).onclick = async () => {
    at(what).replaceChildren(make("p", "Working it out\u2026", { role: "status" }));
    try {
      const found = await ask(`/api/${what}${query()}`), list = make("ol", "");
      if (what === "pair") list.append(...found.recommended.map((one) => make("li", `${signed(one.semitones)} semitones: ${one.why}`)));
      at(what).replaceChildren(picture(found), list, told(found.text));
    } catch (failure) { at(what).replaceChildren(make("p", failure.message, { role: "alert" })); }
  };
}
at("part-log").addEventListener("toggle", async () => {
  if (!at("part-log").open) return;
  try {
    const rows = await ask(`/api/log${query()}`);
    at("log").replaceChildren(...rows.length ? [rounds(rows), strips(rows)] : [], rows.length ? grid(["take", "when", "verdict", "spread, cents", "pulls, cents"], rows.map((row) => [row.number, row.when.slice(0, 16).replace("T", " "), row.verdict, row.spread_cents, row.pulls_cents.join(" ")])) : make("p", "No takes yet."));
  } catch (failure) { at("log").replaceChildren(make("p", failure.message, { role: "alert" })); }
});
at("upload").addEventListener("submit", async (event) => {
  event.preventDefault();
  at("upload-said").textContent = "Reading\u2026";
  try { await ask(`/api/upload${query()}`, { method: "POST", body: new FormData(event.target) }); at("upload-said").textContent = "Read."; } catch (failure) { at("upload-said").textContent = failure.message; }
});

choose().catch((failure) => { document.body.append(make("p", failure.message, { role: "alert" })); });
