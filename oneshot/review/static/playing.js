/* The kit played: each drum's ladder of layers, one key over velocity, a groove, and the balance while they sound. */

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
  const held = section.contains(document.activeElement) ? document.activeElement.id : "", rolled = (section.querySelector(".balance") || {scrollTop: 0}).scrollTop;
  section.replaceChildren(
    make("div", {className: "two"},
      make("div", {}, make("div", {className: "row"},
        make("button", {type: "button", className: "strong", id: "groove", "aria-keyshortcuts": "g", onclick: () => perform("groove", "Groove")}, "Play a groove ", make("kbd", {}, "g")),
        make("button", {type: "button", className: "narrow", onclick: () => { const to = section.querySelector(".balance"); to.scrollIntoView(); to.focus({preventScroll: true}); }}, "Go to balance")),
      make("p", {className: "note"}, "The kit as last built. Adjust the balance while it plays; click a one-shot to play it."), ...groups),
      balance()));
  section.querySelector(".balance").scrollTop = rolled;
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
        make("span", {className: "level"}, bar, make("span", {className: "sub"}, figure(level, 1, "dB"))),
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

function balance() {
  const rows = Object.entries(state.kit.balance).map(([mic, fader], n) => {
    const now = {...fader};
    const said = make("output", {}, figure(now.gain_db, 1, "dB"));
    const side = make("output", {}, sideText(now.pan));
    const gain = make("input", {type: "range", min: "-40", max: "12", step: "0.5", value: String(Math.max(-40, now.gain_db)), id: `gain-${n}`, "aria-label": `Gain of ${mic}, dB`});
    const pan = make("input", {type: "range", min: "-1", max: "1", step: "0.05", value: String(now.pan), id: `pan-${n}`, "aria-label": `Pan of ${mic}`});
    const on = make("input", {type: "checkbox", checked: now.on, id: `on-${n}`, "aria-label": `${mic} on`});
    /* Only what was moved is said: a slider stands at its nearest step, and what it does not say stays as computed. */
    const values = new Map([[gain, () => ({gain_db: Number(gain.value)})], [pan, () => ({pan: Number(pan.value)})], [on, () => ({on: on.checked})]]);
    const sounding = (control) => {
      Object.assign(now, values.get(control)());
      said.textContent = figure(now.gain_db, 1, "dB");
      side.textContent = sideText(now.pan);
      listen.setFaders({...state.kit.balance, [mic]: now});
    };
    const write = (control) => setFader(mic, values.get(control)()).then(() => back.hidden = !(mic in state.kit.said));
    for (const control of values.keys()) {
      control.addEventListener("input", () => sounding(control));
      control.addEventListener("change", () => { sounding(control); write(control); });
    }
    const back = make("button", {type: "button", className: "small", hidden: !(mic in state.kit.said), "aria-label": `reset: ${mic} to its computed setting`,
      onclick: () => setFader(mic, null).then(() => back.hidden = true)}, "reset");
    return make("div", {className: "fader"}, make("span", {className: "row"}, on, make("b", {}, mic), back),
      make("span", {className: "row"}, make("span", {className: "sub"}, "gain"), gain, said), make("span", {className: "row"}, make("span", {className: "sub"}, "pan"), pan, side));
  });
  return make("section", {className: "balance", tabIndex: -1, "aria-label": "Balance"}, make("h2", {}, "Balance"),
    make("p", {className: "note"}, "Applies at once and is saved in recipe.toml; mappings and prints follow with the next build."), ...rows);
}
