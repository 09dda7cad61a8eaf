// The page: a stream of views in, a redrawn page out. It computes nothing about the flight; while
// the watcher itself is silent it only counts the last figures on, and says so.

import { AdvisoryList, Caller, believed } from "./advisories.js";
import { Chart } from "./chart.js";
import { attribute, byId, el, hide, shapeName, shapeParts, text } from "./dom.js";
import { Fleet, figureWords, greyed, withoutWord } from "./fleet.js";
import { drawLedger } from "./ledger.js";
import * as measures from "./measures.js";
import { drawRope } from "./rope.js";
import { Strip } from "./strip.js";

const LOST_MS = 3000; // the stream ticks every second

const state = { view: null, fleet: null, settings: { tiles: "", units: "metric", may_ack: false },
  story: { flight: null, points: [], track: [] }, at: 0, source: null };

const fleet = new Fleet(byId("fleet-list"), byId("fleet-sum"), byId("fleet-empty"));
const list = new AdvisoryList(byId("alert-list"), byId("missing"), byId("alert-all"));
const strip = new Strip(byId("strip-box"), byId("strip"), byId("strip-read"));
const chart = new Chart(byId("map"), byId("map-note"), { nearer: byId("map-in"),
  farther: byId("map-out"), all: byId("map-all"), follow: byId("map-follow") });
const caller = new Caller();
const remembered = (name) => { try { return localStorage.getItem(name); } catch { return null; } };
const remember = (name, value) => { try { localStorage.setItem(name, value); } catch { /* kept for this page only */ } };

// -- the stream ----------------------------------------------------------------------------------

const wanted = () => decodeURIComponent(location.hash.slice(1));

function open() {
  state.source?.close();
  state.view = null;
  const query = wanted() ? `?aircraft=${encodeURIComponent(wanted())}` : "";
  const source = new EventSource(`/events${query}`);
  source.addEventListener("settings", (event) => settle(JSON.parse(event.data)));
  source.addEventListener("fleet", (event) => {
    state.fleet = JSON.parse(event.data);
    state.at = performance.now();
    caller.watch(state.fleet.rows);
    schedule();
  });
  source.addEventListener("view", (event) => take(JSON.parse(event.data)));
  state.source = source;
}

function settle(settings) {
  state.settings = settings;
  chart.tiles = settings.tiles;
  list.mayAck = settings.may_ack;
  measures.setNautical((remembered("units") ?? settings.units) === "nautical");
  nameUnits();
}

async function take(view) {
  state.view = view;
  const { story } = state;
  const same = story.aircraft === view.aircraft && story.flight === view.flight;
  if (!same || story.recalled !== view.recalled) {
    state.story = { aircraft: view.aircraft, flight: view.flight, recalled: view.recalled,
      points: same ? story.points : [], track: same ? story.track : [] };
    const answer = await fetch(`/history?aircraft=${encodeURIComponent(view.aircraft)}`);
    if (answer.ok) state.story = await answer.json();
  } else grow(story, view);
  schedule();
}

// The view carries the newest moment only; the story before it was fetched once.
function grow(story, view) {
  const { status, t_s: t } = view;
  if (!status) return;
  const margin = status.numbers?.above_reserve_wh;
  const last = story.points.at(-1)?.[0] ?? -Infinity;
  if (margin && margin[1] !== null && t > last) {
    story.points.push([t, ...margin, status.numbers.turn_back_safe_min, status.level]);
  }
  if (status.where && t > (story.track.at(-1)?.[0] ?? -Infinity)) {
    story.track.push([t, status.where.lat_deg, status.where.lon_deg, status.where.height_m]);
  }
}

// -- drawing -------------------------------------------------------------------------------------

let drawing = false;
function schedule() {
  if (drawing) return;
  drawing = true;
  requestAnimationFrame(() => { drawing = false; draw(); });
}

function draw() {
  const silent = performance.now() - state.at;
  const lost = state.at > 0 && silent > LOST_MS;
  document.body.classList.toggle("watcher-lost", lost);
  banner(lost, silent);
  drawClock();
  if (!state.fleet) return;
  const view = state.view && (!wanted() || state.view.aircraft === wanted()) ? state.view : null;
  const several = state.fleet.rows.length > 1;
  hide(byId("one"), !view);
  hide(byId("fleet"), Boolean(view));
  hide(byId("to-fleet"), !(view && several));
  if (view) drawOne(lost ? countedOn(view, silent / 1000) : view);
  else drawFleet();
  drawOthers(view);
}

function banner(lost, silent) {
  const { fleet: known } = state;
  let words = "";
  if (lost) {
    words = `The watcher on this computer has stopped answering, ${measures.spell(silent / 1000)} `
      + "ago. Figures count on from then.";
  } else if (known && known.lost_s !== null) {
    words = `No broker for ${measures.spell(known.lost_s)}. Trying again.`;
  } else if (known?.fault) words = `The history cannot be kept: ${known.fault}.`;
  text(byId("lost"), words);
  hide(byId("lost"), !words);
}

// What the watcher would say by now, had it not fallen silent itself.
function countedOn(view, seconds) {
  const minus = (v) => (v === null ? null : v - seconds / 60);
  const minutes = minus(view.figure.minutes);
  const kind = view.figure.kind === "turn" && minutes <= 0 ? "due" : view.figure.kind;
  const fine = view.level === "normal" || view.level === "advisory";
  const word = fine && kind !== "landed" ? "No word" : view.word;
  return { ...view, word, figure: { ...view.figure, kind, minutes,
    spread_min: view.figure.spread_min.map(minus), reckoned: kind !== "landed" },
  freshness: { ...view.freshness, stale: true,
    age_s: view.freshness.age_s === null ? null : view.freshness.age_s + seconds } };
}

function drawOne(view) {
  const nowMs = state.fleet.now_s * 1000 + (performance.now() - state.at);
  const age = view.freshness.age_s ?? 0;
  const nowT = (view.t_s ?? 0) + age;
  const dateOf = (t) => nowMs + (t - nowT) * 1000;
  document.body.classList.toggle("stale", greyed(view));
  byId("one").dataset.t = view.t_s; // which status is shown, for whoever checks the page
  text(byId("name"), view.aircraft);
  text(byId("title"), [view.title, view.phase.replaceAll("-", " ")].filter(Boolean).join(", "));
  drawFresh(view);
  list.draw(view, nowT, dateOf);
  drawAnswer(view, nowMs);
  text(byId("ledger-what"), `Energy from now to landing${view.figure.kind === "home" ? ""
    : ", if it turned now"}`);
  const over = view.figure.kind === "landed"; // then nothing is foreseen any more
  hide(byId("ledger"), over);
  hide(byId("why"), over);
  drawLedger({ node: byId("ledger-bars"), table: byId("ledger-table"),
    sumNode: byId("ledger-sum"), note: byId("ledger-note") }, view);
  strip.draw(view, state.story.points, nowT, nowMs);
  chart.draw(view, state.story.track, nowMs);
  drawWhy(view);
  const { big, unit } = figureWords(view.figure);
  document.title = `${big} ${unit} ${view.word}: ${view.aircraft}`.trim();
}

function drawFresh(view) {
  const { freshness: fresh } = view;
  const age = fresh.age_s === null ? "age unknown" : `${measures.spell(fresh.age_s)} old`;
  const signed = view.trust === "verified" ? ", signed" : "";
  const next = fresh.next_s === null ? "" : `, next within ${measures.spell(fresh.next_s)}`;
  const words = fresh.state === "live" ? `Live${signed}, figures ${age}${next}.`
    : `${fresh.sentence} Figures ${age}.`;
  const untrusted = view.set_aside ? ` ${view.set_aside} messages without a good signature were `
    + "set aside." : "";
  text(byId("fresh"), words + untrusted);
  attribute(byId("fresh"), "class", fresh.stale ? "fresh stale" : "fresh");
}

function drawAnswer(view, nowMs) {
  const { figure } = view;
  const shape = shapeName(view.level, greyed(view));
  attribute(byId("verdict"), "class", `verdict level-${view.level}`);
  if (byId("shape").dataset.name !== shape) {
    byId("shape").replaceChildren(...shapeParts(shape));
    byId("shape").dataset.name = shape;
  }
  text(byId("word"), view.word);
  text(byId("sentence"), withoutWord(view.sentence, view.word));
  drawAboard(view.aboard);
  const { big, unit, caption } = figureWords(figure);
  text(byId("figure"), big);
  text(byId("figure-unit"), unit);
  text(byId("figure-caption"), caption + (figure.reckoned ? ", reckoned on from the last word" : ""));
  text(byId("figure-spread"), spreadWords(view));
  drawRope(byId("rope"), view, nowMs);
  drawVerdictAck(view);
}

// What is wrong or armed aboard, in words; redrawn only when it changes.
function drawAboard(lines) {
  const box = byId("aboard"), key = JSON.stringify(lines);
  hide(box, !lines.length);
  if (box.dataset.key === key) return;
  box.dataset.key = key;
  box.replaceChildren(...lines.map((line) => el("li", {}, line)));
}

function spreadWords({ figure, plan }) {
  const m = (v) => (v < 1 ? Math.max(v, 0).toFixed(1).replace("0.0", "0") : Math.floor(v));
  const [p05, p50, p95] = figure.spread_min;
  const sure = plan ? `${+(100 * plan.confidence).toFixed(1)} % sure of home if it turns by then. `
    : "";
  if (figure.kind === "turn" && p50 !== null) {
    const range = p95 === null ? `nine in ten from ${m(p05)} min on` : p05 === null ? ""
      : `nine in ten between ${m(p05)} and ${m(p95)}`;
    return `${sure}Even odds at ${m(p50)} min; ${range}.`;
  }
  if (figure.kind === "turn") {
    return `${sure}More likely than not it need not turn before the plan ends.`;
  }
  const [low, mid, high] = figure.margin_wh;
  if (mid === null) return "";
  if (figure.kind === "landed") {
    const [least, , most] = figure.left_wh;
    return `Nine in ten between ${measures.number(least)} and ${measures.number(most)}; `
      + `${measures.number(Math.abs(mid))} Wh ${mid < 0 ? "below" : "above"} the final reserve. `
      + "The debrief tells the rest.";
  }
  return figure.kind === "home"
    ? `Nine in ten between ${measures.numberSigned(low)} and ${measures.numberSigned(high)} Wh; `
      + `${measures.chance(figure.covered)} to land with the reserve and the voltage held.`
    : `${figure.reckoned ? "As last known, turning" : "Turning now"} would land `
      + `${measures.number(Math.abs(mid))} Wh ${mid < 0 ? "below" : "above"} the reserve, nine in ten between `
      + `${measures.numberSigned(low)} and ${measures.numberSigned(high)}; home is covered with `
      + `${measures.chance(figure.covered)}.`;
}

// What there is to acknowledge at the level shown sits beside the sentence that it is about.
function drawVerdictAck(view) {
  const box = byId("verdict-ack");
  const one = view.advisories.find((a) => a.active && !believed(a) && a.level === view.level
    && (a.level === "warning" || a.level === "caution"));
  const key = one && state.settings.may_ack ? list.key(one.seq) : "";
  if (box.dataset.key === key) return;
  box.dataset.key = key;
  box.replaceChildren();
  if (!key) return;
  const button = el("button", { type: "button", class: "ack" }, "Acknowledge");
  button.addEventListener("click", () => list.press(key, one.seq));
  box.append(button);
}

function drawWhy(view) {
  const why = Object.entries(view.status?.why_wh ?? {})
    .filter(([, wh]) => Math.abs(wh) >= 0.5).sort((a, b) => Math.abs(b[1]) - Math.abs(a[1]));
  const most = Math.max(1, ...why.map(([, wh]) => Math.abs(wh)));
  const total = why.reduce((sum, [, wh]) => sum + wh, 0);
  const rows = why.map(([name, wh]) => {
    const bar = el("span", { class: wh > 0 ? "why-bar ate" : "why-bar gave" });
    bar.style.width = `${(50 * Math.abs(wh)) / most}%`;
    return el("li", {}, el("span", {}, name.replaceAll("-", " ")),
      el("span", { class: "why-track" }, bar),
      el("span", { class: "wh" }, `${measures.numberSigned(-wh)} Wh`));
  });
  const sum = why.length ? el("p", { class: "note" }, `Together ${measures.numberSigned(-total)} `
    + `Wh of margin against the plan.${headwindWords(view.advisories)}`) : el("p", { class: "note" }, "Nothing worth naming yet.");
  byId("why-list").replaceChildren(el("ol", {}, ...rows), sum);
  byId("facts").replaceChildren(...facts(view).flatMap(([name, value]) =>
    [el("dt", {}, name), el("dd", {}, value)]));
}

// Two figures for one wind: say what each counts.
const headwindWords = (advisories) => (advisories.some((a) => a.active
  && a.condition === "headwind-home") ? " Wind here is the whole flight's; the head wind advisory "
  + "counts the way home only." : "");

function facts({ status, health, return_request: request }) {
  const out = [];
  const { pack, where, numbers, landed } = status ?? {};
  if (numbers) {
    out.push(["Whole plan", measures.chance(numbers.completion)],
      ["Home, turning now", measures.chance(numbers.covered)],
      ["Landing hover", `${measures.chance(numbers.hover_holds)} holds`
        + (numbers.hover_cell_v[1] === null ? "" : `, lowest cell ${numbers.hover_cell_v[1].toFixed(2)} V`)]);
  }
  if (pack) {
    out.push(["Pack", `${measures.number(pack.charge_percent)} % ± `
      + `${measures.number(pack.charge_sd_percent)}, ${measures.energy(pack.energy_wh)}`
      + (pack.temperature_c === null ? "" : `, ${measures.number(pack.temperature_c)} °C`)]);
  }
  if (where && !landed) {
    out.push(["Flies", `${measures.bearing(where.track_deg)} at ${measures.speed(where.groundspeed_mps)} `
      + `over ground, ${measures.height(where.height_m)} above home`]);
  }
  if (request) out.push(["Return request", request]);
  if (health) {
    const { link, process, storage } = health, all = link.frames + link.lost;
    out.push(["Telemetry", all ? `${measures.chance(link.frames / all)} of ${all} frames heard` : "none"],
      ["Computer", `${measures.number(process.cpu_percent)} % busy`
        + (process.resident_mb === null ? "" : `, ${measures.number(process.resident_mb)} MB`)
        + (storage.free_mb === null ? "" : `, ${measures.number(storage.free_mb / 1000, 1)} GB of disk left`)]);
  }
  return out;
}

// -- many aircraft -------------------------------------------------------------------------------

function drawFleet() {
  document.body.classList.remove("stale");
  text(byId("name"), wanted() || "Homeleg");
  text(byId("title"), "");
  text(byId("fresh"), "");
  const urgent = state.fleet.rows.filter((r) => r.level === "warning").length;
  document.title = urgent ? `${urgent} warning: Homeleg` : "Homeleg";
  fleet.draw(state.fleet.rows);
}

function drawOthers(view) {
  const others = view ? state.fleet.rows.filter((r) => r.aircraft !== view.aircraft
    && (r.level === "warning" || r.level === "caution")).slice(0, 6) : [];
  const box = byId("others"), key = JSON.stringify(others.map((r) => [r.aircraft, r.level]));
  hide(box, !others.length);
  if (box.dataset.key === key) return;
  box.dataset.key = key;
  box.replaceChildren(...others.map((row) => el("a", { href: `#${encodeURIComponent(row.aircraft)}`,
    class: `other level-${row.level}` }, `${row.aircraft}: ${row.word}`)));
}

// -- settings ------------------------------------------------------------------------------------

function drawClock() {
  const now = Date.now();
  const [utc, here] = [measures.utcClock(now, true), measures.localClock(now, true)];
  text(byId("clock"), `${utc} UTC${utc === here ? "" : ` · ${here} here`}`);
}

function nameUnits() {
  text(byId("set-units"), measures.isNautical() ? "NM, kt" : "km, m/s");
  attribute(byId("set-units"), "aria-label",
    `Units: ${measures.isNautical() ? "nautical" : "metric"}; press to change`);
}

const THEMES = ["auto", "light", "dark"];
function setTheme(name) {
  attribute(document.documentElement, "data-theme", name === "auto" ? null : name);
  text(byId("set-theme"), { auto: "Light: auto", light: "Light: day", dark: "Light: night" }[name]);
  remember("theme", name);
}

byId("set-units").addEventListener("click", () => {
  measures.setNautical(!measures.isNautical());
  remember("units", measures.isNautical() ? "nautical" : "metric");
  nameUnits();
  schedule();
});
byId("set-theme").addEventListener("click", () => {
  const now = remembered("theme") ?? "auto";
  setTheme(THEMES[(THEMES.indexOf(now) + 1) % THEMES.length]);
});
for (const name of ["sound", "notify", "speak"]) {
  byId(`set-${name}`).addEventListener("click", async (event) => {
    attribute(event.currentTarget, "aria-pressed", "…");
    attribute(byId(`set-${name}`), "aria-pressed", String(await caller.toggle(name)));
  });
}
setTheme(THEMES.includes(remembered("theme")) ? remembered("theme") : "auto");
nameUnits();
addEventListener("hashchange", () => { open(); schedule(); });
addEventListener("resize", schedule);
setInterval(schedule, 1000); // counts on even when the stream is silent
open();
