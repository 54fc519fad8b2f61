"use strict";
(() => {
const data = JSON.parse(document.getElementById("data").textContent);
const byId = (id) => document.getElementById(id);
const minus = (text) => text.replace("-", "\u2212");
const whole = (row, names) => Object.fromEntries(names.map((name, i) => [name, i < row.length ? row[i] : 0]));
const figure = (value, digits = 1) => value === null ? "\u2013" : minus(value.toFixed(digits));

/* Elements are made from names and texts, never from markup. */
function make(name, properties = {}, ...children) {
  const element = document.createElement(name);
  for (const [key, value] of Object.entries(properties)) {
    if (key in element) element[key] = value; else element.setAttribute(key, value);
  }
  element.append(...children);
  return element;
}

/* One-shots and files come as rows; each name stands in the data once, zeros at the end of a row are left out. */
const shots = data.shots.map((row) => {
  const shot = whole(row, data.shotFields);
  shot.files = shot.files.map((each) => {
    const file = whole(each, data.fileFields), {mics, role, rest} = data.lanes[file.lane];
    return {...file, lead: shot.lead + file.leadMore, seconds: shot.seconds + file.secondsMore, path: shot.stem + rest, mics, role, plays: !file.mute};
  });
  shot.title = `${data.map[shot.row].name}: layer ${shot.layer}, round robin ${shot.robin}`;
  return shot;
});

/* ---- drawing ---- */

/* Every file on one scale: from 0 dBFS at the top of a lane to the floor at its foot. */
const FLOOR = -72, LINES = [-24, -48];
const SCALE = {db: (level) => (level - FLOOR) / -FLOOR, linear: (level) => Math.pow(10, level / 20)};
let scale = "db";

function levelsOf(text) {
  const last = data.steps.length - 1;
  return Array.from(text, (letter) => { const step = data.steps.indexOf(letter); return step ? (step - last) * data.stepDb : -Infinity; });
}

/* A file's outline on an axis of `axis` seconds: `at` is where it begins, `length` how long it lasts; `signs`: seconds and
   colours of upright lines. */
function draw(canvas, text, at, length, axis, signs = []) {
  const ratio = window.devicePixelRatio || 1;
  const wide = canvas.clientWidth, high = canvas.clientHeight;
  if (!wide) return;
  canvas.width = Math.round(wide * ratio);
  canvas.height = Math.round(high * ratio);
  const pen = canvas.getContext("2d"), style = getComputedStyle(document.documentElement);
  const colour = (name) => style.getPropertyValue(name);
  pen.scale(ratio, ratio);
  const levels = levelsOf(text), start = at / axis * wide, step = length / axis * wide / levels.length;
  const y = (level) => high - 1 - Math.max(0, Math.min(1, SCALE[scale](level))) * (high - 2);
  pen.fillStyle = colour("--fill");
  pen.strokeStyle = colour("--tone");
  pen.beginPath();
  pen.moveTo(start, high - 1);
  levels.forEach((level, i) => pen.lineTo(start + (i + 0.5) * step, y(level)));
  pen.lineTo(start + levels.length * step, high - 1);
  pen.fill();
  pen.stroke();
  pen.fillStyle = colour("--line");
  for (const line of LINES) pen.fillRect(0, y(line) - 0.5, wide, 1);
  for (const [second, name] of signs) {
    pen.fillStyle = colour(name);
    pen.fillRect(Math.min(wide - 1, second / axis * wide), 0, 1, high);
  }
}

const drawers = new WeakMap();
const watcher = new IntersectionObserver((entries) => {
  for (const entry of entries) if (entry.isIntersecting) { drawers.get(entry.target)(); watcher.unobserve(entry.target); }
}, {rootMargin: "300px"});
function drawWhenSeen(canvas, drawer) {
  drawers.set(canvas, drawer);
  watcher.observe(canvas);
}
function redrawAll() {
  for (const canvas of document.querySelectorAll("canvas")) if (drawers.has(canvas)) drawers.get(canvas)();
}
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", redrawAll);
let resizing = 0;
addEventListener("resize", () => { clearTimeout(resizing); resizing = setTimeout(() => { placeSigns(); redrawAll(); }, 150); });

/* On paper the figures are unfolded; long lists stay where they are. */
let opened = [];
addEventListener("beforeprint", () => {
  opened = [...document.querySelectorAll(".fold:not([open])")];
  for (const each of opened) each.open = true;
  redrawAll();
});
addEventListener("afterprint", () => { for (const each of opened) each.open = false; });

/* ---- listening ---- */

/* From a disk, browsers let a page play the files beside it but not read them: then each file gets a player of its own and
   they start together as well as they can. From a server they are read, and start together to the sample, panned and
   with the balance's polarity. */
const served = location.protocol.startsWith("http");
const volume = byId("volume"), level = byId("level"), now = byId("now"), stopper = byId("stop");
let playing = null, context = null;
const IDLE = now.textContent;
const amount = (db) => Math.pow(10, db / 20);
const quiet = () => amount(Number(volume.value));
const inside = (path) => /^(samples|prints)\//.test(path) && !path.includes("..");
const address = (path) => path.split("/").map(encodeURIComponent).join("/");

function stop(said = IDLE) {
  if (!playing) return;
  playing.ended = true;
  playing.stop();
  playing.button.classList.remove("playing");
  playing = null;
  stopper.disabled = true;
  now.textContent = said;
}

function faderOf(file) {
  return data.balance[file.mics[0]] || {gain: 0, pan: 0, polarity: 1, on: true};
}

/* Files together, each by its fader; `trim`: dB by which all of them are raised. */
async function play(button, title, files, faders, trim = 0) {
  stop();
  const voices = files.map((file, i) => ({file, fader: {...faders[i], gain: faders[i].gain + trim}}))
    .filter((voice) => voice.fader.on && inside(voice.file.path));
  if (!voices.length) { now.textContent = `${title}: all its mics are off in the balance.`; return; }
  const run = playing = {button, ended: false, stop: () => {}, turn: () => {}};
  button.classList.add("playing");
  stopper.disabled = false;
  now.textContent = title;
  try {
    await (served ? playExactly : playBeside)(run, voices, () => { if (!run.ended) stop(); });
  } catch (error) {
    if (!run.ended) stop(`${title} cannot be played: keep this page in the kit folder, next to samples. (${error.message})`);
  }
}

async function playBeside(run, voices, done) {
  let left = voices.length;
  const players = voices.map((voice) => {
    const player = new Audio(address(voice.file.path));
    player.preload = "auto";
    player.onended = () => { left -= 1; if (!left) done(); };
    return player;
  });
  run.stop = () => players.forEach((player) => { player.pause(); player.removeAttribute("src"); player.load(); });
  run.turn = () => players.forEach((player, i) => {
    player.volume = Math.min(1, quiet() * amount(voices[i].fader.gain));
  });
  run.turn();
  await Promise.all(players.map((player) => new Promise((resolve, reject) => {
    player.oncanplaythrough = resolve;
    player.onerror = () => reject(new Error(player.error ? player.error.message : "no sound"));
  })));
  if (!run.ended) await Promise.all(players.map((player) => player.play()));
}

async function playExactly(run, voices, done) {
  context = context || new AudioContext();
  await context.resume();
  const buffers = await Promise.all(voices.map(async (voice) => {
    const answer = await fetch(address(voice.file.path));
    if (!answer.ok) throw new Error(`${voice.file.path}: ${answer.status}`);
    return context.decodeAudioData(await answer.arrayBuffer());
  }));
  if (run.ended) return;
  const master = context.createGain();
  master.connect(context.destination);
  run.turn = () => master.gain.setTargetAtTime(quiet(), context.currentTime, 0.02);
  master.gain.value = quiet();
  const lead = Math.max(...voices.map((voice) => voice.file.lead || 0));
  let left = buffers.length;
  const sources = buffers.map((buffer, i) => {
    const source = context.createBufferSource(), gain = context.createGain(), {file, fader} = voices[i];
    source.buffer = buffer;
    gain.gain.value = amount(fader.gain) * fader.polarity;
    let last = source.connect(gain);
    if (file.mics.length === 1 && fader.pan) last = last.connect(new StereoPannerNode(context, {pan: fader.pan}));
    last.connect(master);
    source.onended = () => { left -= 1; if (!left) done(); };
    source.start(context.currentTime + 0.03 + lead - (file.lead || 0));
    return source;
  });
  run.stop = () => { sources.forEach((source) => source.stop()); master.disconnect(); };
}

volume.addEventListener("input", () => {
  level.textContent = minus(`${volume.value} dB`);
  if (playing) playing.turn();
});
stopper.addEventListener("click", () => stop());
addEventListener("keydown", (event) => { if (event.key === "Escape") stop(); });

/* ---- a one-shot, mic by mic ---- */

const ALONE = {gain: 0, pan: 0, polarity: 1, on: true};
const MOST_LANES = 10;
const panel = byId("panel");
let shown = null;

const nameOf = (file) => file.mics.join(" + ");

/* By the balance: so much softer for all of them that none ever needs more than a player can give. */
function playShot(button, number, velocity, trim) {
  const shot = shots[number], files = shot.files.filter((file) => file.plays);
  play(button, velocity === null ? shot.title : `${shot.title}, velocity ${velocity}`, files, files.map(faderOf), trim - data.raised);
}

function facts(shot) {
  const parts = [`hit ${shot.hit}, ${data.takes[shot.take]}, ${shot.at}`, `hit level ${figure(shot.level)} dBFS`];
  if (shot.pitch !== null) parts.push(`pitch ${figure(shot.pitch)} Hz`);
  if (shot.decay !== null) parts.push(`decay ${figure(shot.decay, 2)} s`);
  if (shot.ring !== null) parts.push(`${figure(shot.ring, 0)} dB of decay kept${shot.ring < 40 ? " (short)" : ""}`);
  if (shot.with.length) parts.push(`hit together with ${shot.with.join(", ")}`);
  if (shot.fallback) parts.push("below the required grade: best available");
  if (shot.closeOnly) parts.push("in the mapping of the close mics alone");
  return parts.join(" \u00b7 ");
}

function ruler(from, to, step, scaled, unit) {
  const row = make("div", {className: "ruler", ariaHidden: "true"});
  for (let at = Math.ceil(from / step - 1e-9) * step; at <= to + 1e-9; at += step) {
    const tick = make("span", {}, `${minus(String(+(at * scaled).toFixed(3)))}${Math.abs(at) < 1e-9 ? unit : ""}`);
    tick.style.left = `${(at - from) / (to - from) * 100}%`;
    row.append(tick);
  }
  return row;
}

const niceStep = (length) => [0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10].find((step) => length / step <= 7) || 30;

/* What is told of a file's time, in words over the lanes: [seconds after the attack, words, colour of its line]. */
function signsOf(shot, file) {
  const end = file.seconds - file.lead;
  const signs = [[-file.lead, `start, ${figure(file.lead * 1000, 1)} ms before`, "--tone"], [0, "attack", "--mark"]];
  if (shot.fadeOut > 0) signs.push([end - shot.fadeOut, `fade-out begins, ${figure(end - shot.fadeOut, 2)} s`, "--tone"]);
  signs.push([end, `end, ${figure(end, 2)} s${shot.end ? `: ${shot.end}` : ""}`, "--tone"]);
  if (shot.next !== null) signs.push([shot.next, `next hit${shot.nextDrum === null ? "" : ` (${data.drums[shot.nextDrum]})`}, ${figure(shot.next, 2)} s`, "--mark"]);
  return signs;
}

/* One line of words for each sign but the first two, which share one; each word on the side where there is room. */
let placeSigns = () => {};
function signBoard(signs, from, length) {
  const board = make("div", {className: "signs"});
  const words = signs.map(([at, text, colour]) => {
    const late = at > from + length;
    const word = make("span", {className: colour === "--mark" ? "attack" : ""}, late ? `${text} \u2192` : text);
    board.append(word);
    return {word, share: late ? 1 : Math.max(0, (at - from) / length)};
  });
  placeSigns = () => {
    const wide = board.clientWidth || 1, ends = [];
    for (const {word, share} of words) {
      const left = share * wide, mine = word.offsetWidth || 8 * word.textContent.length;
      const right = left + mine <= wide;
      word.classList.toggle("right", right);
      word.classList.toggle("left", !right);
      word.style.left = `${share * 100}%`;
      const [begins, stops] = right ? [left, left + mine] : [left - mine, left];
      let row = ends.findIndex((taken) => taken.every(([a, b]) => stops < a - 4 || begins > b + 4));
      if (row < 0) row = ends.push([]) - 1;
      ends[row].push([begins, stops]);
      word.style.top = `${row * 1.2}rem`;
    }
    board.style.height = `${ends.length * 1.2}rem`;
  };
  return board;
}

function lane(shot, file, lead, span, signs) {
  const name = nameOf(file);
  const button = make("button", {type: "button", ariaLabel: `Play ${name} alone`}, name);
  button.addEventListener("click", () => play(button, `${shot.title}, ${name} alone`, [file], [ALONE]));
  const notes = [file.role];
  if (!file.plays) notes.push("not played");
  if (file.inverted) notes.push("inverted");
  if (file.other) notes.push(`of hit ${file.other}`);
  const all = make("canvas", {ariaHidden: "true"}), start = make("canvas", {ariaHidden: "true"});
  const at = lead - file.lead;
  drawWhenSeen(all, () => draw(all, file.whole, at, file.seconds, span, signs.map(([second, , colour]) => [second + lead, colour])));
  drawWhenSeen(start, () => draw(start, file.start, at, data.startSeconds, data.startSeconds, [[lead, "--mark"]]));
  const figures = make("div", {className: "figs"},
    make("span", {}, make("b", {className: `grade g${file.grade}`, role: "img", ariaLabel: `grade ${file.grade}`}, file.grade)),
    ...[[file.bleed, "bleed, dB re hit", 1], [file.peak, "peak, dBFS", 1], [file.lufs, "LUFS, 400 ms", 1], [file.seconds, "length, s", 2]]
      .map(([value, what, digits]) => make("span", {title: what}, make("span", {className: "said"}, `${what}: `), figure(value, digits))));
  return make("div", {className: "lane", role: "group", ariaLabel: name},
    make("div", {className: "mic-name"}, button, make("span", {className: "sub"}, notes.join(", "))), all, start, figures);
}

function turnButtons(shot) {
  const cells = data.map[shot.row].cells, number = shots.indexOf(shot);
  const cell = cells.find((each) => each.shots.includes(number) || each.beside.includes(number));
  if (!cell) return [];
  const one = (each) => {
    const button = make("button", {type: "button"}, make("span", {className: "said"}, "Play round robin "),
      `${shots[each].robin} `, make("span", {className: "said"}, "grade "), make("b", {className: `grade g${shots[each].grade}`}, shots[each].grade));
    button.dataset.shot = each;
    button.setAttribute("aria-current", String(each === number));
    button.addEventListener("click", () => {
      show(each);
      const same = panel.querySelector(`.turns [data-shot="${each}"]`);
      same.focus();
      playShot(same, each, null, 0);
    });
    return button;
  };
  const row = [make("span", {}, `Layer ${cell.layer}, velocity ${cell.low} to ${cell.high}, round robins:`), ...cell.shots.map(one)];
  if (cell.beside.length) row.push(make("span", {className: "sub"}, "in close mics alone:"), ...cell.beside.map(one));
  return row;
}

function scaleButtons() {
  return make("div", {className: "turns scale", role: "group", ariaLabel: "Scale of the outlines"}, make("span", {}, "Scale:"), ...[["db", "dB"], ["linear", "linear"]].map(([name, text]) => {
    const button = make("button", {type: "button"}, text);
    button.setAttribute("aria-pressed", String(scale === name));
    button.addEventListener("click", () => {
      scale = name;
      for (const other of button.parentElement.querySelectorAll("button")) other.setAttribute("aria-pressed", String(other === button));
      redrawAll();
    });
    return button;
  }), make("span", {className: "sub"}, `0 dBFS at the top of each lane${scale === "db" ? `; dB: lines at ${LINES.map((line) => minus(String(line))).join(" and ")}, foot ${minus(String(FLOOR))} dBFS` : ""}`));
}

function show(number) {
  if (shown === number || !panel) return;
  shown = number;
  const shot = shots[number], home = shot.files[shot.home];
  const lead = Math.max(...shot.files.map((file) => file.lead));
  const longest = Math.max(...shot.files.map((file) => file.seconds - file.lead));
  const near = shot.next !== null && shot.next < longest * 1.3 ? Math.max(longest, shot.next) : longest;
  const span = (lead + near) * 1.01, signs = signsOf(shot, home);
  const head = make("div", {className: "lane head"}, make("span", {}, "Each mic alone"),
    make("div", {}, signBoard(signs, -lead, span), ruler(-lead, span - lead, niceStep(span), 1, " s")),
    make("div", {ariaHidden: "true"}, `First ${data.startSeconds * 1000} ms`, ruler(-lead, data.startSeconds - lead, 0.01, 1000, "")),
    make("div", {className: "figs", ariaHidden: "true"}, ...["grade", "bleed, dB re hit", "peak, dBFS", "LUFS, 400 ms", "length, s"].map((text) => make("span", {}, text))));
  const lanes = shot.files.map((file) => lane(shot, file, lead, span, signs));
  const more = lanes.slice(MOST_LANES);
  panel.replaceChildren(make("h3", {}, shot.title), make("div", {className: "turns"}, ...turnButtons(shot)),
    make("p", {className: "facts"}, facts(shot)), scaleButtons(), head, ...lanes.slice(0, MOST_LANES),
    ...(more.length ? [make("details", {}, make("summary", {}, `${more.length} more ${more.length === 1 ? "mic" : "mics"}`), ...more)] : []));
  placeSigns();
  for (const canvas of panel.querySelectorAll("canvas")) drawers.get(canvas)();
}

/* ---- the map: one stop of the tab key, arrow keys inside ---- */

const strips = data.map.map((row, r) => [...document.querySelectorAll(`.cell[data-row="${r}"]`)]).filter((row) => row.length);
const cells = strips.flat();
for (const button of cells) button.title = button.getAttribute("aria-label");
const turns = new Map();
const cursor = make("div", {className: "at", ariaHidden: "true"}, make("span"));

const mark = make("i", {className: "now", ariaHidden: "true"});

/* The round robin that was played last, on its strip. */
function markTurn(button, cell, number) {
  const [x, y] = cell.dots[cell.shots.indexOf(number)] || [];
  if (x === undefined) { mark.remove(); return; }
  mark.style.left = `${x / 1.27}%`;
  mark.style.top = `${y}%`;
  button.parentElement.append(mark);
}

const cellOf = (button) => data.map[Number(button.dataset.row)].cells[Number(button.dataset.cell)];
const middleOf = (cell) => cell.high === 127 ? 127 : Math.round((cell.low + cell.high) / 2);

function point(button, velocity) {
  cursor.style.left = `${(velocity - 0.5) / 1.27}%`;
  cursor.firstChild.textContent = velocity;
  button.parentElement.append(cursor);
}

function choose(button, velocity) {
  for (const other of cells) {
    other.tabIndex = other === button ? 0 : -1;
    other.setAttribute("aria-current", String(other === button));
  }
  button.dataset.velocity = velocity;
  point(button, velocity);
}

/* The velocity under the pointer; that of the keys where there is none. */
function velocityAt(button, event) {
  const cell = cellOf(button), box = button.parentElement.getBoundingClientRect();
  if (!event.detail) return Number(button.dataset.velocity || middleOf(cell));
  return Math.max(cell.low, Math.min(cell.high, Math.ceil((event.clientX - box.left) / box.width * 127)));
}

function strike(button, velocity) {
  const cell = cellOf(button), from = cell.shots.length ? cell.shots : cell.beside;
  const turn = turns.get(cell) || 0, number = from[turn % from.length];
  turns.set(cell, turn + 1);
  choose(button, velocity);
  markTurn(button, cell, number);
  show(number);
  const own = shots[number].own;
  playShot(button, number, velocity, cell.wanted.length && own !== null ? cell.wanted[velocity - cell.low] - own : 0);
}

function beside(button, key) {
  const row = strips.findIndex((strip) => strip.includes(button)), column = strips[row].indexOf(button);
  if (key === "ArrowLeft") return strips[row][column - 1];
  if (key === "ArrowRight") return strips[row][column + 1];
  if (key === "Home") return strips[row][0];
  if (key === "End") return strips[row][strips[row].length - 1];
  const next = strips[row + {ArrowUp: -1, ArrowDown: 1}[key]], wanted = Number(button.dataset.velocity || middleOf(cellOf(button)));
  return next && (next.find((other) => wanted <= cellOf(other).high) || next[next.length - 1]);
}

for (const button of cells) {
  button.addEventListener("click", (event) => strike(button, velocityAt(button, event)));
  button.addEventListener("mousemove", (event) => point(button, velocityAt(button, {detail: 1, clientX: event.clientX})));
  button.addEventListener("focus", () => { if (button.getAttribute("aria-current") !== "true") choose(button, middleOf(cellOf(button))); });
  button.addEventListener("keydown", (event) => {
    const cell = cellOf(button), step = {ArrowLeft: -1, ArrowRight: 1, ArrowDown: -1, ArrowUp: 1}[event.key];
    if (event.shiftKey && step) {
      event.preventDefault();
      choose(button, Math.max(cell.low, Math.min(cell.high, Number(button.dataset.velocity || middleOf(cell)) + step)));
      now.textContent = `Velocity ${button.dataset.velocity}`;
      return;
    }
    if (!step && !["Home", "End"].includes(event.key)) return;
    event.preventDefault();
    const next = beside(button, event.key);
    if (next) next.focus();
  });
}
const board = document.querySelector(".map");
if (board) board.addEventListener("mouseleave", () => {
  const button = cells.find((each) => each.tabIndex === 0);
  if (button) point(button, Number(button.dataset.velocity));
});
if (cells.length) {
  const first = strips[0][strips[0].length - 1], cell = cellOf(first);
  choose(first, middleOf(cell));
  show((cell.shots.length ? cell.shots : cell.beside)[0]);
} else if (shots.length) show(0);

for (const button of document.querySelectorAll("[data-print]")) {
  const item = {...data.prints[Number(button.dataset.print)], mics: [], lead: 0}, canvas = button.querySelector("canvas");
  drawWhenSeen(canvas, () => draw(canvas, item.whole, 0, item.seconds, item.seconds));
  button.addEventListener("click", () => play(button, item.title, [item], [ALONE]));
}

/* ---- tables as cards, the command for what was left out, folded parts that are linked to ---- */

for (const table of document.querySelectorAll("table")) {
  const heads = [...table.querySelectorAll("thead th")].map((head) => head.textContent);
  for (const row of table.querySelectorAll("tbody tr")) [...row.children].forEach((cell, i) => {
    if (cell.tagName !== "TD") return;
    cell.dataset.label = heads[i];
    if (cell.textContent === "\u2013") cell.classList.add("none");
  });
  /* shown as blocks, they are still tables for those who listen to the page */
  const roles = {table: [table], rowgroup: table.querySelectorAll("thead, tbody"), row: table.querySelectorAll("tr"),
    columnheader: table.querySelectorAll("thead th"), rowheader: table.querySelectorAll("tbody th"), cell: table.querySelectorAll("td")};
  for (const [role, elements] of Object.entries(roles)) for (const element of elements) element.setAttribute("role", role);
  table.classList.add("cards");
}

/* From a disk the page knows where the kit is; nothing is sent anywhere. */
const where = byId("kit-path");
if (where && location.protocol === "file:") {
  const folder = decodeURIComponent(location.pathname).replace(/\/[^/]*$/, "");
  where.textContent = /^\/[A-Za-z]:/.test(folder) ? `"${folder.slice(1).replaceAll("/", "\\")}"` : `'${folder.replaceAll("'", "'\\''")}'`;
}
const copy = byId("copy");
if (copy && navigator.clipboard) {
  copy.hidden = false;
  copy.addEventListener("click", async () => {
    try { await navigator.clipboard.writeText(copy.previousElementSibling.textContent); copy.textContent = "Copied"; }
    catch { copy.hidden = true; }
  });
}

function unfold() {
  const target = location.hash && document.getElementById(decodeURIComponent(location.hash.slice(1)));
  for (let each = target; each; each = each.parentElement) if (each.tagName === "DETAILS") each.open = true;
}
addEventListener("hashchange", unfold);
unfold();

document.querySelector(".player").hidden = !shots.length && !data.prints.length;
if (byId("disk")) byId("disk").hidden = served;
})();
