/* Listening: every mic has a bus of its own (gain and pan of the balance), all meet in a volume that begins low and a ceiling
   at full scale. Sounds are fetched as float WAV and read as they are, so that nothing is decoded when a key is struck. */

import {byId, getBytes, minus} from "./base.js";

let context = null, master = null, joint = null;
const buses = new Map();
let faders = {}, soloed = new Set();
let playing = null, last = null, turn = 0;

/* Whoever has to fetch a sound first asks for its turn, and plays only if nothing else was asked for since. */
export const claim = () => ++turn;
export const isTurn = (mine) => mine === turn;
const sounds = new Map();
const MOST = 40, MOST_BYTES = 400e6;
const weight = () => [...sounds.values()].reduce((sum, entry) => sum + (entry.ready ? entry.ready.rows.length * entry.ready.rows[0].length * 4 : 0), 0);
const amount = (db) => Math.pow(10, db / 20);
const volume = byId("volume"), now = byId("now");

function shaper(limit) {
  /* A curve is read between -1 and 1 and holds its ends beyond: nothing louder comes out. */
  const curve = new Float32Array(8193);
  for (let i = 0; i < curve.length; i++) curve[i] = Math.max(-limit, Math.min(limit, (i / 4096) - 1));
  return new WaveShaperNode(context, {curve});
}

function ready(rate) {
  if (!context) {
    context = new AudioContext({latencyHint: "interactive", ...(rate ? {sampleRate: rate} : {})});
    joint = new ChannelMergerNode(context, {numberOfInputs: 2});
    master = new GainNode(context, {gain: amount(Number(volume.value))});
    joint.connect(shaper(1)).connect(master).connect(context.destination);
    measure(joint);
  }
  if (context.state === "suspended") context.resume();
  return context;
}

function busOf(mic) {
  if (!buses.has(mic)) {
    const input = new GainNode(context), left = new GainNode(context, {gain: 0}), right = new GainNode(context, {gain: 0});
    input.connect(left).connect(joint, 0, 0);
    input.connect(right).connect(joint, 0, 1);
    buses.set(mic, {input, left, right});
    setBus(mic, 0);
  }
  return buses.get(mic).input;
}

/* Of a kit whose files are mixed already: both sides as they are. */
const MIXED = Object.fromEntries([["mix, left", -1], ["mix, right", 1]].map(([side, pan]) => [side, {gain_db: 0, pan, polarity: 1, on: true}]));

function setBus(mic, within = 0.015) {
  const bus = buses.get(mic), fader = faders[mic] || MIXED[mic];
  if (!bus) return;
  const heard = fader && fader.on && (!soloed.size || soloed.has(mic) || mic in MIXED);
  const gain = heard ? fader.polarity * amount(fader.gain_db) : 0;
  const angle = ((fader ? fader.pan : 0) + 1) * Math.PI / 4;
  for (const [node, share] of [[bus.left, Math.cos(angle)], [bus.right, Math.sin(angle)]]) {
    if (within) node.gain.setTargetAtTime(gain * share, context.currentTime, within); else node.gain.value = gain * share;
  }
}

/* The balance, also while something plays. */
export function setFaders(all) {
  faders = all;
  for (const mic of buses.keys()) setBus(mic);
}

/* Only these sound, while there are any; nothing is saved of it. */
export const solos = () => soloed;
export function setSolos(mics) {
  soloed = new Set(mics);
  for (const mic of buses.keys()) setBus(mic);
}

/* The peak of both sides of the mix, as it comes to the volume: sample peak, dBFS. It falls by 20 dB a second. */
const FLOOR_DB = -60, FALL_DB_S = 20;
function measure(from) {
  const split = new ChannelSplitterNode(context, {numberOfOutputs: 2}), bars = [...byId("meter").children];
  const ears = [0, 1].map((side) => { const ear = new AnalyserNode(context, {fftSize: 4096}); split.connect(ear, side); return ear; });
  from.connect(split);
  const data = new Float32Array(4096), now = [FLOOR_DB, FLOOR_DB];
  let highest = FLOOR_DB, at = performance.now(), of = null;
  const look = (time) => {
    const fall = FALL_DB_S * Math.max(0, time - at) / 1000;
    at = time;
    if (playing && playing !== of) { of = playing; highest = FLOOR_DB; }
    ears.forEach((ear, side) => {
      ear.getFloatTimeDomainData(data);
      let most = 0;
      for (const x of data) most = Math.max(most, Math.abs(x));
      const db = 20 * Math.log10(Math.max(most, 1e-6));
      now[side] = Math.max(db, now[side] - fall, FLOOR_DB);
      if (playing) highest = Math.max(highest, db);
      bars[side].style.width = `${100 * Math.min(1, (now[side] - FLOOR_DB) / -FLOOR_DB)}%`;
    });
    byId("meter").classList.toggle("over", highest > 0);
    byId("meter").setAttribute("aria-valuenow", String(Math.round(Math.min(0, Math.max(...now)))));
    byId("peak").textContent = highest > FLOOR_DB ? `${minus(highest.toFixed(1))}\u202fdBFS` : "\u2013";
    requestAnimationFrame(look);
  };
  requestAnimationFrame(look);
}

/* A RIFF file of 32-bit floats: its rate and a Float32Array per channel. */
function readWav(bytes) {
  const view = new DataView(bytes);
  let at = 12, channels = 1, rate = 48000;
  while (at + 8 <= bytes.byteLength) {
    const id = view.getUint32(at), size = view.getUint32(at + 4, true);
    if (id === 0x666d7420) { channels = view.getUint16(at + 10, true); rate = view.getUint32(at + 12, true); }
    if (id === 0x64617461) {
      const frames = Math.floor(size / 4 / channels);
      const all = new Float32Array(bytes.slice(at + 8, at + 8 + frames * channels * 4));
      const rows = Array.from({length: channels}, () => new Float32Array(frames));
      for (let c = 0; c < channels; c++) for (let i = 0, row = rows[c]; i < frames; i++) row[i] = all[i * channels + c];
      return {rate, rows};
    }
    at += 8 + size + size % 2;
  }
  throw new Error("no sound in what the server sent");
}

/* Have a sound at hand: {rate, names, rows, buffers}. Kept, so that the next time it sounds at once. */
export function load(path, names) {
  if (sounds.has(path)) {
    const found = sounds.get(path);
    sounds.delete(path);
    sounds.set(path, found);
    return found.promise;
  }
  const entry = {ready: null};
  entry.promise = getBytes(path).then(([bytes, headers]) => {
    const {rate, rows} = readWav(bytes);
    const said = headers.get("x-mics");
    entry.ready = {rate, rows, names: names || (said ? JSON.parse(said) : ["left", "right"])};
    buffersOf(entry.ready);  // made now, not when a key is struck
    while (sounds.size > 1 && weight() > MOST_BYTES) sounds.delete(sounds.keys().next().value);
    return entry.ready;
  });
  entry.promise.catch(() => sounds.delete(path));
  sounds.set(path, entry);
  while (sounds.size > MOST) sounds.delete(sounds.keys().next().value);
  return entry.promise;
}
export const atHand = (path) => (sounds.get(path) || {}).ready || null;
export function forget() { sounds.clear(); }

function buffersOf(sound) {
  if (!sound.buffers) {
    sound.buffers = sound.rows.map((row) => {
      const buffer = new AudioBuffer({length: Math.max(1, row.length), numberOfChannels: 1, sampleRate: sound.rate});
      buffer.copyToChannel(row, 0);
      return buffer;
    });
  }
  return sound.buffers;
}

/* One stroke from `at` on (s of the context's clock). `mic`: alone; `direct`: left and right as they are. */
function strike(sound, {at, from = 0, length = null, gainDb = 0, mic = null, direct = false, cut = null, fade = 0.04}, into) {
  const buffers = buffersOf(sound);
  const total = buffers[0].duration - from, lasts = Math.min(length ?? total, total);
  const envelope = [];
  buffers.forEach((buffer, i) => {
    if (mic !== null && sound.names[i] !== mic) return;
    const source = new AudioBufferSourceNode(context, {buffer}), gain = new GainNode(context, {gain: amount(gainDb)});
    source.connect(gain);
    if (direct) gain.connect(joint, 0, i);
    else if (mic !== null) { gain.gain.value *= Math.SQRT1_2; gain.connect(joint, 0, 0); gain.connect(joint, 0, 1); }
    else gain.connect(busOf(sound.names[i]));
    source.start(at, from, lasts);
    if (cut !== null) {
      gain.gain.setValueAtTime(gain.gain.value, cut);
      gain.gain.linearRampToValueAtTime(0, cut + fade);
      source.stop(cut + fade);
    } else if (lasts < total) {
      gain.gain.setValueAtTime(gain.gain.value, at + Math.max(0, lasts - 0.01));
      gain.gain.linearRampToValueAtTime(0, at + lasts);
    }
    envelope.push(gain);
    into.sources.push(source);
    into.gains.push(gain);
  });
  return at + lasts;
}

function begin(title, rate, asked) {
  stop();
  ready(rate);
  playing = {sources: [], gains: [], title, start: context.currentTime, timer: 0};
  now.textContent = title;
  document.body.classList.add("sounding");
  last = {title, asked, started: performance.now(), latency: context.baseLatency || 0, peak: 0, frames: 0, mics: []};
  return playing;
}

function end(mine, until) {
  const span = Math.max(0, until - context.currentTime) * 1000 + 60;
  mine.timer = setTimeout(() => { if (playing === mine) stop(); }, span);
}

/* Play what is at hand; the sounds must have been loaded. `strokes`: as for strike, with `sound`. */
export function play(title, strokes, asked = performance.now()) {
  const mine = begin(title, strokes[0].sound.rate, asked);
  const start = context.currentTime + 0.004;
  mine.start = start;
  let until = start;
  for (const stroke of strokes) {
    until = Math.max(until, strike(stroke.sound, {...stroke, at: start + (stroke.at || 0),
      cut: stroke.cut === null || stroke.cut === undefined ? null : start + stroke.cut}, mine));
  }
  const rows = strokes[0].sound.rows, rate = strokes[0].sound.rate;
  const from = Math.round((strokes[0].from || 0) * rate), to = strokes[0].length ? from + Math.round(strokes[0].length * rate) : undefined;
  last.frames = rows[0].subarray(from, to).length;
  last.rate = rate;
  last.mics = strokes[0].sound.names;
  last.peaks = () => rows.map((row) => row.subarray(from, to).reduce((most, x) => Math.max(most, Math.abs(x)), 0));
  last.strokes = strokes.length;
  end(mine, until);
}

export function stop() {
  turn++;
  if (playing) {
    clearTimeout(playing.timer);
    const at = context.currentTime;
    for (const gain of playing.gains) {
      gain.gain.cancelScheduledValues(at);
      gain.gain.setTargetAtTime(0, at, 0.004);
    }
    for (const source of playing.sources) source.stop(at + 0.03);
  }
  playing = null;
  now.textContent = "Nothing is playing.";
  document.body.classList.remove("sounding");
}

/* Seconds of what plays that have been heard by now; null when nothing plays. */
export const heard = () => playing ? context.currentTime - playing.start - (context.outputLatency || 0) : null;
/* While this plays `tell` hears how far it is, once a frame, and null at its end. */
export function follow(tell) {
  const mine = playing;
  const look = () => { if (playing === mine && mine) { tell(heard()); requestAnimationFrame(look); } else tell(null); };
  look();
}
export const lastPlayed = () => last;
export const settings = () => ({volume: Number(volume.value), context: context ? context.state : "none"});

/* Sound may start only once somebody is there; from the first key or touch on everything stands ready, and is silent. */
for (const sign of ["keydown", "pointerdown"]) addEventListener(sign, () => ready(), {once: true, capture: true});

volume.addEventListener("input", () => {
  byId("level").textContent = `${minus(String(volume.value))}\u202fdB`;
  if (master) master.gain.setTargetAtTime(amount(Number(volume.value)), context.currentTime, 0.01);
});
byId("stop").addEventListener("click", stop);
