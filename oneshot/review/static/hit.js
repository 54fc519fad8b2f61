/* One stroke: every mic over one axis, what was measured, and everything that can be decided about it. */

import {byId, clock, colour, figure, getBytes, getJson, make, minus, plural} from "./base.js";
import {DOES} from "./decisions.js";
import {drawLane, drawSpectra} from "./draw.js";
import * as listen from "./listen.js";
import {forms} from "./forms.js";
import {attempt, decide, place, state, trouble, withdraw} from "./state.js";

const article = byId("hit");
const HZ = Array.from({length: 29}, (_, i) => 1000 * Math.pow(10, (i - 15) / 10));
const SPANS = [0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 4, 8, 16];
let hit = null, item = null, view = null, outline = null, apart = false, looked = 0, cursor = null, lanes = [];
let asked = 0, heldFor = null, lifted = false, everyMic = false;

/* Nothing is painted over under a finger: a press that began on a button ends on it. */
let pressed = null;
article.addEventListener("pointerdown", () => {
  const release = new Promise((done) => {
    for (const sign of ["pointerup", "pointercancel"]) addEventListener(sign, () => setTimeout(done, 0), {once: true, capture: true});
  });
  pressed = release.then(() => { pressed = null; });
});
article.addEventListener("input", (event) => { event.target.dataset.typed = ""; });
article.addEventListener("submit", (event) => { for (const field of event.target.elements) delete field.dataset.typed; });

export const shown = () => hit;
/* After a build: strokes may be numbered anew. */
export function renumber() { if (heldFor) heldFor.id = state.renumbered(heldFor.id); }
/* The stretch of the take that the waveforms show: {start, frames}. */
export const sight = () => view;

/* ---- where it starts and ends, with what waits to be built ---- */

export function cut() {
  const rate = hit.rate, was = hit.cut;
  const said = {};
  for (const entry of hit.entries) if (entry.hits && entry.hits.length === 1) said[entry.kind] = entry;
  const moved = said.nudge ? (said.nudge.frames ?? Math.round((said.nudge.ms || 0) * rate / 1000)) : was ? was.nudged : 0;
  const attack = was ? was.attack + moved - was.nudged : hit.frame + moved;
  const lead = was ? was.attack - was.start : Math.round(0.002 * rate);
  const next = Math.min(...hit.near.map((near) => near.frame).filter((frame) => frame > attack + 0.03 * rate), attack + 1.5 * rate);
  const usual = was ? was.stop + moved - was.nudged : Math.round(next);
  const stop = said.end ? attack + Math.round(said.end.after_ms * rate / 1000) : usual;
  const ms = (frames) => frames / rate * 1000;
  return {moved, attack, start: attack - lead, stop, gain: said.gain ? said.gain.gain_db : was ? was.gain_db : 0,
    fadeIn: said.fade && said.fade.in_ms !== undefined ? said.fade.in_ms : was ? ms(was.fade_in) : 1,
    fadeOut: said.fade && said.fade.out_ms !== undefined ? said.fade.out_ms : was ? ms(was.fade_out) : 80,
    dropped: new Set(hit.entries.filter((entry) => entry.kind === "drop").flatMap((entry) => entry.mics))};
}

/* ---- sound ---- */

const takeNumber = (name) => state.kit.takes.findIndex((take) => take.name === name);
function soundOf(row) {
  const take = state.kit.takes[row.take];
  const start = row.frame - Math.round(0.02 * take.rate), stop = row.frame + Math.round(2.5 * take.rate);
  return {path: `takes/${row.take}/sound?start=${start}&stop=${stop}`, names: take.mics.map((mic) => mic.name), start, rate: take.rate};
}
export function fetchAhead(rows) { for (const row of rows) if (row) { const at = soundOf(row); listen.load(at.path, at.names).catch(() => {}); } }

function stroke(row, sound, gainDb = 0, mic = null, at = 0, bounds = null) {
  const where = soundOf(row);
  const from = bounds ? Math.max(0, (bounds.start - where.start) / where.rate) : 0.018;
  const stop = bounds ? bounds.stop : row.frame + Math.round(1.5 * where.rate);
  return {sound, at, from, length: Math.max(0.03, (stop - where.start) / where.rate - from), gainDb, mic};
}

export async function hear(mic = null, askedAt = performance.now()) {
  if (!item) return;
  const row = item, where = soundOf(row);
  if (lifted) return hearLifted(mic, askedAt);
  const bounds = hit && hit.id === row.id ? cut() : null, mine = listen.claim();
  const sound = listen.atHand(where.path) || await attempt(() => listen.load(where.path, where.names));
  if (!sound || item !== row || !listen.isTurn(mine)) return;
  const gain = bounds && hit.cut === null ? 0 : bounds ? bounds.gain : 0;
  const what = stroke(row, sound, gain, mic, 0, bounds);
  listen.play(`${row.drum}, ${row.way}: ${mic === null ? "by the balance" : mic}`, [what], askedAt);
  followFrom(where.start + what.from * where.rate);
}

/* What came before and after, as far as it is in sight, by the balance. */
export async function hearView() {
  await showing;
  if (!hit) return;
  const at = view, take = takeNumber(hit.take), names = state.kit.takes[take].mics.map((mic) => mic.name), mine = listen.claim();
  const sound = await attempt(() => listen.load(`takes/${take}/sound?start=${at.start}&stop=${at.start + at.frames}`, names));
  if (!sound || !listen.isTurn(mine)) return;
  listen.play(`${hit.take}, from ${clock(Math.max(0, at.start / hit.rate))}: visible range`, [{sound}]);
  followFrom(at.start);
}

/* A line goes over the waveforms with what is heard. */
function followFrom(frame) {
  const mine = hit, head = byId("head");
  listen.follow((seconds) => {
    const at = seconds === null || hit !== mine ? -1 : x(frame + Math.max(0, seconds) * hit.rate);
    const line = byId("head");
    if (!line) return;
    line.hidden = at < 0 || at > 1 || (seconds === null && line !== head);
    if (line.hidden) return;
    const first = lanes[0].canvas, last = lanes[lanes.length - 1].canvas, box = line.parentElement.getBoundingClientRect();
    const from = first.getBoundingClientRect(), to = last.getBoundingClientRect(), seen = article.querySelector(".mics").getBoundingClientRect();
    const top = Math.max(from.top, seen.top), foot = Math.min(to.bottom, seen.bottom);  // no further than the lanes that are in sight
    line.style.height = `${Math.max(0, foot - top)}px`;
    line.style.transform = `translate(${from.left - box.left + at * from.width}px, ${top - box.top}px)`;
  });
}

async function hearLifted(mic, askedAt) {
  const row = item, span = cut(), mine = listen.claim();
  const path = `hits/${row.id}/lifted?frames=${Math.max(1, span.stop - row.frame)}${mic === null ? "" : `&mic=${encodeURIComponent(mic)}`}&of=${state.revision}`;
  const sound = await attempt(() => listen.load(path, ["left", "right"]));
  if (sound && item === row && listen.isTurn(mine)) listen.play(`${row.drum}, ${row.way}: tail boosted by 30 dB`, [{sound, direct: true, from: 0}], askedAt);
}

export async function hold() {
  await showing;
  if (!hit) return;
  heldFor = {id: hit.id, row: item, lufs: hit.lufs, name: `${item.drum}, ${item.way}, ${clock(item.s)}`};
  const where = soundOf(item);
  listen.load(where.path, where.names).catch(() => {});
  paintCompare();
}

export async function compare() {
  await showing;
  if (!hit) return;
  if (!heldFor || heldFor.id === hit.id) { hold(); return; }
  backToBack(heldFor, {row: item, lufs: hit.lufs});
}

async function backToBack(other, mine) {
  const turn = listen.claim();
  const [first, second] = await Promise.all([other.row, mine.row].map((row) => {
    const where = soundOf(row);
    return attempt(() => listen.load(where.path, where.names));
  }));
  if (!first || !second || !listen.isTurn(turn)) return;
  const known = [other.lufs, mine.lufs].every((value) => value !== null);
  const level = known ? Math.min(other.lufs, mine.lufs) : 0;  // the louder one comes down, none goes up
  listen.play(`first ${other.name}, then this one, level-matched`, [
    {...stroke(other.row, first, known ? level - other.lufs : 0), length: 1},
    {...stroke(mine.row, second, known ? level - mine.lufs : 0, null, 1.2), length: 1},
  ]);
}

export function toggleLift() {
  lifted = !lifted;
  const button = byId("lift");
  if (button) button.setAttribute("aria-pressed", String(lifted));
  byId("caution").textContent = lifted
    ? "Tails are boosted by 30 dB: the sound after the hit is far louder than recorded, up to \u221212 dBFS. Turn the volume down first; loud and long listening harms hearing."
    : "Drum hits are sudden and may be loud: start at a low volume, especially on headphones.";
  document.body.classList.toggle("lifted", lifted);
}

/* ---- the page of one stroke ---- */

let showing = Promise.resolve();
/* What is struck while a stroke is still on its way holds for that stroke, not for the one before. */
export function show(row, again = false) { showing = bring(row, again); return showing; }

async function bring(row, again) {
  item = row;
  delete article.dataset.hit;
  if (!row) { hit = null; asked++; article.removeAttribute("aria-busy"); byId("told").textContent = ""; article.replaceChildren(make("p", {className: "note"}, "No hit is selected.")); return; }
  const mine = ++asked;
  if (!hit) article.replaceChildren(make("p", {className: "note"}, `Reading ${row.drum}, ${row.way} …`));
  article.setAttribute("aria-busy", "true");
  const found = await attempt(() => getJson(`hits/${row.id}`));
  await pressed;
  if (mine !== asked) return;
  article.removeAttribute("aria-busy");
  if (!found) { if (!hit) article.replaceChildren(make("p", {className: "note"}, "This hit could not be read.")); return; }
  const same = hit && hit.take === found.take && hit.frame === found.frame;
  hit = found;
  if (!same || !again) {
    const home = hit.mics.findIndex((mic) => mic.name === hit.home);
    looked = Math.max(0, home);
    cursor = null;
    const span = cut();
    const seconds = Math.min(Math.max((span.stop - span.start) / hit.rate * 1.25, 0.3), 4);
    view = {start: span.start - Math.round(0.12 * seconds * hit.rate), frames: Math.round(seconds * hit.rate)};
  }
  const focus = document.activeElement && article.contains(document.activeElement) ? document.activeElement.id : "";
  const typed = same ? [...article.querySelectorAll("[data-typed]")].map((field) => [field.id, field.value]) : [];
  paint();
  if (!same || !again) reveal();
  article.dataset.hit = String(hit.id);
  for (const [id, value] of typed) {  // what is being typed is not painted over
    const field = byId(id);
    if (field) { field.value = value; field.dataset.typed = ""; }
  }
  if (focus && byId(focus)) byId(focus).focus({preventScroll: true});
  await window_();
}

function facts() {
  const parts = [`${hit.take}, ${clock(hit.frame / hit.rate)}`, `level ${figure(hit.level, 1, "dBFS")}`,
    `drum confidence ${Math.round(hit.confidence * 100)}\u202f%`];
  if (hit.with.length) parts.push(`hit together with ${hit.with.map((other) => other.drum).join(" and ")}`);
  if (hit.ornament) parts.push(`part of a ${hit.ornament}`);
  if (item.was) parts.push(`in the kit as ${item.was.join(", ")}`);
  return parts.join(" \u00b7 ");
}

function status() {
  const state_ = hit.kept ? `In the kit: layer ${hit.layer}, round robin ${item.robin}, grade ${item.grade}${hit.fallback ? ", best available" : ""}`
    : `Left out: ${hit.reason || "no reason given"}`;
  const told = item.told ? `; corrected since: ${item.told.map((kind) => DOES[kind] || kind).join(", ")}` : "";
  return state_ + told;
}

function button(text, key, action, properties = {}) {
  return make("button", {type: "button", "aria-keyshortcuts": key, ...properties, onclick: action}, text, " ", make("kbd", {}, key));
}

function paint() {
  const verdict = (hit.entries.filter((entry) => entry.kind === "keep" || entry.kind === "reject").pop() || {}).kind;
  const picked = state.picks.indexOf(hit.id);
  const parts = () => [...article.children, ...article.querySelectorAll(".mics")], rolled = parts().map((part) => part.scrollTop);
  article.replaceChildren(make("div", {className: "bench"},
    make("header", {}, make("h2", {id: "hit-title"}, item.drum, make("span", {className: "how"}, `, ${item.way}`)),
      make("p", {className: "facts"}, facts()), make("p", {className: "status", id: "status"}, status()),
      item.heed ? make("p", {className: "heed"}, `First to hear: ${item.heed[1]}.`) : ""),
    make("div", {className: "row acts"},
      button("Play", "Space", () => hear(), {id: "play", className: "strong"}),
      button("Use", "y", () => decide({kind: "keep", hits: [place(item)]}), {id: "keep", "aria-pressed": String(verdict === "keep")}),
      button("Use first", "Shift+y", () => document.dispatchEvent(new CustomEvent("first")), {id: "first", title: "as the first round robin of its layer"}),
      button("Leave out", "n", () => decide({kind: "reject", hits: [place(item)]}), {id: "reject", "aria-pressed": String(verdict === "reject")}),
      button(picked < 0 ? "Select" : `Select: no. ${picked + 1}`, "s", () => document.dispatchEvent(new CustomEvent("pick")), {id: "pick", "aria-pressed": String(picked >= 0)}),
      button("Compare", "c", () => compare(), {id: "compare"}),
      button("Tail +30 dB", "t", () => toggleLift(), {id: "lift", "aria-pressed": String(lifted)})),
    make("p", {className: "sub", id: "compared"}),
    lanesPart()),
  make("section", {className: "details", tabIndex: 0, "aria-label": "Details and settings of this hit"}, spectrumPart(), forms(hit, item, cut())));
  parts().forEach((part, n) => { part.scrollTop = rolled[n] || 0; });
  byId("told").textContent = `${item.drum}, ${item.way}. ${status()}`;  // all that is read out of it by itself
  paintCompare();
}

function paintCompare() {
  const said = byId("compared");
  if (!said) return;
  const other = heldFor && !(hit && heldFor.id === hit.id);
  said.replaceChildren(!heldFor ? "Compare holds this hit; on another hit it plays both, level-matched."
    : other ? `Held for comparison: ${heldFor.name}. ` : "This hit is held: go to another one and compare.",
  other ? make("button", {type: "button", className: "small", id: "hold", "aria-keyshortcuts": "Shift+c", onclick: () => hold()}, "Hold this one instead ", make("kbd", {}, "Shift+c")) : "");
}

function lanesPart() {
  const span = cut(), inUse = hit.mics.filter((mic) => mic.used || mic.name === hit.home || span.dropped.has(mic.name));
  const shownMics = everyMic ? hit.mics : inUse, more = hit.mics.length - inUse.length;
  lanes = shownMics.map((mic, n) => {
    const row = hit.mics.indexOf(mic);
    const canvas = make("canvas", {className: "wave", "data-row": row, role: "img",
      "aria-label": `Waveform of ${mic.name}${mic.name === hit.home ? ", the home mic" : ""}`});
    canvas.addEventListener("pointerdown", (event) => grab(event, canvas));
    const drops = span.dropped.has(mic.name);
    const line = make("div", {className: `mic${row === looked ? " looked" : ""}${drops ? " dropped" : ""}`},
      make("button", {type: "button", className: "name", id: `mic-${row}`, onclick: () => { look(row); hear(mic.name); }, title: "play this mic alone"}, make("span", {className: "said"}, "Play alone: "), n < 9 ? make("kbd", {}, String(n + 1)) : "", ` ${mic.name}`,
      mic.name === hit.home ? make("span", {className: "sub"}, "home mic") : ""),
      make("span", {className: "strip"}, canvas),
      make("span", {className: "figs"},
        mic.grade ? make("span", {className: `grade g${mic.grade}`, title: mic.filed ? "grade of its file" : "grade a file of it would have"}, mic.grade) : make("span", {className: "sub"}, "\u2013"),
        make("span", {title: "bleed relative to this hit"}, figure(mic.bleed, 1, "dB")),
        make("button", {type: "button", className: "small", "aria-pressed": String(drops), id: `drop-${row}`,
          "aria-label": `Omit ${mic.name}: no file of it for this hit`, title: drops ? "this hit has no file of this mic" : "make no file of this mic for this hit",
          onclick: () => dropOrNot(mic.name, drops)}, "Omit")));
    return {canvas, line, row};
  });
  const axis = make("canvas", {className: "axis", "aria-hidden": "true"});
  lanes.axis = axis;
  return make("div", {className: "lanes"}, make("div", {id: "head", hidden: true, ariaHidden: "true"}),
    make("div", {className: "row tools"},
      make("span", {className: "sub", title: "Drag the start, the end or a fade; a click sets the cursor."}, make("span", {id: "height"}, "Full height: \u2013")),
      make("span", {className: "row"}, tool("\u2212", "Zoom out", () => zoom(1), "zoom-out"), tool("+", "Zoom in", () => zoom(-1), "zoom-in"),
        tool("\u2190", "Earlier", () => pan(-0.4), "earlier"), tool("\u2192", "Later", () => pan(0.4), "later"),
        make("button", {type: "button", className: "small", id: "stretch", "aria-keyshortcuts": "r", onclick: () => hearView()}, "Play range ", make("kbd", {}, "r")),
        make("button", {type: "button", className: "small", id: "apart", "aria-keyshortcuts": "h", "aria-pressed": String(apart), onclick: () => toggleHeights()}, "Own heights ", make("kbd", {}, "h")),
        make("button", {type: "button", className: "small", id: "add", "aria-keyshortcuts": "a", onclick: () => addHere(), title: "a hit that was missed, at the cursor"}, "Add hit ", make("kbd", {}, "a")),
        more ? make("button", {type: "button", className: "small", id: "every-mic", onclick: () => { everyMic = !everyMic; paint(); reveal(); window_(); }},
          everyMic ? "Mics in use" : `${plural(more, "more mic")}`) : "")),
    make("div", {className: "mic top"}, make("span", {}, "Mic"), axis, make("span", {className: "figs"}, make("span", {}, "Grade"), make("span", {}, "Bleed"), make("span", {}, "Files"))),
    make("div", {className: "mics"}, ...lanes.map((lane) => lane.line)));
}

/* Left out and taken in again: the second thought takes the decision away that said it. */
function dropOrNot(name, drops) {
  if (!drops) { decide({kind: "drop", hits: [place(item)], mics: [name]}); return; }
  const said = hit.entries.filter((entry) => entry.kind === "drop" && entry.mics.includes(name));
  if (said.length === 1 && said[0].mics.length === 1 && said[0].hits.length === 1) withdraw(said[0].number);
  else trouble(`${name} is omitted together with other mics or hits: delete that under Corrections.`);
}

const tool = (text, label, action, id) => make("button", {type: "button", className: "small", "aria-label": label, title: label, id, onclick: action}, text);

function spectrumPart() {
  const canvas = make("canvas", {className: "spectrum", id: "spectrum", role: "img",
    "aria-label": `Spectrum of the first 200 ms in ${hit.mics[looked].name}, other mics in the background`});
  return make("figure", {className: "spectra"}, canvas, make("figcaption", {className: "sub", id: "spectrum-of"}, spectrumText()));
}
const spectrumText = () => `${hit.mics[looked].name}: third octaves over the first 200 ms, dBFS; other mics in the background`;

export function look(row) {
  if (!hit || row >= hit.mics.length) return;
  looked = row;
  for (const lane of lanes) lane.line.classList.toggle("looked", lane.row === row);
  byId("spectrum-of").textContent = spectrumText();
  drawSpectra(byId("spectrum"), hit.mics.map((mic) => mic.spectrum), looked, HZ);
  reveal();
}

/* With many mics the lanes scroll by themselves: the one that is looked at comes into sight. */
function reveal() {
  const box = article.querySelector(".mics"), line = (lanes.find((lane) => lane.row === looked) || {}).line;
  if (!line) return;
  const top = line.offsetTop - box.offsetTop, foot = top + line.offsetHeight;
  if (top < box.scrollTop) box.scrollTop = top;
  else if (foot > box.scrollTop + box.clientHeight) box.scrollTop = foot - box.clientHeight;
}

export async function solo(number) {
  await showing;
  const row = number < 0 && hit ? hit.mics.findIndex((mic) => mic.name === hit.home) : (lanes[number] || {row: -1}).row;
  if (hit && hit.mics[row]) { look(row); hear(hit.mics[row].name); }
}

/* ---- the window over the take ---- */

async function window_() {
  const mine = hit, at = view;
  const points = Math.min(4000, Math.round((lanes[0].canvas.clientWidth || 600) * Math.min(2, window.devicePixelRatio || 1)));
  const found = await attempt(() => getBytes(`takes/${takeNumber(hit.take)}/peaks?start=${at.start}&stop=${at.start + at.frames}&points=${points}`));
  if (!found || hit !== mine || view !== at) return;
  const values = new Int16Array(found[0]), count = Number(found[1].get("x-points"));
  const most = hit.mics.map((_, row) => values.subarray(row * count * 2, (row + 1) * count * 2).reduce((top, x) => Math.max(top, Math.abs(x)), 0));
  outline = {values, points: count, view: at, most, loudest: Math.max(...most)};
  drawAll();
}

let drawing = 0;
export function drawAll() {
  cancelAnimationFrame(drawing);
  drawing = requestAnimationFrame(() => {
    if (!hit || !lanes.length || !lanes[0].canvas.isConnected) return;
    const [lines, shades] = marks();
    for (const lane of lanes) {
      const current = outline && outline.view === view ? outline : null;
      const most = current ? (apart ? current.most[lane.row] : current.loudest) : 32767;
      drawLane(lane.canvas, current && current.values, lane.row, current ? current.points : 0, 0.94 * 32767 / Math.max(most, 8), lines, shades);
    }
    const height = byId("height");
    if (height && outline) height.textContent = apart ? "Each mic is drawn to its own peak." : `Full height: ${figure(20 * Math.log10(Math.max(outline.loudest, 1) / 32767 / 0.94), 0, "dBFS")}.`;
    drawAxis();
    const spectrum = byId("spectrum");
    if (spectrum) drawSpectra(spectrum, hit.mics.map((mic) => mic.spectrum), looked, HZ);
  });
}

const x = (frame) => (frame - view.start) / view.frames;
function marks() {
  const span = dragged || cut(), rate = hit.rate, mark = colour("--mark"), soft = colour("--soft");
  const fadeIn = span.start + span.fadeIn * rate / 1000, fadeOut = span.stop - span.fadeOut * rate / 1000;
  const lines = hit.near.map((near) => ({x: x(near.frame), name: soft, dash: [1, 4]}));
  lines.push({x: x(span.start), name: mark, width: 1.5}, {x: x(span.stop), name: mark, width: 1.5},
    {x: x(fadeIn), name: mark, dash: [4, 3]}, {x: x(fadeOut), name: mark, dash: [4, 3]},
    {x: x(span.attack), name: colour("--ink"), dash: [6, 3]});
  if (cursor !== null) lines.push({x: x(cursor), name: colour("--wave"), width: 2});
  const veil = colour("--veil");
  return [lines, [{from: 0, to: Math.max(0, x(span.start)), name: veil}, {from: Math.min(1, x(span.stop)), to: 1, name: veil}]];
}

function drawAxis() {
  const canvas = lanes.axis, to = canvas.getContext("2d"), ratio = window.devicePixelRatio || 1;
  const wide = canvas.clientWidth, high = canvas.clientHeight;
  canvas.width = Math.round(wide * ratio);
  canvas.height = Math.round(high * ratio);
  to.setTransform(ratio, 0, 0, ratio, 0, 0);
  const seconds = view.frames / hit.rate, attack = (dragged || cut()).attack;
  const steps = [0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5];
  const step = steps.find((each) => wide / (seconds / each) > 70) || 5;
  to.fillStyle = colour("--soft");
  to.font = `11px ${getComputedStyle(canvas).fontFamily}`;
  to.textAlign = "center";
  const first = Math.ceil((view.start - attack) / hit.rate / step);
  for (let n = first; n * step < (view.start + view.frames - attack) / hit.rate; n++) {
    const at = x(attack + n * step * hit.rate) * wide;
    to.fillRect(at, high - 4, 1, 4);
    if (at > 24 && at < wide - 24) to.fillText(minus(`${Math.round(n * step * 1000)} ms`), at, high - 7);
  }
}

export function toggleHeights() {
  apart = !apart;
  if (byId("apart")) byId("apart").setAttribute("aria-pressed", String(apart));
  drawAll();
}
export function zoom(by) {
  if (!hit) return;
  const seconds = view.frames / hit.rate;
  const now = SPANS.reduce((best, each) => Math.abs(Math.log(each / seconds)) < Math.abs(Math.log(best / seconds)) ? each : best);
  const next = SPANS[Math.min(Math.max(SPANS.indexOf(now) + by, 0), SPANS.length - 1)];
  const anchor = cursor ?? cut().attack, share = Math.min(Math.max(x(anchor), 0.1), 0.9), frames = Math.round(next * hit.rate);
  view = {start: Math.round(anchor - share * frames), frames};
  window_();
}
export function pan(share) {
  if (!hit) return;
  view = {start: view.start + Math.round(share * view.frames), frames: view.frames};
  window_();
}
export function moveCursor(pixels) {
  if (!hit) return;
  const wide = lanes[0].canvas.clientWidth || 600;
  cursor = Math.round((cursor ?? cut().attack) + pixels * view.frames / wide);
  if (x(cursor) < 0 || x(cursor) > 1) pan(x(cursor) < 0 ? -0.4 : 0.4);
  drawAll();
}

/* ---- the pointer: handles first, else the cursor ---- */

let dragged = null;
const HANDLES = ["start", "stop", "fadeIn", "fadeOut"];
function grab(event, canvas) {
  const box = canvas.getBoundingClientRect(), at = (e) => (e.clientX - box.left) / box.width, rate = hit.rate;
  const span = cut(), reach = (event.pointerType === "touch" ? 18 : 7) / box.width;
  const where = {start: x(span.start), stop: x(span.stop), fadeIn: x(span.start + span.fadeIn * rate / 1000), fadeOut: x(span.stop - span.fadeOut * rate / 1000)};
  const handle = HANDLES.filter((name) => Math.abs(where[name] - at(event)) < reach)
    .sort((a, b) => Math.abs(where[a] - at(event)) - Math.abs(where[b] - at(event)))[0];
  if (!handle) {
    cursor = Math.round(view.start + at(event) * view.frames);
    drawAll();
    return;
  }
  canvas.setPointerCapture(event.pointerId);
  const from = at(event);
  canvas.onpointermove = (e) => {
    const frames = Math.round((at(e) - from) * view.frames), ms = frames / rate * 1000;
    dragged = {...span};
    if (handle === "start") Object.assign(dragged, {start: span.start + frames, attack: span.attack + frames, moved: span.moved + frames});
    if (handle === "stop") dragged.stop = Math.max(span.attack + Math.round(0.01 * rate), span.stop + frames);
    if (handle === "fadeIn") dragged.fadeIn = Math.max(0, span.fadeIn + ms);
    if (handle === "fadeOut") dragged.fadeOut = Math.max(0, span.fadeOut - ms);
    drawAll();
  };
  canvas.onpointerup = canvas.onpointercancel = (e) => {
    canvas.onpointermove = canvas.onpointerup = canvas.onpointercancel = null;
    const made = dragged;
    dragged = null;
    if (made && e.type === "pointerup") settle(handle, made);
    else drawAll();
  };
}

const tenth = (value) => Math.round(value * 10) / 10;
function settle(what, span) {
  const hits = [place(item)], rate = hit.rate;
  const entry = {
    start: {kind: "nudge", hits, frames: span.moved},
    stop: {kind: "end", hits, after_ms: tenth((span.stop - span.attack) / rate * 1000)},
    fadeIn: {kind: "fade", hits, in_ms: tenth(span.fadeIn), out_ms: tenth(span.fadeOut)},
    fadeOut: {kind: "fade", hits, in_ms: tenth(span.fadeIn), out_ms: tenth(span.fadeOut)},
    gain: {kind: "gain", hits, gain_db: span.gain},
  }[what];
  return decide(entry);
}
export async function nudge(frames) {
  await showing;
  if (!hit) return;
  const span = cut();
  await settle("start", {...span, moved: span.moved + frames});
  await showing;
}

export async function addHere() {
  await showing;
  if (!hit) return;
  if (cursor === null) { trouble("Click in a waveform, or move the cursor with the arrow keys, to set the position."); return; }
  const drum = byId("add-as") ? byId("add-as").value : "";
  decide({kind: "add", hits: [{take: hit.take, frame: cursor}], ...(drum ? {drum} : {})});
}

matchMedia("(prefers-color-scheme: dark)").addEventListener("change", drawAll);
let resizing = 0;
addEventListener("resize", () => { clearTimeout(resizing); resizing = setTimeout(() => { if (hit && lanes.length) window_(); }, 120); });
