/* What the page knows of the kit, and the one way to change it: with the revision it was decided on. */

import {GONE, byId, getJson, post} from "./base.js";
import {setFaders} from "./listen.js";

export const state = {kit: null, hits: [], byId: new Map(), revision: 0, picks: [], building: false, renumbered: (id) => id};
const listeners = [];
export const onFresh = (listener) => listeners.push(listener);

export async function refresh(why = "") {
  const [kit, list] = await Promise.all([getJson("kit"), getJson("hits")]);
  const before = state.byId;
  state.kit = kit;
  state.hits = list.hits;
  const at = new Map(list.hits.map((hit) => [`${hit.take} ${hit.frame}`, hit.id]));
  /* A build may number strokes anew: they are known by their places. */
  state.renumbered = (id) => { const old = before.get(id); return old ? at.get(`${old.take} ${old.frame}`) ?? null : id; };
  state.byId = new Map(list.hits.map((hit) => [hit.id, hit]));
  state.revision = Math.min(kit.revision, list.revision);  // asked for apart: the older of the two is what is known
  state.picks = state.picks.map(state.renumbered).filter((id) => state.byId.has(id));
  setFaders(kit.balance);
  for (const listener of listeners) listener(why);
}

export function trouble(text) {
  const box = byId("trouble");
  box.hidden = !text;
  box.textContent = text || "";
}

/* Whether the program answers at all, as the page finds when it looks for news: told without waiting for the next decision,
   but not over what is told already. */
export function answers(error) {
  const box = byId("trouble");
  if (error && box.hidden) trouble(error.message);
  if (!error && box.textContent === GONE) trouble("");
}

/* What went wrong stays until the next decision: fetching something meanwhile does not wipe it away. */
export async function attempt(work) {
  try {
    return await work();
  } catch (error) {
    if (error.stale) await refresh("stale").catch(() => {});
    trouble(error.message);
    return null;
  }
}

let line = Promise.resolve();
function next(work) {
  const done = line.then(work);
  line = done.catch(() => {});
  return done;
}
/* One after the other: each is decided on what the one before left. */
const inTurn = (work) => next(() => { trouble(""); return attempt(work); });
/* What changed without this page's doing, after what it does itself; `revision`: only where that is still news. */
export const renew = (why, revision = Infinity) => next(() => revision > state.revision ? attempt(() => refresh(why)) : null);

export const decide = (entry) => inTurn(async () => {
  const said = await post("decide", {revision: state.revision, entry});
  state.revision = said.revision;
  await refresh("decided");
  return said.entry;
});

export const withdraw = (number) => inTurn(async () => {
  const said = await post("withdraw", {revision: state.revision, number});
  state.revision = said.revision;
  await refresh("decided");
});

const step = (which) => () => inTurn(async () => {
  const said = await post(which, {revision: state.revision});
  state.revision = said.revision;
  await refresh("decided");
  return said.done;
});
export const undo = step("undo"), redo = step("redo");

/* `part`: what is said anew of a mic, beside what was said of it, undefined where that no longer holds; null: nothing any
   more. `other`: the same of the other side of its pair, [mic, part]. */
export const setFader = (mic, part, other = null) => inTurn(async () => {
  const whole = (name, some) => {
    const all = some && Object.fromEntries(Object.entries({...state.kit.said[name], ...some}).filter(([, value]) => value !== undefined));
    return all && Object.keys(all).length ? all : null;
  };
  const said = await post("balance", {revision: state.revision, mic, fader: whole(mic, part),
    ...(other ? {other_side: {mic: other[0], fader: whole(...other)}} : {})});
  state.revision = said.revision;
  Object.assign(state.kit, said.kit);
  setFaders(state.kit.balance);
  for (const listener of listeners) listener("fader");
  return said;
});

export const place = (hit) => ({take: state.kit.takes[hit.take].name, frame: hit.frame});
