/* The page as a whole: views, keys, building again. */

import {byId, getJson, make, plural, post} from "./base.js";
import * as decisions from "./decisions.js";
import {reveal} from "./forms.js";
import * as hit from "./hit.js";
import {layersChanged, layersNow} from "./layers.js";
import * as list from "./list.js";
import * as listen from "./listen.js";
import * as playing from "./playing.js";
import {answers, attempt, decide, onFresh, place, redo, refresh, renew, state, trouble, undo} from "./state.js";

const VIEWS = ["strokes", "playing", "decisions"];
let view = "strokes", focusId = null;

/* ---- which strokes are listed ---- */

function listed() {
  const kind = byId("show").value, drum = byId("of").value;
  const fits = {
    heed: (row) => row.heed !== null, all: () => true, kept: (row) => row.kept, out: (row) => !row.kept,
    told: (row) => row.told !== null || row.was !== null, picked: (row) => state.picks.includes(row.id),
  }[kind];
  const found = state.hits.filter((row) => fits(row) && (!drum || row.drum === drum));
  if (kind === "heed") {  // drum by drum, the one with most to gain first
    const most = new Map();
    for (const row of found) most.set(row.drum, Math.max(most.get(row.drum) ?? 0, row.heed[0]));
    found.sort((a, b) => most.get(b.drum) - most.get(a.drum) || a.drum.localeCompare(b.drum) || b.heed[0] - a.heed[0] || a.take - b.take || a.s - b.s);
  }
  if (kind === "picked") found.sort((a, b) => state.picks.indexOf(a.id) - state.picks.indexOf(b.id));
  return found;
}

function fillList(keep) {
  const rows = listed();
  list.show(rows, keep, new Set(state.picks));
  byId("shown").textContent = `${plural(rows.length, "hit")} of ${state.hits.length}`;
  if (!list.current() && rows.length) list.choose(0, true);
  return list.current();
}

function drums() {
  const of = byId("of"), chosen = of.value;
  of.replaceChildren(make("option", {value: ""}, "all drums"), ...state.kit.drums.map((drum) => make("option", {value: drum.name, selected: drum.name === chosen}, drum.name)));
}

list.onChoose((row) => {
  focusId = row.id;
  hit.show(row);
  hit.fetchAhead([row, list.beside(1), list.beside(-1)]);
});

for (const id of ["show", "of"]) byId(id).addEventListener("change", () => { const row = fillList(focusId); focusId = row ? row.id : null; hit.show(row); });

/* ---- after every change ---- */

/* "2 corrections, 1 deleted correction and 1 balance change"; "" where there is none of any. */
const inAll = (counts) => counts.filter(([count]) => count).map(([count, what]) => plural(count, what)).join(", ").replace(/, ([^,]*)$/, " and $1");
function howItStands() {
  const waits = inAll([[state.kit.decisions.filter((entry) => entry.pending).length, "correction"], [state.kit.withdrawn, "deleted correction"],
    [state.kit.moved.length, "balance change"]]);
  const idle = state.kit.decisions.filter((entry) => entry.void).length;
  return [waits ? `${waits} not built yet.` : "The kit is up to date.",
    idle ? `${plural(idle, "correction has", "corrections have")} no effect: see Corrections.` : ""].filter(Boolean).join(" ");
}

function mast() {
  document.title = `${state.kit.name}: review`;
  byId("name").textContent = state.kit.name;
  byId("sums").textContent = [plural(state.kit.shots.length, "one-shot"), `from ${plural(state.hits.length, "hit")}`,
    `in ${plural(state.kit.takes.length, "take")} of ${state.kit.session}`].join(" ");
  byId("waiting").textContent = howItStands();
  for (const way of ["undo", "redo"]) {
    const about = state.kit[way];
    byId(way).disabled = !about;
    byId(way).title = about ? decisions.inWords(about) : `nothing to ${way}`;
  }
  decisions.paint();
}

async function step(way, said) {
  const about = await way();
  if (about) byId("waiting").textContent = `${said}: ${decisions.inWords(about)}. ${howItStands()}`;
}
const back = () => step(undo, "Undone"), again = () => step(redo, "Redone");

onFresh((why) => {
  mast();
  if (why === "fader") return;
  drums();
  if (why !== "decided" || view === "playing") playing.paint();
  if (why === "first" && !listed().length) byId("show").value = "all";  // nothing stands out: begin with all there is
  const was = focusId;
  hit.renumber();
  const at = state.renumbered(focusId ?? (list.current() || {}).id);
  const rows = new Set(listed().map((each) => each.id));
  const row = fillList(list.onward().map(state.renumbered).find((id) => rows.has(id)) ?? at);
  if (row) {
    const same = was !== null && row.id === at;
    focusId = row.id;
    hit.show(row, same);
    hit.fetchAhead([row, list.beside(1)]);
  } else hit.show(null);
});

/* ---- building again ---- */

const sentence = (text) => text ? `${text}.` : "";

async function build() {
  if (state.building) return;
  state.building = true;
  trouble("");
  document.body.classList.add("building");
  byId("build").disabled = true;
  byId("progress").hidden = false;
  const before = layersNow();
  const begun = await attempt(() => post("build", {}));
  let said = begun ? begun.build : {state: "failed", error: ""};
  while (begun && said.state === "building") {
    await new Promise((done) => setTimeout(done, 120));
    const found = await attempt(() => getJson("state"));
    if (!found) break;
    said = found.build;
    byId("progress").value = said.share;
    byId("waiting").textContent = `${said.stage} …`;
  }
  if (begun) {
    listen.forget();
    await renew("built");
    if (said.state === "failed") trouble(said.error);
    else if (said.state === "done") byId("waiting").textContent = [`Built in ${said.seconds.toFixed(1)} s.`, sentence(layersChanged(before)), howItStands()].filter(Boolean).join(" ");
    else byId("waiting").textContent = howItStands();
  }
  state.building = false;  // only now: what looks for news of elsewhere would take this build for such
  document.body.classList.remove("building");
  byId("build").disabled = false;
  byId("progress").hidden = true;
}

setInterval(async () => {
  if (document.hidden || state.building || !state.kit) return;
  const said = await getJson("state").catch((error) => { answers(error); return null; });
  if (said) answers(null);
  if (!said || said.build.state === "building" || state.building) return;
  if (said.revision > state.revision) await renew("elsewhere", said.revision);
  else if (said.outlook !== state.kit.outlook) await renew("decided");  // names that the next build will give, known by now
}, 2500);

/* ---- views, keys, help ---- */

function open(name) {
  view = name;
  for (const each of VIEWS) byId(each).hidden = each !== name;
  for (const button of document.querySelectorAll(".view")) {
    if (button.dataset.view === name) button.setAttribute("aria-current", "page"); else button.removeAttribute("aria-current");
  }
  if (name === "playing") playing.paint();
  if (name === "strokes") { fillList(focusId); hit.drawAll(); }
}
for (const button of document.querySelectorAll(".view")) button.addEventListener("click", () => open(button.dataset.view));
playing.onOpen((id) => { open("strokes"); byId("show").value = "all"; byId("of").value = ""; focusId = id; const row = fillList(id); hit.show(row); });

function pick() {
  const row = list.current();
  if (!row) return;
  const at = state.picks.indexOf(row.id);
  if (at < 0) state.picks.push(row.id); else state.picks.splice(at, 1);
  fillList(row.id);
  hit.show(row, true);
}
document.addEventListener("pick", pick);

/* First of its layer's round robins, the others after it; one that is left out goes where its strength belongs,
   which somebody has to say where it was not measured. */
function useFirst() {
  const row = list.current();
  if (!row) return null;
  const like = (shot) => { const other = state.byId.get(shot.hit); return other && other.drum === row.drum && other.way === row.way; };
  const mine = state.kit.shots.filter((shot) => like(shot) && shot.hit !== row.id);
  const strength = (shot) => state.byId.get(shot.hit).level ?? -1e3;
  if (!row.layer && row.level === null && new Set(mine.map((shot) => shot.layer)).size > 1) {
    trouble("The level of this hit is not known, so neither is its layer: name the layer under Round robins.");
    return null;
  }
  const nearest = mine.reduce((best, shot) => best === null || Math.abs(strength(shot) - row.level) < Math.abs(strength(best) - row.level) ? shot : best, null);
  const layer = row.layer || (nearest ? nearest.layer : 1);
  const others = mine.filter((shot) => shot.layer === layer).sort((a, b) => a.robin - b.robin).map((shot) => place(state.byId.get(shot.hit)));
  return decide({kind: "round_robins", drum: row.drum, articulation: row.way, layer, hits: [place(row), ...others]});
}
document.addEventListener("first", useFirst);

/* What the kit as it was built calls a hit's drum and articulation. */
const inKit = (row) => row.was || [row.drum, row.way];
const focusOn = (id) => { const found = byId(id); if (found) { reveal(found); found.focus(); if (found.select) found.select(); } };
const verdict = (kind) => { const row = list.current(); if (row) decide({kind, hits: [place(row)]}); };
const frames = (event) => (event.shiftKey ? 10 : 1) * Math.max(1, Math.round((hit.shown() || {rate: 48000}).rate / 10000));

const KEYS = [
  ["Playback", [
    [["Space", " ", "Enter"], "play the hit, mixed by the balance", (event) => hit.hear(null, event.timeStamp)],
    [["1", "2", "3", "4", "5", "6", "7", "8", "9"], "play one mic alone", (event) => hit.solo(Number(event.key) - 1), "1 to 9"],
    [["0"], "play the home mic alone", () => hit.solo(-1)],
    [["Escape"], "stop", () => listen.stop()],
    [["c"], "hold for comparison, or compare with the held hit", () => hit.compare()],
    [["C"], "hold this hit instead", () => hit.hold(), "Shift+c"],
    [["t"], "tails boosted by 30 dB: turn the volume down first", () => hit.toggleLift()],
    [["g"], "play a groove", () => { playing.perform("groove", "Groove"); }],
    [["o"], "this drum from soft to hard", () => { const row = list.current(); if (row) playing.perform("ladder", `${row.drum}, ${row.way}: from soft to hard`, ...inKit(row)); }],
    [["v"], "this drum over velocity", () => { const row = list.current(); if (row) playing.perform("velocity", `${row.drum}, ${row.way}: one key over velocity`, ...inKit(row)); }],
    [["r"], "play the visible range", () => hit.hearView()],
    [[",", "."], "volume down, up", (event) => { const volume = byId("volume"); volume.value = String(Number(volume.value) + (event.key === "." ? 3 : -3)); volume.dispatchEvent(new Event("input")); }, ", or ."],
  ]],
  ["Navigation", [
    [["ArrowDown"], "next hit", () => list.step(1), "\u2193"],
    [["ArrowUp"], "previous hit", () => list.step(-1), "\u2191"],
    [["PageDown"], "ten forward", () => list.step(10), "PgDn"],
    [["PageUp"], "ten back", () => list.step(-10), "PgUp"],
    [["ArrowLeft", "ArrowRight"], "move the cursor in the waveform; with Shift in larger steps", (event) => hit.moveCursor((event.key === "ArrowLeft" ? -1 : 1) * (event.shiftKey ? 25 : 2)), "\u2190 or \u2192"],
    [["+", "="], "zoom in", () => hit.zoom(-1), "+"],
    [["-"], "zoom out", () => hit.zoom(1), "\u2212"],
    [["<", ">"], "earlier, later", (event) => hit.pan(event.key === "<" ? -0.4 : 0.4), "< or >"],
    [["h"], "each mic at full height, or all to one scale", () => hit.toggleHeights()],
    [["w"], "next view", () => open(VIEWS[(VIEWS.indexOf(view) + 1) % VIEWS.length])],
    [["/"], "choose which hits are listed", () => focusOn("show")],
  ]],
  ["Corrections", [
    [["y"], "use", () => verdict("keep")],
    [["Y"], "use first: as the first round robin of its layer", () => useFirst(), "Shift+y"],
    [["n"], "leave out", () => verdict("reject")],
    [["s"], "select: to move, split or set round robins of several", () => pick()],
    [["[", "]"], "start 0.1 ms earlier, later", (event) => hit.nudge((event.key === "[" ? -1 : 1) * frames(event)), "[ or ]"],
    [["{", "}"], "start 1 ms earlier, later", (event) => hit.nudge((event.key === "{" ? -1 : 1) * frames(event)), "{ or }"],
    [["a"], "add a hit at the cursor", () => hit.addHere()],
    [["E"], "type a start", () => focusOn("start-ms"), "Shift+e"],
    [["e"], "type an end", () => focusOn("end-ms")],
    [["f"], "type fades", () => focusOn("in-ms")],
    [["d"], "omit a mic", () => { const first = document.querySelector("[id^=drop-]"); if (first) first.focus(); }],
    [["L"], "type a level trim", () => focusOn("gain-db"), "Shift+l"],
    [["m"], "move to another drum or articulation", () => focusOn("to-drum")],
    [["l"], "another layer", () => focusOn("to-layer")],
    [["S"], "split off", () => focusOn("split-name"), "Shift+s"],
    [["q"], "round robins", () => focusOn("robins-layer")],
    [["N"], "rename", () => focusOn("rename-to"), "Shift+n"],
    [["M"], "merge drums", () => focusOn("merge-drum"), "Shift+m"],
    [["undo"], "undo the last correction or balance change", () => back(), "Ctrl+Z"],
    [["redo"], "redo", () => again(), "Ctrl+Shift+Z"],
    [["b"], "rebuild", () => { build(); }],
    [["?"], "these keys", () => help()],
  ]],
];
/* What is asked for while something else is under way waits for it, in order; sound and the choice of the view never wait. */
const AT_ONCE = new Set([" ", "Space", "Enter", "1", "2", "3", "4", "5", "6", "7", "8", "9", "0", "Escape", "t", ",", ".", "w", "?"]);
/* What does not concern the chosen hit. All other keys do: they act only in the view that shows it. */
const IN_EVERY_VIEW = new Set(["Escape", "g", ",", ".", "w", "undo", "redo", "b", "?"]);
let order = Promise.resolve();
const ACTS = new Map(KEYS.flatMap(([, rows]) => rows.flatMap(([names, , act]) => names.map((name) => [name, act]))));

/* "+ or =" as keys with words between them. */
const keyed = (text) => text.split(/( or | to )/).map((part, n) => n % 2 ? part : make("kbd", {}, part));

function help() {
  const box = byId("help");
  if (box.open) { box.close(); return; }
  box.replaceChildren(make("h2", {id: "help-title"}, "Keys"),
    make("div", {className: "columns"}, ...KEYS.map(([title, rows]) => make("section", {}, make("h3", {className: "over"}, title),
      make("dl", {}, ...rows.map(([names, text, , shown]) => make("div", {}, make("dt", {}, ...keyed(shown || names[0])), make("dd", {}, text))))))),
    make("p", {className: "note"}, "In text and number fields keys type; Enter applies, Escape leaves the field. Keys that concern a hit act where it is shown, under Hits."),
    make("button", {type: "button", autofocus: true, onclick: () => box.close()}, "Close"));
  box.showModal();
}

/* Ctrl or Cmd with z, as everywhere; in a field the browser's own undo stays. */
const stepKey = (event) => (event.ctrlKey || event.metaKey) && !event.altKey
  && {z: event.shiftKey ? "redo" : "undo", y: "redo"}[event.key.toLowerCase()];

document.addEventListener("keydown", (event) => {
  const at = event.target, typing = at.matches("input:not([type=range]):not([type=checkbox]), select, textarea"), way = stepKey(event);
  if (byId("help").open || (!way && (event.ctrlKey || event.metaKey || event.altKey))) return;
  if (typing) { if (event.key === "Escape") { at.blur(); byId("list").focus({preventScroll: true}); } return; }
  if (at.matches("input[type=range], input[type=checkbox]") && event.key !== "Escape") { if (event.key.startsWith("Arrow") || event.key === " " || event.key.startsWith("Page")) return; }
  if (at.matches("button, summary, [role=region]") && [" ", "Enter"].includes(event.key)) return;
  const name = way || event.key, act = ACTS.get(name);
  if (!act || (view !== "strokes" && !IN_EVERY_VIEW.has(name))) return;
  event.preventDefault();
  if (AT_ONCE.has(event.key)) act(event);
  else order = order.then(() => act(event)).catch((error) => trouble(error.message));
});

byId("undo").addEventListener("click", () => back());
byId("redo").addEventListener("click", () => again());
byId("build").addEventListener("click", () => build());
byId("help-open").addEventListener("click", () => help());

attempt(() => refresh("first")).then(() => { if (state.kit) byId("list").focus({preventScroll: true}); });
