/* Everything that was decided, in the order of corrections.toml. */

import {byId, clock, figure, make, minus, plural} from "./base.js";
import {state, withdraw} from "./state.js";

const section = byId("decisions"), WAITS = "not built yet", BUILT = "built";
export const DOES = {keep: "in use", reject: "left out", rename: "renamed", move: "moved", merge: "merged", split: "split off", layer: "layer set",
  round_robins: "round robins set", add: "added", nudge: "start moved", end: "end set", fade: "fades set", drop: "mics omitted", gain: "level trimmed"};

const rateOf = (name) => (state.kit.takes.find((take) => take.name === name) || {rate: 48000}).rate;

function whom(entry) {
  if (entry.hits) {
    const first = entry.hits[0];
    const place = `${first.take}, ${clock(first.frame / rateOf(first.take))}`;
    return entry.hits.length === 1 ? place : `${plural(entry.hits.length, "hit")}, first ${place}`;
  }
  return [entry.drum, entry.articulation, entry.layer ? `layer ${entry.layer}` : "", (entry.drums || entry.articulations || []).join(" and ")].filter(Boolean).join(", ");
}

function what(entry) {
  const parts = [];
  if (entry.to) parts.push(`to ${entry.to}`);
  if (entry.to_articulation) parts.push(`articulation ${entry.to_articulation}`);
  if (entry.hits && entry.layer) parts.push(`layer ${entry.layer}`);
  if (entry.hits && entry.drum && entry.kind === "add") parts.push(`as ${entry.drum}`);
  for (const [key, unit] of [["frames", "frames"], ["ms", "ms"], ["after_ms", "ms after the attack"], ["in_ms", "ms fade-in"], ["out_ms", "ms fade-out"], ["gain_db", "dB"]]) {
    if (entry[key] !== undefined) parts.push(`${minus(String(entry[key]))} ${unit}`);
  }
  if (entry.mics) parts.push(entry.mics.join(", "));
  if (entry.note) parts.push(`\u201c${entry.note}\u201d`);
  return parts.join(", ");
}

export const sideText = (pan) => Math.abs(pan) < 0.025 ? "centre" :  `${Math.round(Math.abs(pan) * 100)}\u202f% ${pan < 0 ? "left" : "right"}`;

/* What is said of a mic in the balance; what is left out stays as computed. */
function faderText(fader) {
  if (!fader) return "as computed";
  const parts = [];
  if (fader.on === false) parts.push("off");
  if (fader.gain_db !== undefined) parts.push(`gain ${figure(fader.gain_db, 1, "dB")}`);
  if (fader.pan !== undefined) parts.push(sideText(fader.pan));
  if (fader.polarity === -1) parts.push("inverted");
  return parts.join(", ") || "as computed";
}

/* A decision in a few words, for what can be undone. */
export function inWords(about) {
  if (about.kind === "withdraw") return `deleted: ${inWords(about.entry)}`;
  if (about.kind === "balance") return `balance of ${about.mic}: ${faderText(about.to)}`;
  return [DOES[about.kind] || about.kind, whom(about), what(about)].filter(Boolean).join(", ");
}

function balanceTable() {
  const rows = Object.entries(state.kit.said).map(([mic, fader]) => {
    const waits = state.kit.moved.includes(mic);
    return make("tr", {className: waits ? "waits" : "", role: "row"}, make("th", {scope: "row", role: "rowheader"}, mic), cell("", faderText(fader)), cell("where", waits ? WAITS : BUILT));
  });
  const gone = state.kit.moved.filter((mic) => !(mic in state.kit.said)).map((mic) => make("tr", {className: "waits", role: "row"},
    make("th", {scope: "row", role: "rowheader"}, mic), cell("", "reset: as computed"), cell("where", WAITS)));
  return [make("h2", {}, "Balance"), make("p", {className: "note"}, "From the kit\u2019s recipe.toml; all other mics are as computed."),
    rows.length + gone.length ? make("div", {className: "scroll", tabIndex: 0, role: "region", "aria-label": "Balance"}, make("table", {role: "table"}, head(["Mic", "Setting", "Status"]),
      make("tbody", {role: "rowgroup"}, ...rows, ...gone))) : make("p", {}, "No mic was changed.")];
}

/* What the last build had to report, as in the kit's report. */
const warnings = () => state.kit.warnings.length ? [make("h2", {}, "Warnings of the last build"),
  make("ul", {className: "warnings"}, ...state.kit.warnings.map((text) => make("li", {}, text)))] : [];

/* Roles are said as well: on a phone rows are laid out as blocks, and a table would be none then to a screen reader. */
const cell = (className, ...inside) => make("td", {className, role: "cell"}, ...inside);
const head = (texts) => make("thead", {role: "rowgroup"}, make("tr", {role: "row"}, ...texts.map((text) => make("th", {scope: "col", role: "columnheader"}, text))));

export function paint() {
  const all = state.kit.decisions, problems = state.kit.problems;
  byId("count").textContent = all.length ? `(${all.length})` : "";
  const rows = all.map((entry, n) => make("tr", {className: entry.pending || entry.void ? "waits" : "", role: "row"}, cell("n", String(n + 1)),
    make("th", {scope: "row", role: "rowheader"}, DOES[entry.kind] || entry.kind), cell("", whom(entry)), cell("", what(entry)), cell("where", entry.void ? `no effect: ${entry.void}` : entry.pending ? WAITS : BUILT),
    cell("again", make("button", {type: "button", className: "small", "aria-label": `delete no. ${n + 1}: ${inWords(entry)}`, onclick: () => withdraw(n)}, "delete"))));
  section.replaceChildren(make("h2", {}, "Corrections"),
    make("p", {className: "note"}, "From the kit\u2019s corrections.toml: plain text that is kept in every build. Undo (Ctrl+Z) and redo (Ctrl+Shift+Z) include the balance; each correction can also be deleted on its own."),
    ...problems.map((text) => make("p", {className: "heed"}, text)),
    all.length ? make("div", {className: "scroll", tabIndex: 0, role: "region", "aria-label": "Corrections"}, make("table", {role: "table"}, head(["No.", "Correction", "Of", "Setting", "Status", "Delete"]),
      make("tbody", {role: "rowgroup"}, ...rows))) : make("p", {}, "No corrections yet."), ...balanceTable(), ...warnings());
}
