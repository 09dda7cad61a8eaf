// The ledger as two bars from now to landing: what the budget planned for this point of the route
// above what is expected now. Patterns, not only colours, tell the terms apart.

import { attribute, el, scale, svg, text, ticks } from "./dom.js";
import { energy, number, numberSigned } from "./measures.js";

const ORDER = ["turn", "climb", "cruise", "descent", "landing", "contingency", "alternate",
  "final-reserve", "extra"];
const PHASES = new Set(["turn", "climb", "cruise", "descent", "landing"]);
const NAMES = { "final-reserve": "final reserve", extra: "left over" };
const SHORT = { "final-reserve": "reserve", extra: "over", landing: "land", contingency: "cont." };
const BAR = 40, TOP = 30, GAP = 48, SHORT_H = 12;

const sigma = (wh) => number(wh, wh < 0.95 ? 1 : 0); // a small one is not none

const nameOf = (key) => NAMES[key] ?? key.replaceAll("-", " ");
const keysOf = (...ledgers) => {
  const all = new Set(ledgers.flatMap((l) => Object.keys(l)));
  return [...ORDER.filter((k) => all.has(k)), ...[...all].filter((k) => !ORDER.includes(k))];
};
const sum = (ledger, test) => Object.entries(ledger)
  .filter(([key]) => test(key)).reduce((total, [, wh]) => total + wh, 0);
const home = (ledger) => sum(ledger, (key) => PHASES.has(key));

export function drawLedger({ node, table, sumNode, note }, view) {
  const { ledger_wh: actual = {}, planned_wh: planned = {}, ledger_sd_wh: sd = {} } =
    view.status ?? {};
  const width = node.clientWidth || 640;
  if (!Object.keys(actual).length) {
    node.replaceChildren();
    table.replaceChildren();
    text(note, "");
    text(sumNode, "not known yet");
    return;
  }
  const [low, , high] = view.status.numbers?.above_reserve_wh ?? [null, null, null];
  const most = Math.max(extent(actual), extent(planned), reserveEnd(actual) + (high ?? 0)) * 1.02;
  const both = Object.keys(planned).length > 0;
  const y = both ? TOP + BAR + GAP : TOP, height = y + BAR + 74;
  attribute(node, "viewBox", `0 0 ${width} ${height}`);
  node.style.height = `${height}px`;
  const x = scale(0, most, 2, width - 4);
  const parts = [patterns()], unnamed = [];
  if (both) parts.push(...bar(planned, {}, x, TOP, "planned", []));
  parts.push(...bar(actual, sd, x, y, "now expected", unnamed));
  if (low !== null && high !== null) parts.push(spread(x, y + BAR + 22, actual, low, high));
  parts.push(...axis(x, most, height - 16, width));
  node.replaceChildren(...parts);
  attribute(node, "aria-label", `Energy ledger. Home leg ${energy(home(actual))}, final reserve `
    + `${energy(actual["final-reserve"] ?? 0)}, left over ${energy(actual.extra ?? 0)}.`);
  text(sumNode, `home leg ${number(home(actual))} Wh`
    + (both ? `, planned ${number(home(planned))}` : ""));
  text(note, unnamed.length ? `Too narrow to name, from the left: ${unnamed.join(", ")} Wh.` : "");
  drawTable(table, actual, planned, sd);
}

// How far a bar reaches: a shortfall reaches past the end of the pack.
const extent = (ledger) => sum(ledger, (key) => key !== "extra" || ledger[key] > 0);

function bar(ledger, sd, x, y, label, unnamed) {
  const parts = [svg("text", { class: "bar-label", x: 2, y: y - 9 }, label, ...shortage(ledger))];
  let at = 0;
  for (const key of keysOf(ledger)) {
    const wh = ledger[key];
    if (key === "extra" && wh < 0) continue;
    const x0 = x(at), x1 = x(at + wh);
    parts.push(svg("rect", { class: `term term-${PHASES.has(key) ? "phase" : key} shade-${key}`,
      x: x0, y, width: Math.max(x1 - x0, 0), height: BAR }));
    const amount = number(wh) + (sd[key] > 0 ? ` ± ${sigma(sd[key])}` : "");
    parts.push(...inside(key, amount, x0, x1, y));
    if (!nameFitting(key, x1 - x0) && wh >= 0.5) unnamed.push(`${nameOf(key)} ${amount}`);
    at += wh;
  }
  parts.push(...short(ledger, x, at, y));
  return parts;
}

// The contingency is a margin, not a use: what is left at landing is counted without it.
const reserveEnd = (ledger) => sum(ledger, (key) => key !== "extra" && key !== "contingency");

const room = (words) => words.length * 7.4 + 8; // pixels

function inside(key, amount, x0, x1, y) {
  const name = nameFitting(key, x1 - x0), mid = (x0 + x1) / 2;
  const cls = `in-bar in-${PHASES.has(key) ? "phase" : key}`;
  if (!name) return [];
  const fits = x1 - x0 > room(amount);
  return [svg("text", { class: cls, x: mid, y: y + 17 }, name),
    svg("text", { class: `${cls} wh`, x: mid, y: y + 33 },
      fits ? amount : amount.split(" ")[0])];
}

const nameFitting = (key, width) =>
  [nameOf(key), SHORT[key]].find((name) => name && room(name) < width);

// Where the pack may end: nine in ten, measured from the end of the final reserve.
function spread(x, y, ledger, low, high) {
  const end = reserveEnd(ledger);
  const [x0, x1] = [x(Math.max(end + low, 0)), x(Math.max(end + high, 0))];
  return svg("path", { class: "whisker", d: `M${x0} ${y - 4}v8M${x0} ${y}H${x1}M${x1} ${y - 4}v8` });
}

// What the pack does not hold: marked under the end of the bar, and said beside the bar's name.
function short(ledger, x, end, y) {
  if (!(ledger.extra < 0)) return [];
  const x0 = x(Math.max(end + ledger.extra, 0)), x1 = x(end);
  return [svg("rect", { class: "short", x: x0, y: y + BAR + 2, width: x1 - x0, height: SHORT_H })];
}

const shortage = (ledger) => (ledger.extra < 0
  ? [svg("tspan", { class: "strong", dx: 12 }, shortWords(ledger))] : []);

// The contingency is there to be used; the reserve is not.
const shortWords = ({ extra, contingency = 0 }) => (-extra <= contingency
  ? `${number(-extra)} Wh of contingency used` : `short by ${number(-extra)} Wh`);

function axis(x, most, y, width) {
  const parts = [];
  for (const v of ticks(0, most, Math.max(width / 110, 3))) {
    parts.push(svg("path", { class: "rule", d: `M${x(v)} ${y - 20}v5` }),
      svg("text", { class: "tick", x: x(v), y, "text-anchor": v === 0 ? "start"
        : x(v) > width - 30 ? "end" : "middle" }, v === 0 ? "0 Wh" : number(v)));
  }
  return parts;
}

function patterns() {
  const hatch = (id, cls, d, size = 7) => svg("pattern", { id, width: size, height: size,
    patternUnits: "userSpaceOnUse" }, svg("rect", { class: `${cls}-ground`, width: size,
    height: size }), svg("path", { class: cls, d }));
  return svg("defs", {},
    hatch("p-contingency", "hatch", "M-1 1 1 -1M0 7 7 0M6 8 8 6"),
    hatch("p-alternate", "dots", "M2 2h2v2h-2z"),
    hatch("p-short", "cross", "M0 0 7 7M7 0 0 7"));
}

function drawTable(table, actual, planned, sd) {
  const head = el("tr", {}, ...["term", "planned", "now expected", "±", "difference"].map(
    (name) => el("th", { scope: "col" }, name)));
  const rows = keysOf(actual, planned).map((key) => {
    const a = actual[key] ?? 0, p = planned[key];
    const cells = [p === undefined ? "–" : number(p), number(a),
      sd[key] === undefined ? "–" : sigma(sd[key]),
      p === undefined ? "–" : numberSigned(a - p)];
    return el("tr", {}, el("th", { scope: "row" }, nameOf(key)),
      ...cells.map((cell) => el("td", {}, cell)));
  });
  table.replaceChildren(el("caption", {}, "All in Wh; ± is one standard deviation"),
    el("thead", {}, head), el("tbody", {}, ...rows));
}
