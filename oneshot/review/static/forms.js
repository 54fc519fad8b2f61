/* What can be said of a stroke or of its group in words and figures. Every form writes one entry. */

import {make, plural} from "./base.js";
import {decide, place, state} from "./state.js";

const MANY = 1000;
/* What was chosen for a name to mean stays chosen, whatever is shown or done next. */
const chosen = {"rename-what": "drum", "split-as": "articulation"};

/* On a low screen the settings fit beside each other's heads: names open in place of the rest, and the rest in place of them. */
const LOW = matchMedia("(min-width: 72rem) and (max-height: 63rem)");
const NAMES = "set-names";
const closed = new Set(LOW.matches ? [NAMES] : []);

function turn(id) {
  if (!closed.delete(id)) closed.add(id);
  else if (LOW.matches) for (const each of sections()) closed[(each.id === NAMES) === (id === NAMES) ? "delete" : "add"](each.id);
  for (const each of sections()) each.open = !closed.has(each.id);
}
const sections = () => document.querySelectorAll(".forms details");

function section(id, title, ...inside) {
  const head = make("summary", {}, make("h3", {className: "over"}, title));
  head.addEventListener("click", (event) => { event.preventDefault(); turn(id); });
  return make("details", {id, open: !closed.has(id)}, head, ...inside);
}

/* Open what a field lies in. */
export function reveal(field) {
  const around = field.closest(".forms details");
  if (around && !around.open) turn(around.id);
}

function picker(id, values, chosen, first = null) {
  const select = make("select", {id});
  if (first !== null) select.append(make("option", {value: ""}, first));
  for (const value of values) select.append(make("option", {value, selected: value === chosen}, value));
  return select;
}

/* A choice that stays; `then` is called when it is made anew. */
function keeping(id, values, then = () => {}) {
  const select = picker(id, values, chosen[id]);
  select.addEventListener("change", () => { chosen[id] = select.value; then(); });
  return select;
}

const field = (text, control) => make("label", {}, make("span", {}, text), control);
const number = (id, value, low, high, step) => make("input", {id, type: "number", value: String(value), min: String(low), max: String(high), step: String(step), required: true});
const text = (id, hint) => make("input", {id, type: "text", maxLength: 60, placeholder: hint, required: true, autocomplete: "off", spellcheck: false});

function form(title, controls, go, action, className = "say") {
  const made = make("form", {className}, make("h3", {}, title), make("div", {className: "row"}, ...controls, make("button", {type: "submit", "aria-label": go === "Set" ? `Set ${title.toLowerCase()}` : null}, go)));
  made.addEventListener("submit", (event) => { event.preventDefault(); action(); });
  return made;
}
const line = (title, controls, action) => form(title, controls, "Set", action, "say line");
/* A control whose title says already what it is; a screen reader is told. */
const plain = (text, control) => { control.setAttribute("aria-label", text); return control; };

export function forms(hit, item, cut) {
  const drums = state.kit.drums, names = drums.map((drum) => drum.name);
  const ways = (name) => (drums.find((drum) => drum.name === name) || {articulations: []}).articulations;
  const mine = () => [place(item)];
  const picked = () => state.picks.map((id) => state.byId.get(id)).filter(Boolean).map(place).slice(0, MANY);
  const some = () => picked().length ? picked() : mine();
  const picks = state.picks.length ? `the ${plural(state.picks.length, "selected hit")}` : "this hit";
  const value = (id) => document.getElementById(id).value;
  const group = {drum: item.drum, articulation: item.way};
  const scope = picker("scope", ["this hit", "its layer", "its articulation", "its drum"], "this hit");
  const whom = () => ({
    "this hit": {hits: mine()}, "its layer": {...group, layer: hit.layer || 1}, "its articulation": group, "its drum": {drum: item.drum},
  })[value("scope")];
  const rate = hit.rate, tenths = (ms) => Math.round(ms * 10) / 10;

  const where = picker("to-drum", names, item.drum), way = picker("to-way", ways(item.drum), item.way);
  where.addEventListener("change", () => way.replaceChildren(...ways(where.value).map((name) => make("option", {value: name}, name))));

  const howMany = make("span", {className: "sub", id: "rename-hits"});
  const sayHow = () => {
    const drum = chosen["rename-what"] === "drum", all = state.hits.filter((each) => each.drum === item.drum && (drum || each.way === item.way));
    howMany.textContent = `${drum ? item.drum : `${item.drum}, ${item.way}`}: ${plural(all.length, "hit")}`;
  };
  sayHow();

  return make("div", {className: "forms"},
    section("set-files", "Files", make("p", {className: "row"}, field("Apply to", scope)),
      make("div", {className: "grid"},
      line("Start", [field("ms later", number("start-ms", Math.round(cut.moved / rate * 1e5) / 100, -100, 100, 0.01))], () =>
        decide({kind: "nudge", ...whom(), frames: Math.round(Number(value("start-ms")) * rate / 1000)})),
      line("End", [field("ms after attack", number("end-ms", tenths((cut.stop - cut.attack) / rate * 1000), 1, 600000, 0.1))], () =>
        decide({kind: "end", ...whom(), after_ms: Number(value("end-ms"))})),
      line("Fades", [field("in", number("in-ms", tenths(cut.fadeIn), 0, 10000, 0.1)), field("out, ms", number("out-ms", tenths(cut.fadeOut), 0, 60000, 0.1))], () =>
        decide({kind: "fade", ...whom(), in_ms: Number(value("in-ms")), out_ms: Number(value("out-ms"))})),
      line("Level", [field("dB trim", number("gain-db", cut.gain, -40, 40, 0.1))], () =>
        decide({kind: "gain", ...whom(), gain_db: Number(value("gain-db"))})))),
    section("set-group", "Drum, articulation, layer", make("div", {className: "grid"},
      form(`Move ${picks} to drum, articulation`, [plain("to drum", where), plain("articulation", way)], "Move", () =>
        decide({kind: "move", hits: some(), to: value("to-drum"), ...(value("to-way") ? {to_articulation: value("to-way")} : {})})),
      form(`Layer of ${picks}`, [field("1 is the softest", number("to-layer", hit.layer || 1, 1, 99, 1))], "Set layer", () =>
        decide({kind: "layer", hits: some(), layer: Number(value("to-layer"))})),
      form(`Split off ${picks} as, named`, [plain("as", keeping("split-as", ["articulation", "drum"])), plain("named", text("split-name", "edge"))], "Split off", () =>
        decide({kind: "split", hits: some(), ...(value("split-as") === "drum" ? {to: value("split-name")} : {to_articulation: value("split-name")})})),
      form(`Round robins: ${state.picks.length ? `the ${plural(state.picks.length, "hit")} in the order selected` : "select hits first, in order"}`,
        [field("layer", number("robins-layer", hit.layer || 1, 1, 99, 1))], "Set round robins", () =>
        decide({kind: "round_robins", ...group, layer: Number(value("robins-layer")), hits: some()})))),
    section(NAMES, "Names", make("div", {className: "grid"},
      form("Rename to", [plain("what to rename", keeping("rename-what", ["drum", "articulation"], sayHow)), plain("new name", text("rename-to", "cowbell")), howMany], "Rename", () =>
        decide({kind: "rename", drum: item.drum, ...(value("rename-what") === "articulation" ? {articulation: item.way} : {}), to: value("rename-to")})),
      names.length > 1 ? form(`Merge ${item.drum} with another drum`, [field("with", picker("merge-drum", names.filter((name) => name !== item.drum))), field("named", picker("merge-name", names, item.drum))], "Merge", () =>
        decide({kind: "merge", drums: [item.drum, value("merge-drum")], to: value("merge-name")})) : "",
      ways(item.drum).length > 1 ? form(`Merge ${item.way} with another articulation`, [field("with", picker("merge-way", ways(item.drum).filter((name) => name !== item.way)))], "Merge", () =>
        decide({kind: "merge", drum: item.drum, articulations: [item.way, value("merge-way")], to: item.way})) : "",
      make("div", {className: "say"}, make("h3", {}, "Missed hit"), make("div", {className: "row"},
        field("add it as", picker("add-as", names, "", "the likeliest drum")), make("span", {className: "sub"}, "set the cursor in a waveform, then add the hit there"))))));
}
