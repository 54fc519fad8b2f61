/* What every part of the page uses: requests with the token, elements from texts, figures as people read them. */

const kept = "oneshot-review-token";
const given = location.hash.slice(1);
if (given) sessionStorage.setItem(kept, given);
const token = given || sessionStorage.getItem(kept) || "";

/* Said when nothing answers any more. A new start has a new address, for its token at least. */
export const GONE = "The program behind this page is no longer running. Start oneshot review again and open the address that it prints: "
  + "everything listed under Corrections is saved.";

class Refused extends Error {
  constructor(text, status, stale) {
    super(text);
    this.status = status;
    this.stale = stale;
  }
}

async function ask(path, options = {}) {
  let answer;
  try {
    answer = await fetch(`/api/${path}`, {...options, headers: {"X-Oneshot-Token": token, ...options.headers}});
  } catch {
    throw new Refused(GONE, 0, false);
  }
  if (answer.ok) return answer;
  const said = await answer.json().catch(() => ({}));
  throw new Refused(said.error || `The server refused the request (${answer.status}).`, answer.status, Boolean(said.stale));
}

export const getJson = async (path) => (await ask(path)).json();
export const getBytes = async (path) => { const answer = await ask(path); return [await answer.arrayBuffer(), answer.headers]; };
export const post = async (path, record) => (await ask(path, {
  method: "POST", body: JSON.stringify(record), headers: {"Content-Type": "application/json"},
})).json();

export const byId = (id) => document.getElementById(id);

/* Elements are made from names and texts, never from markup: a file may be called anything. */
export function make(name, properties = {}, ...children) {
  const element = document.createElement(name);
  for (const [key, value] of Object.entries(properties)) {
    if (value === null || value === undefined || value === false) continue;
    if (key in element && key !== "list" && key !== "form") element[key] = value; else element.setAttribute(key, value === true ? "" : value);
  }
  element.append(...children.filter((child) => child !== null && child !== undefined));
  return element;
}

export const minus = (text) => text.replace("-", "\u2212");
export const figure = (value, digits = 1, unit = "") =>
  value === null || value === undefined ? "\u2013" : minus(Number(value).toFixed(digits)) + (unit ? `\u202f${unit}` : "");
export const plural = (count, one, many = `${one}s`) => `${count.toLocaleString("en")} ${count === 1 ? one : many}`;
export function clock(seconds) {
  const whole = Math.floor(seconds / 60);
  return `${whole}:${(seconds - 60 * whole).toFixed(2).padStart(5, "0")}`;
}
/* Colours of the style sheet, asked for once a scheme: a list that is scrolled draws hundreds of outlines a second. */
const colours = new Map();
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => colours.clear());
export function colour(name) {
  if (!colours.has(name)) colours.set(name, getComputedStyle(document.documentElement).getPropertyValue(name).trim());
  return colours.get(name);
}
