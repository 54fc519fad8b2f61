/* The list of strokes: only the rows in sight exist, so that thousands scroll as well as ten. */

import {byId, clock, figure, getBytes, make} from "./base.js";
import {DOES} from "./decisions.js";
import {drawOutline} from "./draw.js";

const ROW = 58;
const EXTRA = 6, DRAWN = [44, 40];
const box = byId("list"), spacer = box.firstElementChild;
let items = [], chosen = -1, picked = new Set(), tell = () => {};
const live = new Map();
const outlines = new Map();

export function onChoose(listener) { tell = listener; }

export function show(all, keep, picks) {
  items = all;
  picked = picks;
  for (const row of live.values()) row.remove();
  live.clear();
  chosen = Math.max(-1, items.findIndex((item) => item.id === keep));
  spacer.style.height = `${items.length * ROW}px`;
  render();
  if (chosen >= 0) reveal(chosen);
}

export const current = () => items[chosen] || null;
/* The hits from the chosen one on, then those before it, the nearest first: where to go on if it leaves the list. */
export const onward = () => [...items.slice(Math.max(chosen, 0)), ...items.slice(0, Math.max(chosen, 0)).reverse()].map((item) => item.id);
export const beside = (step) => items[chosen + step] || null;

export function choose(index, quiet = false) {
  if (!items.length) return;
  chosen = Math.min(Math.max(index, 0), items.length - 1);
  reveal(chosen);
  render();
  for (const [at, row] of live) row.setAttribute("aria-selected", String(at === chosen));
  box.setAttribute("aria-activedescendant", `stroke-${items[chosen].id}`);
  if (!quiet) tell(items[chosen]);
}
export const step = (by) => choose(chosen + by);

function reveal(index) {
  const top = index * ROW;
  if (top < box.scrollTop) box.scrollTop = top;
  else if (top + ROW > box.scrollTop + box.clientHeight) box.scrollTop = top + ROW - box.clientHeight;
}

function render() {
  const first = Math.max(0, Math.floor(box.scrollTop / ROW) - EXTRA);
  const last = Math.min(items.length, Math.ceil((box.scrollTop + box.clientHeight) / ROW) + EXTRA);
  for (const [index, row] of live) {
    if (index < first || index >= last) { row.remove(); live.delete(index); }
  }
  for (let index = first; index < last; index++) {
    if (!live.has(index)) {
      const row = rowOf(index);
      live.set(index, row);
      spacer.append(row);
    }
  }
}

function rowOf(index) {
  const item = items[index];
  const canvas = make("canvas", {"aria-hidden": "true"});
  const place = item.kept ? `layer ${item.layer}, round robin ${item.robin}` : "left out";
  const name = `${item.drum}, ${item.way}`, about = item.kept ? (item.heed ? `${place}, ${item.heed[1]}` : place) : item.why || "left out";
  const told = item.told ? item.told.map((kind) => DOES[kind] || kind).join(", ") : "";
  const row = make("div", {className: `stroke${item.kept ? " kept" : ""}${item.told ? " told" : ""}`,
    role: "option", id: `stroke-${item.id}`, "aria-selected": String(index === chosen), "aria-setsize": items.length,
    "aria-posinset": index + 1},
  canvas,
  make("span", {className: "what"}, make("b", {title: name}, name), make("span", {className: "when"}, clock(item.s)),
    make("span", {className: "sub", title: about}, `${figure(item.level, 1, "dBFS")} \u00b7 ${about}`)),
  make("span", {className: "state"},
    item.grade ? make("span", {className: `grade g${item.grade}`, title: "grade"}, item.grade) : null,
    picked.has(item.id) ? make("span", {className: "chip"}, "selected") : null,
    told ? make("span", {className: "chip", title: told}, told) : null));
  row.style.transform = `translateY(${index * ROW}px)`;
  row.addEventListener("click", () => choose(index));
  outline(item.id, canvas, DRAWN);
  return row;
}

const queue = [];
let busy = 0;
/* The outline of a stroke in its home mic, fetched once. */
export function outline(id, canvas, size) {
  if (outlines.has(id)) { drawOutline(canvas, outlines.get(id), size); return; }
  queue.push([id, canvas, size]);
  pump();
}
function pump() {
  while (busy < 3 && queue.length) {
    const [id, canvas, size] = queue.pop();  // the newest first: that is what is in sight
    if (!canvas.isConnected && queue.length > 40) continue;
    busy++;
    getBytes(`hits/${id}/outline`).then(([bytes]) => {
      outlines.set(id, new Int16Array(bytes));
      if (canvas.isConnected) drawOutline(canvas, outlines.get(id), size);
    }).catch(() => {}).finally(() => { busy--; pump(); });
  }
}

box.addEventListener("scroll", () => requestAnimationFrame(render), {passive: true});
new ResizeObserver(render).observe(box);
