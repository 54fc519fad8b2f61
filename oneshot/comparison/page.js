"use strict";

/* All mics of a drum play at once, in step to the sample, and one of them is let through: changing to another one is a short
   crossfade between sounds that run already. What they play is inside the page. */
const data = JSON.parse(document.getElementById("data").textContent);
const byId = (id) => document.getElementById(id);
const now = byId("now"), stopper = byId("stop"), volume = byId("volume"), level = byId("level"), blinder = byId("blind");
const CROSSFADE_S = 0.004;
const IDLE = now.textContent;
const amount = (db) => Math.pow(10, db / 20);
const minus = (text) => text.replace("-", "−");
const drums = data.drums.map((drum, number) => ({...drum, number, section: byId(`drum-${number}`), order: null}));
let context = null, master = null, playing = null, asked = 0, active = drums[0];

function buttonsOf(drum) {
  return [...drum.section.querySelectorAll(".switch button")].filter((button) => !button.closest("[hidden]"));
}

function press(drum, sound) {
  drums.forEach((each) => buttonsOf(each).forEach((button) => {
    button.setAttribute("aria-pressed", String(each === drum && Number(button.dataset.sound) === sound));
  }));
  stopper.disabled = sound === null;
}

function nameOf(drum, sound) {
  return drum.order ? letter(drum.order.indexOf(sound)) : drum.sounds[sound].name;
}

const letter = (place) => place < 26 ? String.fromCharCode(65 + place) : `${letter(Math.floor(place / 26) - 1)}${letter(place % 26)}`;

function stop(said = IDLE) {
  asked += 1;
  if (playing) playing.voices.forEach((voice) => { voice.source.stop(); voice.gain.disconnect(); });
  playing = null;
  press(null, null);
  now.textContent = said;
}

async function bufferOf(id) {
  const raw = atob(byId(id).textContent), bytes = new Uint8Array(raw.length);
  for (let i = 0; i < raw.length; i += 1) bytes[i] = raw.charCodeAt(i);
  return context.decodeAudioData(bytes.buffer);
}

function turn(sound) {
  playing.voices.forEach((voice, each) => voice.gain.gain.setTargetAtTime(each === sound ? 1 : 0, context.currentTime, CROSSFADE_S));
  press(playing.drum, sound);
  now.textContent = `${playing.drum.name}: ${nameOf(playing.drum, sound)}`;
}

async function play(drum, sound) {
  active = drum;
  if (playing && playing.drum === drum) { turn(sound); return; }
  stop(`${drum.name}: one moment.`);
  const mine = asked;
  try {
    if (!context) {
      context = new AudioContext();
      master = context.createGain();
      master.gain.value = amount(Number(volume.value));
      master.connect(context.destination);
    }
    await context.resume();
    const buffers = await Promise.all(drum.sounds.map((each) => bufferOf(each.id)));
    if (mine !== asked) return;
    const start = context.currentTime + 0.03, length = Math.min(...buffers.map((buffer) => buffer.duration));
    playing = {drum, voices: buffers.map((buffer) => {
      const source = context.createBufferSource(), gain = context.createGain();
      source.buffer = buffer;
      source.loop = true;
      source.loopEnd = length;
      gain.gain.value = 0;
      source.connect(gain).connect(master);
      source.start(start);
      return {source, gain};
    })};
    turn(sound);
  } catch (error) {
    if (mine === asked) stop(`${drum.name} cannot be played. (${error.message})`);
  }
}

/* ---- blind ---- */

function shuffled(count) {
  const order = [...Array(count).keys()], random = crypto.getRandomValues(new Uint32Array(count));
  for (let i = count - 1; i > 0; i -= 1) {
    const other = random[i] % (i + 1);
    [order[i], order[other]] = [order[other], order[i]];
  }
  return order;
}

function answer(drum) {
  const details = drum.section.querySelector(".answers"), list = details.querySelector("ol");
  list.replaceChildren(...(details.open && drum.order ? drum.order.map((sound, place) => {
    const item = document.createElement("li");
    item.textContent = `${letter(place)}: ${drum.sounds[sound].name}`;
    return item;
  }) : []));
}

function setBlind(on) {
  stop();
  blinder.setAttribute("aria-pressed", String(on));
  document.querySelectorAll(".figures").forEach((each) => { each.hidden = on; });
  drums.forEach((drum) => {
    drum.order = on ? shuffled(drum.sounds.length) : null;
    const open = drum.section.querySelector(".switch:not([data-blind])"), blind = drum.section.querySelector(".switch[data-blind]");
    const details = drum.section.querySelector(".answers");
    open.hidden = on;
    blind.hidden = details.hidden = !on;
    details.open = false;
    blind.querySelector(".row").replaceChildren(...(on ? drum.order.map((sound, place) => {
      const button = document.createElement("button");
      button.type = "button";
      button.textContent = letter(place);
      button.dataset.sound = sound;
      button.setAttribute("aria-pressed", "false");
      button.addEventListener("click", () => play(drum, sound));
      return button;
    }) : []));
    answer(drum);
  });
  now.textContent = on ? "Blind: mics and takes are called by letters; their figures are out of sight." : IDLE;
}

/* ---- wiring ---- */

drums.forEach((drum) => {
  drum.section.querySelectorAll(".switch:not([data-blind])").forEach((group) => {
    group.hidden = false;
    group.querySelectorAll("button").forEach((button) => button.addEventListener("click", () => play(drum, Number(button.dataset.sound))));
  });
  drum.section.querySelector(".answers").addEventListener("toggle", () => answer(drum));
});
stopper.addEventListener("click", () => stop());
blinder.addEventListener("click", () => setBlind(blinder.getAttribute("aria-pressed") !== "true"));
volume.addEventListener("input", () => {
  level.textContent = minus(`${volume.value} dB`);
  if (master) master.gain.setTargetAtTime(amount(Number(volume.value)), context.currentTime, 0.02);
});
addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.metaKey || event.altKey || event.target === volume) return;
  if (event.key === "Escape") stop();
  else if (event.key === "b") setBlind(blinder.getAttribute("aria-pressed") !== "true");
  else if (/^[1-9]$/.test(event.key) && active) {
    const button = buttonsOf(active)[Number(event.key) - 1];
    if (button) button.click();
  }
});
byId("stop").closest("aside").hidden = !drums.length;
