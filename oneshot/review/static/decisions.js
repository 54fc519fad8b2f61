/* Everything that was decided, in the order of corrections.toml. */

import {byId, clock, make, plural} from "./base.js";
import {state} from "./state.js";

const section = byId("decisions");
const DOES = {keep: "kept", reject: "rejected", rename: "renamed", move: "moved", merge: "joined", split: "split off", layer: "put into a layer",
  round_robins: "round robins chosen", add: "added", nudge: "start moved", end: "end set", fade: "fades set", drop: "mics left out", gain: "level trimmed"};

const rateOf = (name) => (state.kit.takes.find((take) => take.name === name) || {rate: 48000}).rate;

function whom(entry) {
  if (entry.hits) {
    const first = entry.hits[0];
    const place = `${first.take}, ${clock(first.frame / rateOf(first.take))}`;
    return entry.hits.length === 1 ? place : `${plural(entry.hits.length, "stroke")}, first ${place}`;
  }
  return [entry.drum, entry.articulation, entry.layer ? `layer ${entry.layer}` : "", (entry.drums || entry.articulations || []).join(" and ")].filter(Boolean).join(", ");
}

function what(entry) {
  const parts = [];
  if (entry.to) parts.push(`to ${entry.to}`);
  if (entry.to_articulation) parts.push(`struck ${entry.to_articulation}`);
  if (entry.hits && entry.layer) parts.push(`layer ${entry.layer}`);
  if (entry.hits && entry.drum && entry.kind === "add") parts.push(`as ${entry.drum}`);
  for (const [key, unit] of [["frames", "frames"], ["ms", "ms"], ["after_ms", "ms after the attack"], ["in_ms", "ms in"], ["out_ms", "ms out"], ["gain_db", "dB"]]) {
    if (entry[key] !== undefined) parts.push(`${String(entry[key]).replace("-", "\u2212")} ${unit}`);
  }
  if (entry.mics) parts.push(entry.mics.join(", "));
  if (entry.note) parts.push(`\u201c${entry.note}\u201d`);
  return parts.join(", ");
}

export function paint() {
  const all = state.kit.decisions, problems = state.kit.problems;
  byId("count").textContent = all.length ? `(${all.length})` : "";
  const rows = all.map((entry, n) => make("tr", {className: entry.pending ? "waits" : ""}, make("td", {className: "n"}, String(n + 1)),
    make("th", {scope: "row"}, DOES[entry.kind] || entry.kind), make("td", {}, whom(entry)), make("td", {}, what(entry)), make("td", {}, entry.pending ? "waits for the next build" : "in the kit")));
  section.replaceChildren(make("h2", {}, "Decisions"),
    make("p", {className: "note"}, "As they stand in the kit\u2019s corrections.toml: plain text that survives every build. The last one is taken back with u."),
    ...problems.map((text) => make("p", {className: "heed"}, text)),
    all.length ? make("div", {className: "scroll", tabIndex: 0, role: "region", "aria-label": "Decisions"}, make("table", {},
      make("thead", {}, make("tr", {}, ...["No.", "What", "Of", "How", "Where it stands"].map((head) => make("th", {scope: "col"}, head)))),
      make("tbody", {}, ...rows))) : make("p", {}, "Nothing has been decided yet."));
}
