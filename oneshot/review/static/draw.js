/* Drawing on canvas at the screen's own density. */

import {colour, minus} from "./base.js";

function pen(canvas, size = null) {
  const ratio = window.devicePixelRatio || 1, [wide, high] = size || [canvas.clientWidth, canvas.clientHeight];
  const w = Math.max(1, Math.round(wide * ratio)), h = Math.max(1, Math.round(high * ratio));
  if (canvas.width !== w) canvas.width = w;
  if (canvas.height !== h) canvas.height = h;
  const made = canvas.getContext("2d");
  made.setTransform(ratio, 0, 0, ratio, 0, 0);
  made.clearRect(0, 0, wide, high);
  return [made, wide, high];
}

function fill(to, values, offset, count, wide, middle, reach, from = 0) {
  to.beginPath();
  for (let i = 0; i < count; i++) to.lineTo(from + (i + 0.5) / count * wide, middle - Math.max(values[offset + 2 * i + 1] * reach, 0.45));
  for (let i = count - 1; i >= 0; i--) to.lineTo(from + (i + 0.5) / count * wide, middle - Math.min(values[offset + 2 * i] * reach, -0.45));
  to.fill();
}

/* A small outline, each to its own peak: its shape, not its level. `size`: as the style sheet has it, so that nothing has to
   be laid out to know it. */
export function drawOutline(canvas, values, size) {
  const [to, wide, high] = pen(canvas, size);
  let most = 1;
  for (const value of values) most = Math.max(most, Math.abs(value));
  to.fillStyle = colour("--wave");
  fill(to, values, 0, values.length / 2, wide, high / 2, (high / 2 - 1) / most);
}

/* One mic of a stretch. `lines`: [{x (0 to 1), colour, dash}], `shades`: [{from, to, colour}]. */
export function drawLane(canvas, values, row, points, scale, lines, shades) {
  const [to, wide, high] = pen(canvas);
  for (const {from, to: until, name} of shades) {
    to.fillStyle = name;
    to.fillRect(from * wide, 0, (until - from) * wide, high);
  }
  to.fillStyle = colour("--line");
  to.fillRect(0, high / 2 - 0.5, wide, 1);
  to.fillStyle = colour("--wave");
  if (values) fill(to, values, row * points * 2, points, wide, high / 2, (high / 2 - 1) * scale / 32767);
  for (const {x, name, dash, width} of lines) {
    if (x < 0 || x > 1) continue;
    to.strokeStyle = name;
    to.lineWidth = width || 1;
    to.setLineDash(dash || []);
    to.beginPath();
    to.moveTo(x * wide, 0);
    to.lineTo(x * wide, high);
    to.stroke();
  }
}

/* Levels of third-octave bands over the 60 dB below the loudest, one curve a mic; the one that is looked at in full. */
export function drawSpectra(canvas, rows, looked, hz) {
  const [to, wide, high] = pen(canvas);
  const foot = 16, head = 8, left = 34, tall = high - foot - head, span = 60;
  const loudest = Math.max(...rows.flat().filter((db) => db !== null), -140), top = 10 * Math.ceil(loudest / 10);
  const x = (i) => left + i / (hz.length - 1) * (wide - left - 6), y = (db) => head + Math.min(Math.max((top - db) / span, 0), 1) * tall;
  to.font = `11px ${getComputedStyle(canvas).fontFamily}`;
  to.textAlign = "right";
  for (let db = top; db >= top - span; db -= 20) {
    to.fillStyle = colour("--line");
    to.fillRect(left, Math.round(y(db)), wide - left, 1);
    to.fillStyle = colour("--soft");
    to.fillText(minus(String(db)), left - 5, y(db) + 4);
  }
  to.textAlign = "center";
  hz.forEach((middle, i) => {
    const label = {63: "63", 126: "125", 251: "250", 501: "500", 1000: "1 kHz", 1995: "2 kHz", 3981: "4 kHz", 7943: "8 kHz"}[Math.round(middle)];
    if (!label || (wide < 340 && i % 2)) return;
    to.fillStyle = colour("--line");
    to.fillRect(x(i), head, 1, tall);
    to.fillStyle = colour("--soft");
    to.fillText(label, x(i), high - 3);
  });
  const curve = (row, name, width) => {
    to.strokeStyle = name;
    to.lineWidth = width;
    to.beginPath();
    row.forEach((db, i) => { if (db !== null) to.lineTo(x(i), y(db)); });
    to.stroke();
  };
  rows.forEach((row, n) => { if (n !== looked) curve(row, colour("--faint"), 1); });
  if (rows[looked]) curve(rows[looked], colour("--mark"), 2);
}
