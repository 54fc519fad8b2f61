/* The kit played: each drum's velocity layers, one key over velocity, a groove, and the balance while they sound. */

import {byId, figure, getJson, make} from "./base.js";
import {sideText} from "./decisions.js";
import {outline} from "./list.js";
import * as listen from "./listen.js";
import {attempt, setFader, state} from "./state.js";

const section = byId("playing");
let tells = () => {};
export const onOpen = (listener) => { tells = listener; };

export async function perform(what, title, drum = null, articulation = null) {
  const asked = performance.now(), turn = listen.claim();
  const query = drum === null ? "" : `?drum=${encodeURIComponent(drum)}${articulation === null ? "" : `&articulation=${encodeURIComponent(articulation)}`}`;
  const found = await attempt(() => getJson(`play/${what}${query}`));
  if (!found) return;
  const hits = [...new Set(found.voices.map((voice) => voice.hit))];
  byId("now").textContent = `Loading ${hits.length} sounds …`;
  const loaded = await attempt(() => Promise.all(hits.map((hit) => listen.load(`hits/${hit}/shot?of=${state.revision}`))));
  if (!loaded || !listen.isTurn(turn)) return;
  const sounds = new Map(hits.map((hit, i) => [hit, loaded[i]]));
  const onset = new Map(state.kit.shots.map((shot) => [shot.hit, shot.onset]));
  listen.play(title, found.voices.map((voice) => {
    const sound = sounds.get(voice.hit);
    return {sound, at: Math.max(0, voice.at - (onset.get(voice.hit) || 0) / sound.rate), gainDb: voice.gain, cut: voice.cut, fade: found.fade};
  }), asked);
  light(found.voices);
}

/* Each one-shot is marked while its stroke begins to sound. */
const LIT_S = 0.3;
function light(voices) {
  let lit = new Set();
  listen.follow((seconds) => {
    const now = new Set(seconds === null ? [] : voices.filter((voice) => voice.at <= seconds && seconds < voice.at + LIT_S).map((voice) => voice.hit));
    for (const [mine, others, on] of [[lit, now, false], [now, lit, true]]) {
      for (const id of mine) { const button = byId(`shot-${id}`); if (button && !others.has(id)) button.classList.toggle("now", on); }
    }
    lit = now;
  });
}

async function one(shot) {
  const path = `hits/${shot.hit}/shot?of=${state.revision}`, turn = listen.claim();
  const sound = listen.atHand(path) || await attempt(() => listen.load(path));
  if (sound && listen.isTurn(turn)) {
    listen.play(`${shot.drum}, ${shot.way}: layer ${shot.layer}, round robin ${shot.robin}`, [{sound}]);
    light([{hit: shot.hit, at: 0}]);
  }
}

export function paint() {
  const groups = [];
  for (const key of state.kit.keys) {
    const shots = state.kit.shots.filter((shot) => shot.drum === key.drum && shot.way === key.articulation);
    if (shots.length) groups.push(ladder(key, shots));
  }
  const held = section.contains(document.activeElement) ? document.activeElement.id : "";
  const columns = () => [...section.querySelectorAll(".two > *")], rolled = columns().map((column) => column.scrollTop);
  section.replaceChildren(
    make("div", {className: "two"},
      make("div", {}, make("div", {className: "row"},
        make("button", {type: "button", className: "strong", id: "groove", "aria-keyshortcuts": "g", onclick: () => perform("groove", "Groove")}, "Play a groove ", make("kbd", {}, "g")),
        make("button", {type: "button", className: "narrow", onclick: () => { const to = section.querySelector(".balance"); to.scrollIntoView(); to.focus({preventScroll: true}); }}, "Go to balance")),
      make("p", {className: "note"}, "The kit as last built. Adjust the balance while it plays; click a one-shot to play it."), ...groups),
      balance()));
  columns().forEach((column, n) => { column.scrollTop = rolled[n] || 0; });
  if (held && byId(held)) byId(held).focus({preventScroll: true});
}

function ladder(key, shots) {
  const layers = [...new Set(shots.map((shot) => shot.layer))].sort((a, b) => b - a);
  const levels = shots.map((shot) => shot.mix).filter((level) => level !== null);
  const low = Math.min(...levels) - 2, high = Math.max(...levels) + 0.5;
  return make("section", {className: "group"},
    make("h2", {}, key.drum, make("span", {className: "how"}, `, ${key.articulation}`), make("span", {className: "sub"}, `key ${key.key}`)),
    make("div", {className: "row"},
      make("button", {type: "button", onclick: () => perform("ladder", `${key.drum}, ${key.articulation}: from soft to hard`, key.drum, key.articulation)}, "Soft to hard"),
      make("button", {type: "button", onclick: () => perform("velocity", `${key.drum}, ${key.articulation}: one key over velocity`, key.drum, key.articulation)}, "Over velocity")),
    make("div", {className: "ladder"}, ...layers.map((layer) => {
      const mine = shots.filter((shot) => shot.layer === layer).sort((a, b) => a.robin - b.robin);
      const known = mine.map((shot) => shot.mix).filter((level) => level !== null).sort((a, b) => a - b);
      const level = known.length ? known[Math.floor(known.length / 2)] : null;
      const fill = make("span", {className: "fill"}), bar = make("span", {className: "track"}, fill);
      fill.style.width = `${100 * ((level ?? low) - low) / Math.max(high - low, 1e-6)}%`;
      return make("div", {className: "rung"}, make("span", {}, make("b", {}, `Layer ${layer}`), make("span", {className: "sub"}, `velocity ${mine[0].velocity.join(" to ")}`)),
        make("span", {className: "level"}, bar, make("span", {className: "sub"}, figure(level, 1, "dBFS"))),
        make("span", {className: "robins"}, ...mine.map((shot) => make("button", {type: "button", className: "robin", id: `shot-${shot.hit}`, onclick: () => one(shot), ondblclick: () => tells(shot.hit),
          title: "double click: go to this hit"}, drawn(shot.hit), `round robin ${shot.robin} `, make("span", {className: `grade g${shot.grade}`}, shot.grade)))));
    })));
}

/* Outlines are fetched as they come into sight. */
const seen = new IntersectionObserver((entries) => {
  for (const entry of entries) if (entry.isIntersecting) { seen.unobserve(entry.target); outline(Number(entry.target.dataset.hit), entry.target, [64, 30]); }
}, {rootMargin: "200px"});
function drawn(id) {
  const canvas = make("canvas", {"data-hit": id, "aria-hidden": "true"});
  seen.observe(canvas);
  return canvas;
}

/* The other side of a mic's pair; null where it has none. */
function otherSide(mic) {
  const mics = state.kit.takes.flatMap((take) => take.mics), mine = mics.find((each) => each.name === mic);
  const other = mine && mine.pair && mine.side ? mics.find((each) => each.pair === mine.pair && each.side && each.side !== mine.side) : null;
  return other && other.name in state.kit.balance ? other.name : null;
}

let linked = true;
const LEAST = -40, MOST = 12;
const SETTLED_MS = 250;  // after which a move is saved: the first click of a double click is none

function balance() {
  const strips = new Map();
  for (const [n, [mic, fader]] of Object.entries(state.kit.balance).entries()) strips.set(mic, strip(n, mic, {...fader}, strips));
  const link = make("button", {type: "button", className: "small", id: "linked", "aria-pressed": String(linked), onclick: () => { linked = !linked; link.setAttribute("aria-pressed", String(linked)); }}, "Link pairs");
  return make("section", {className: "balance", tabIndex: -1, "aria-label": "Balance"}, make("div", {className: "row"}, make("h2", {}, "Balance"), link),
    make("p", {className: "note"}, "Heard at once and saved in recipe.toml; mappings and prints follow with the next build. Solo is for listening only. A double click on a fader sets it as computed. In kit.sfz all are shifted by one amount, which its velocity curves take off again."),
    ...[...strips.values()].map((each) => each.element));
}

/* One mic of the mixer. `now`: its fader as it sounds. Both sides of a pair move together while they are linked: by as many
   decibels, and as far to their sides. */
function strip(n, mic, now, strips) {
  const said = make("output", {}), side = make("output", {}), partner = otherSide(mic);
  const slider = (id, min, max, step, label) => make("input", {type: "range", min, max, step, id: `${id}-${n}`, "aria-label": label, title: "double click: as computed"});
  const gain = slider("gain", LEAST, MOST, "0.5", `Gain of ${mic}, dB`), pan = slider("pan", "-1", "1", "0.05", `Pan of ${mic}`);
  const toggle = (id, text, label, action) => make("button", {type: "button", className: "small", id: `${id}-${n}`, "aria-label": label, onclick: action}, text);
  const mute = toggle("mute", "Mute", `Mute ${mic}`, () => write({on: !now.on}, {on: !now.on}));
  const solo = toggle("solo", "Solo", `Solo ${mic}`, () => {
    const some = new Set(listen.solos()), names = linked && partner ? [mic, partner] : [mic], on = !some.has(mic);
    for (const name of names) if (on) some.add(name); else some.delete(name);
    listen.setSolos(some);
    for (const each of strips.values()) each.show();
  });
  const back = make("button", {type: "button", className: "small", "aria-label": `reset: ${mic} to its computed setting`,
    onclick: () => write(null, null)}, "reset");

  function show() {
    said.textContent = figure(now.gain_db, 1, "dB");
    side.textContent = sideText(now.pan);
    gain.value = String(Math.max(LEAST, now.gain_db));
    pan.value = String(now.pan);
    mute.setAttribute("aria-pressed", String(!now.on));
    solo.setAttribute("aria-pressed", String(listen.solos().has(mic)));
    back.hidden = !(mic in state.kit.said);
  }
  /* What is heard while a slider moves; saved once it is let go. */
  function sound(part) {
    Object.assign(now, part);
    show();
    listen.setFaders(Object.fromEntries([...strips].map(([name, each]) => [name, each.now])));
  }
  const beside = () => linked && partner ? strips.get(partner) : null;
  /* Only what was moved is said: a slider stands at its nearest step, and what it does not say stays as computed. */
  const write = (mine, others) => setFader(mic, mine, beside() ? [partner, others] : null).then(() => {
    for (const [name, each] of strips) { Object.assign(each.now, state.kit.balance[name]); each.show(); }
  });
  let waiting = 0;
  let from = null;  // where both stood when the slider was taken hold of
  const start = () => { from ??= {gain_db: now.gain_db, other: beside() ? beside().now.gain_db : 0}; };
  function moved() {
    const mine = Number(gain.value), other = Math.min(MOST, from.other + mine - from.gain_db);
    return [{gain_db: mine}, {gain_db: Math.round(other * 10) / 10}];
  }
  const turned = () => [{pan: Number(pan.value)}, {pan: -Number(pan.value) || 0}];
  for (const [control, parts] of [[gain, moved], [pan, turned]]) {
    control.addEventListener("input", () => { start(); const [mine, other] = parts(); sound(mine); if (beside()) beside().sound(other); });
    control.addEventListener("change", () => {
      start();
      clearTimeout(waiting);
      waiting = setTimeout(() => { const [mine, other] = parts(); from = null; write(mine, other); }, SETTLED_MS);
    });
  }
  const computed = (part) => { clearTimeout(waiting); from = null; write(part, part); };
  gain.addEventListener("dblclick", () => computed({gain_db: undefined}));
  pan.addEventListener("dblclick", () => computed({pan: undefined}));
  show();
  const element = make("div", {className: "fader"}, make("span", {className: "row"}, make("b", {}, mic), partner ? make("span", {className: "sub"}, `with ${partner}`) : "", mute, solo, back),
    make("span", {className: "row"}, make("span", {className: "sub"}, "gain"), gain, said), make("span", {className: "row"}, make("span", {className: "sub"}, "pan"), pan, side));
  return {element, now, show, sound};
}
