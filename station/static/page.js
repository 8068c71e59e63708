// The page of one bench: takes scenes from the station and writes their texts into their places. It decides nothing
// about fish. What it knows by itself is only whether the station is still heard.

import { openCrewPanel } from "./crew.js";
import { drawCurve } from "./curve.js";
import { MARKS, draw, mark } from "./marks.js";
import { startSounds } from "./sounds.js";

const SILENT_MS = 5000; // the station beats every two seconds: twice missed, and the line is taken for dead
const at = (id) => document.getElementById(id);
const bench = new URLSearchParams(location.search).get("bench");
const benches = document.body.dataset.benches.split(" ").filter(Boolean);

let offset_s = 0; // from UTC to the station's own time
let skew_ms = null; // from the tablet's clock to the station's, as its last beat said
let heard_ms = null; // by the tablet's clock
let heard_mono_ms = 0; // by one that is never set, but may stand still while the tablet sleeps
let stream = null;
let connected_ms = 0; // when the last try began
let fresh = false; // whether a scene came since; what came before it on a new line was said while nobody heard it
let hushed = ""; // what was read out last

// --- a scene ---------------------------------------------------------------------------------------------------------

function show(scene) {
  offset_s = scene.utc_offset_s;
  const body = document.body;
  body.dataset.state = scene.state;
  body.dataset.tone = scene.tone;
  document.documentElement.dataset.theme = scene.theme;
  document.title = `${scene.headline} · ${scene.station}`;
  write("station", scene.station);
  write("bench", scene.benches.length > 1 ? `· ${scene.bench}` : "");
  write("survey", scene.survey.title);
  at("survey").classList.toggle("doubt", scene.survey.provisional || !scene.survey.open);
  write("run", scene.run.title);
  write("run-extra", scene.run.extra);
  write("species", scene.species ?? "not chosen");
  at("species").classList.toggle("doubt", scene.species === null);
  at("clock").classList.toggle("doubt", scene.clock_doubtful);
  draw(at("mark"), MARKS[scene.tone]);
  write("headline", scene.headline);
  write("subject", scene.subject);
  write("do", scene.do);
  write("sentence", scene.sentence);
  at("figures").replaceChildren(...scene.figures.map(figure));
  showPast(scene);
  at("notices").replaceChildren(...scene.notices.map(notice));
  dropWhatIsCut();
  write("total", scene.total);
  at("counts").replaceChildren(...scene.counts.map(count));
  at("last").replaceChildren(...scene.last.map(lastFish));
  write("said", scene.said?.text ?? "");
  at("said").classList.toggle("long", at("said").textContent.length > 75);
  write("said-at", scene.said?.at ?? "");
  at("said").dataset.tone = scene.said?.tone ?? "calm";
  at("instruments").replaceChildren(...scene.instruments.map(instrument));
  shrinkAll();
  readOut(scene);
  crew.show(scene);
  if (skew_ms === null) write("clock", scene.clock);
}

function write(id, text) {
  const element = at(id);
  if (element.textContent !== String(text)) element.textContent = text;
}

const WHOLE = "h1, #do, #contact-do, .figure .value, .figure .label, .last .figures-small";

// A long text is set smaller rather than cut. What is measured is measured for all at once: each look at a page that was
// just written to costs a layout.
function shrinkAll() {
  const health = at("instruments");
  const all = [...document.querySelectorAll(WHOLE)];
  health.classList.remove("many");
  for (const one of all) {
    one.classList.remove("long");
    one.style.setProperty("--fit", "1");
  }
  const many = health.scrollHeight > health.clientHeight + 1;
  const wide = all.filter(isCut);
  health.classList.toggle("many", many);
  for (const one of wide) one.classList.add("long"); // in a lighter, narrower face first
  const fits = wide.map((one) => (isCut(one) ? ((0.99 * one.clientWidth) / one.scrollWidth).toFixed(3) : "1"));
  wide.forEach((one, n) => one.style.setProperty("--fit", fits[n]));
}

function isCut(one) {
  return one.scrollWidth > one.clientWidth;
}

function make(name, className, text) {
  const element = document.createElement(name);
  if (className) element.className = className;
  if (text !== undefined) element.textContent = text;
  return element;
}

const FIGURE_WORDS = { missing: "missing", doubt: "in doubt" };

function figure(one) {
  const box = make("div", `figure ${one.state}`);
  const head = make("p", "label");
  head.append(make("span", "", one.label), make("span", "extra", one.extra || FIGURE_WORDS[one.state] || ""));
  const value = make("p", "value");
  const shown = one.value || (one.state === "missing" ? "?" : "–");
  value.append(make("b", "", shown), make("small", "", one.unit));
  box.append(head, value);
  return box;
}

function showPast(scene) {
  const { history, curve } = scene;
  document.body.classList.toggle("with-past", Boolean(history));
  at("past").hidden = !history;
  const rows = history?.rows ?? [];
  write("length-head", history?.heads[0] ?? "");
  write("weight-head", history?.heads[1] ?? "");
  at("history").tBodies[0].replaceChildren(...rows.map(capture));
  write("catches", history ? `${history.n} ${history.n === 1 ? "catch" : "catches"}` : "");
  drawCurve(at("curve"), curve);
}

// Rows for which there is no room are left out whole, the oldest first: half a line of figures misleads.
function dropWhatIsCut() {
  const bottom = (one) => one.getBoundingClientRect().bottom;
  const rows = [...at("history").tBodies[0].rows]; // new ones: none is hidden yet
  const room = bottom(document.querySelector("#past .rows")) + 1;
  const cut = rows.map((row) => bottom(row) > room);
  rows.forEach((row, n) => { row.hidden = cut[n]; });
}

function capture(one) {
  const row = make("tr");
  const water = make("td", "water");
  if (one.fate) water.append(make("b", "", one.fate), " "); // first: a long name of a water is cut at its end
  water.append(one.water);
  const cells = [make("td", "", one.date), water, make("td", "number", one.length), make("td", "number grown", one.grown)];
  row.append(...cells, make("td", "number", one.weight), make("td", "number", one.wr));
  return row;
}

function notice(one) {
  const item = make("li", one.tone);
  item.append(mark(one.tone), make("span", "", one.text));
  return item;
}

function count(one) {
  const item = make("li");
  item.append(make("span", "", one.species), make("b", "", one.n));
  return item;
}

function lastFish(one) {
  const item = make("li");
  const first = make("p", "what");
  first.append(make("span", "", one.species), make("time", "", one.at));
  const second = make("p", "figures-small");
  const word = one.status === "queried" ? "queried" : "";
  second.append(make("b", "", `${one.length} · ${one.weight}`), make("span", "", word || one.tag));
  item.append(first, second);
  return item;
}

function instrument(one) {
  const item = make("li", one.tone);
  item.append(mark(one.tone), make("b", "", one.name), make("span", "", one.word));
  return item;
}

// For a screen reader: the moment once, urgent ones at once.
function readOut(scene) {
  const text = [scene.headline, scene.subject, scene.do, scene.sentence].filter(Boolean).join(". ");
  if (text === hushed) return;
  hushed = text;
  const urgent = scene.tone === "question" || scene.tone === "alarm";
  write("spoken", urgent ? "" : text);
  write("urgent", urgent ? text : "");
}

// --- is the station still heard? ---------------------------------------------------------------------------------------

function heard() {
  heard_ms = Date.now();
  heard_mono_ms = performance.now();
  if (fresh && at("contact").dataset.why !== "busy") contact(null);
}

function contact(why, sentence = "") {
  const box = at("contact");
  if (!why) {
    if (box.hidden) return;
    box.hidden = true;
    box.dataset.why = "";
    document.body.classList.remove("out-of-touch");
    return;
  }
  if (box.dataset.why === why && !sentence) return;
  box.dataset.why = why;
  document.body.classList.add("out-of-touch");
  const last = heard_ms === null ? "nothing was heard so far" : `last news ${clock(heard_ms, true)}`;
  const words = {
    lost: ["NO CONTACT", "Look at the station", `This page does not hear the station: ${last}. What stands here may be old. It catches up by itself.`],
    busy: ["NOT ANSWERING", "Wait for the station", sentence || `The station does not answer: ${last}. What the instruments send waits.`],
    refused: ["NOT SHOWN", "Read why", sentence],
  }[why];
  box.hidden = false;
  write("contact-headline", words[0]);
  write("contact-do", words[1]);
  write("contact-sentence", words[2]);
  shrinkAll();
}

function clock(ms, seconds = false) {
  const time = new Date(ms + (skew_ms ?? 0) + offset_s * 1000).toISOString();
  return time.slice(11, seconds ? 19 : 16);
}

// A station that says why it shows nothing is not lost.
function lost() {
  if (at("contact").dataset.why !== "refused") contact("lost");
}

function tick() {
  if (skew_ms !== null) write("clock", clock(Date.now()));
}

function watch() {
  tick();
  if (heard_ms === null || Math.max(Date.now() - heard_ms, performance.now() - heard_mono_ms) <= SILENT_MS) return;
  lost();
  if (performance.now() - connected_ms > SILENT_MS) connect(); // a line that was cut without a word closes no stream
}

function connect() {
  stream?.close();
  connected_ms = performance.now();
  fresh = false;
  const address = new URL("/events", location.href);
  if (bench) address.searchParams.set("bench", bench);
  stream = new EventSource(address);
  stream.addEventListener("scene", (event) => {
    fresh = true;
    contact(null);
    heard();
    show(JSON.parse(event.data));
  });
  stream.addEventListener("said", (event) => {
    heard();
    const said = JSON.parse(event.data);
    if (said.name === "database_waits") contact("busy", said.sentence);
    if (fresh) sounds.play(said.sound); // old news, all at once, would only mislead
  });
  stream.addEventListener("beat", (event) => {
    const beat = JSON.parse(event.data);
    skew_ms = Date.parse(beat.at) - Date.now();
    heard();
    if (!beat.answers) contact("busy");
    else if (fresh) contact(null);
    tick();
  });
  stream.addEventListener("error", () => {
    fresh = false;
    lost();
    if (stream.readyState === EventSource.CLOSED) setTimeout(askWhy, 1000);
  });
}

// The stream gave up: the station refuses this tablet, or one more page, or was not there for long.
async function askWhy() {
  const asking = new AbortController();
  try {
    const answer = await fetch(stream.url, { signal: asking.signal });
    if ([401, 403, 421].includes(answer.status)) {
      location.reload(); // the page itself leads to where the code is typed
      return;
    }
    if (!answer.ok) contact("refused", (await answer.json()).error);
  } catch {
    contact("lost"); // not there yet
  }
  asking.abort();
  connect();
}

const crew = openCrewPanel(bench);
const sounds = startSounds(at("sound"));

// A tablet that falls asleep shows nothing. Browsers allow this on the station itself and over HTTPS only.
function stayAwake() {
  if (document.visibilityState === "visible") navigator.wakeLock?.request("screen").catch(() => {});
}

if (!bench && benches.length > 1) {
  at("chooser").hidden = false;
  document.body.classList.add("choosing");
} else {
  connect();
  setInterval(watch, 500);
  addEventListener("resize", shrinkAll);
  document.addEventListener("visibilitychange", stayAwake);
  stayAwake();
}
