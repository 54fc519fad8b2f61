"use strict";
(() => {
const data = JSON.parse(document.getElementById("data").textContent);
const byId = (id) => document.getElementById(id);
const minus = (text) => text.replace("-", "\u2212");
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

/* ---- drawing ---- */

const unpacked = new Map();
function unpack(text) {
  if (!unpacked.has(text)) {
    if (unpacked.size > 3000) unpacked.clear();
    unpacked.set(text, Int8Array.from(atob(text), (c) => c.charCodeAt(0)));
  }
  return unpacked.get(text);
}

/* A file's outline on an axis of `axis` seconds; `at` is where the outline begins on it, `length` how long it lasts. */
function draw(canvas, text, channels, at, length, axis, attack) {
  const ratio = window.devicePixelRatio || 1;
  const wide = canvas.clientWidth, high = canvas.clientHeight;
  if (!wide) return;
  canvas.width = Math.round(wide * ratio);
  canvas.height = Math.round(high * ratio);
  const pen = canvas.getContext("2d");
  const style = getComputedStyle(document.documentElement);
  pen.scale(ratio, ratio);
  const values = unpack(text), points = data.points, lane = high / channels;
  const start = at / axis * wide, step = length / axis * wide / points;
  for (let channel = 0; channel < channels; channel++) {
    const middle = lane * (channel + 0.5), reach = (lane / 2 - 1) / 127;
    pen.fillStyle = style.getPropertyValue("--line");
    pen.fillRect(0, middle - 0.5, wide, 1);
    pen.fillStyle = style.getPropertyValue("--wave");
    const x = (i) => start + (i + 0.5) * step, y = (i, side) => middle - values[(channel * points + i) * 2 + side] * reach;
    pen.beginPath();
    for (let i = 0; i < points; i++) pen.lineTo(x(i), Math.min(y(i, 1), y(i, 0) - 0.9));
    for (let i = points - 1; i >= 0; i--) pen.lineTo(x(i), y(i, 0));
    pen.fill();
  }
  if (attack !== null) {
    pen.fillStyle = style.getPropertyValue("--mark");
    pen.fillRect(attack / axis * wide - 0.5, 0, 1, high);
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
addEventListener("beforeprint", redrawAll);
let resizing = 0;
addEventListener("resize", () => { clearTimeout(resizing); resizing = setTimeout(redrawAll, 150); });

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

async function play(button, title, files, faders) {
  const again = playing && playing.button === button;
  stop();
  if (again) return;
  const voices = files.map((file, i) => ({file, fader: faders[i]})).filter((voice) => voice.fader.on && voice.file.plays !== false && inside(voice.file.path));
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
  const loudest = Math.max(1, ...voices.map((voice) => amount(voice.fader.gain)));
  let left = voices.length;
  const players = voices.map((voice) => {
    const player = new Audio(address(voice.file.path));
    player.preload = "auto";
    player.onended = () => { left -= 1; if (!left) done(); };
    return player;
  });
  run.stop = () => players.forEach((player) => { player.pause(); player.removeAttribute("src"); player.load(); });
  run.turn = () => players.forEach((player, i) => {
    player.volume = Math.min(1, quiet() * amount(voices[i].fader.gain) / loudest);
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
    if (file.channels === 1 && fader.pan) last = last.connect(new StereoPannerNode(context, {pan: fader.pan}));
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

/* ---- a one-shot's mics ---- */

const ALONE = {gain: 0, pan: 0, polarity: 1, on: true};

function ticks(from, to, step, unit, scale) {
  const row = make("div", {className: "axis-row", ariaHidden: "true"});
  for (let at = Math.ceil(from / step) * step; at <= to + 1e-9; at += step) {
    const tick = make("span", {}, `${minus(String(+(at * scale).toFixed(3)))}${Math.abs(at) < 1e-9 ? unit : ""}`);
    tick.style.left = `${(at - from) / (to - from) * 100}%`;
    row.append(tick);
  }
  return row;
}

function niceStep(length) {
  return [0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10].find((step) => length / step <= 7) || 30;
}

function facts(shot) {
  const parts = [`hit ${shot.hit} of ${shot.from}`, `${figure(shot.level)} dB`];
  if (shot.pitch !== null) parts.push(`pitch ${figure(shot.pitch)} Hz`);
  if (shot.decay !== null) parts.push(`decay ${figure(shot.decay, 2)} s`);
  if (shot.ring !== null) parts.push(`${figure(shot.ring, 0)} dB of decay kept${shot.ring < 40 ? " (short)" : ""}`);
  if (shot.with.length) parts.push(`hit together with ${shot.with.map((other) => other.drum).join(", ")}`);
  if (shot.fallback) parts.push("below the required grade: best available");
  return parts.join(" \u00b7 ");
}

function micRow(shot, file, lead, whole) {
  const name = file.mics.join(" + ");
  const button = make("button", {type: "button", ariaLabel: `Play ${name} alone`}, name);
  button.addEventListener("click", () => play(button, `${shot.title}, ${name} alone`, [file], [ALONE]));
  const start = make("canvas", {ariaHidden: "true"}), all = make("canvas", {ariaHidden: "true"});
  const at = lead - file.lead;
  drawWhenSeen(start, () => draw(start, file.start, file.channels, at, data.startSeconds, data.startSeconds, lead));
  drawWhenSeen(all, () => draw(all, file.whole, file.channels, at, file.seconds, whole, lead));
  const figures = make("div", {className: "figs"},
    make("span", {}, make("b", {className: `grade g${file.grade}`, ariaLabel: `grade ${file.grade}`}, file.grade)),
    ...[[file.bleed, "bleed", 1], [file.peak, "peak", 1], [file.lufs, "LUFS", 1], [file.seconds, "seconds", 2]]
      .map(([value, unit, digits]) => make("span", {title: unit, ariaLabel: `${unit} ${figure(value, digits)}`}, figure(value, digits))));
  return make("div", {className: file.channels > 1 ? "mic stereo" : "mic", role: "group", ariaLabel: name}, button, start, all, figures);
}

function show(number, panel) {
  if (panel.dataset.shot === String(number)) return;
  panel.dataset.shot = number;
  const shot = data.shots[number];
  const lead = Math.max(...shot.files.map((file) => file.lead));
  const whole = Math.max(...shot.files.map((file) => lead - file.lead + file.seconds));
  const top = make("div", {className: "mic top", ariaHidden: "true"}, make("span", {}, "Single mics"),
    make("div", {}, "Start, ms after the attack", ticks(-lead, data.startSeconds - lead, 0.01, " ms", 1000)),
    make("div", {}, "Whole file, s", ticks(-lead, whole - lead, niceStep(whole), " s", 1)),
    make("div", {className: "figs"}, ...["", "bleed dB", "peak dBFS", "LUFS 400 ms", "length s"].map((text) => make("span", {}, text))));
  panel.replaceChildren(make("h3", {}, shot.title), make("p", {className: "facts"}, facts(shot)), top,
    ...shot.files.map((file) => micRow(shot, file, lead, whole)));
}

/* ---- the ladders: one stop of the tab key each, arrow keys inside ---- */

function choose(buttons, button, panel) {
  for (const other of buttons) {
    other.tabIndex = other === button ? 0 : -1;
    other.setAttribute("aria-current", String(other === button));
  }
  show(Number(button.dataset.shot), panel);
}

function move(rungs, button, key) {
  const row = rungs.findIndex((rung) => rung.includes(button)), column = rungs[row].indexOf(button);
  if (key === "ArrowLeft") return rungs[row][column - 1];
  if (key === "ArrowRight") return rungs[row][column + 1];
  if (key === "Home") return rungs[row][0];
  if (key === "End") return rungs[row][rungs[row].length - 1];
  const next = rungs[row + {ArrowUp: -1, ArrowDown: 1}[key]];
  return next && next[Math.min(column, next.length - 1)];
}

for (const ladder of document.querySelectorAll(".ladder")) {
  const panel = ladder.parentElement.querySelector(".panel");
  const rungs = [...ladder.querySelectorAll(".rung:not(.all)")].map((rung) => [...rung.querySelectorAll(".shot")]);
  const buttons = rungs.flat();
  const homeOf = (button) => { const shot = data.shots[Number(button.dataset.shot)]; return shot.files[shot.home]; };
  const longest = Math.max(...buttons.map((button) => homeOf(button).seconds));
  for (const button of buttons) {
    const shot = data.shots[Number(button.dataset.shot)], file = shot.files[shot.home], canvas = button.querySelector("canvas");
    drawWhenSeen(canvas, () => draw(canvas, file.whole, file.channels, 0, file.seconds, longest, null));
    button.addEventListener("focus", () => choose(buttons, button, panel));
    button.addEventListener("click", () => {
      choose(buttons, button, panel);
      play(button, `${shot.title}, by the balance`, shot.files, shot.files.map(faderOf));
    });
    button.addEventListener("keydown", (event) => {
      if (!["ArrowLeft", "ArrowRight", "ArrowUp", "ArrowDown", "Home", "End"].includes(event.key)) return;
      event.preventDefault();
      const next = move(rungs, button, event.key);
      if (next) next.focus();
    });
  }
  choose(buttons, rungs[rungs.length - 1][0], panel);
}

for (const button of document.querySelectorAll("[data-print].shot")) {
  const item = data.prints[Number(button.dataset.print)], canvas = button.querySelector("canvas");
  drawWhenSeen(canvas, () => draw(canvas, item.whole, item.channels, 0, item.seconds, item.seconds, null));
  button.addEventListener("click", () => play(button, item.title, [{...item, mics: [], lead: 0}], [ALONE]));
}

document.querySelector(".player").hidden = false;
byId("disk").hidden = served;
})();
