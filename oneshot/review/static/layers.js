/* Which velocity layers a build has brought or cost: one rejected hit may have been all that a layer had. */

import {plural} from "./base.js";
import {state} from "./state.js";

const MOST = 4;

/* What the kit has now: drum and articulation -> its layers, and the hits they are made of. */
export function layersNow() {
  const found = new Map();
  for (const shot of state.kit.shots) {
    const name = `${shot.drum}, ${shot.way}`;
    if (!found.has(name)) found.set(name, {layers: new Set(), hits: []});
    found.get(name).layers.add(shot.layer);
    found.get(name).hits.push(shot.hit);
  }
  return found;
}

/* In words, what has changed since `before`; "" where every drum has as many layers as it had. What merely has another name
   now is no loss: its hits are still in the kit. */
export function layersChanged(before) {
  const now = layersNow(), inKit = new Set(state.kit.shots.map((shot) => shot.hit)), said = [];
  for (const [name, {layers, hits}] of before) {
    const left = now.get(name);
    if (left && left.layers.size !== layers.size) said.push(`${name} has ${plural(left.layers.size, "layer")} now, ${layers.size} before`);
    if (!left && !hits.some((hit) => inKit.has(state.renumbered(hit)))) said.push(`${name} has no one-shot any more`);
  }
  const more = said.length - MOST;
  return [...said.slice(0, MOST), ...(more > 0 ? [`${plural(more, "more change")} of layers`] : [])].join("; ");
}
