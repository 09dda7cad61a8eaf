// The rope: how far the flight may still be paid out before it must turn. Solid while it is sure,
// tapering from where one in twenty futures has ended to where nineteen have. The same drawing
// serves energy above the reserve, when there is no turn left to time.

import { attribute, scale, svg, ticks } from "./dom.js";
import { localTurnClock, minutesLeft, number, turnClock } from "./measures.js";

const H = 104, Y = 50, HALF = 11;

export function drawRope(node, view, nowMs) {
  const width = node.clientWidth || 640;
  attribute(node, "viewBox", `0 0 ${width} ${H}`);
  const timed = view.figure.kind === "turn";
  const spread = timed ? view.figure.spread_min : view.figure.margin_wh;
  const known = spread.filter((v) => v !== null);
  if (!known.length && view.figure.minutes === null) {
    node.replaceChildren();
    attribute(node, "aria-label", "No forecast yet.");
    return;
  }
  const sure = timed ? view.figure.minutes : 0;
  const lo = Math.min(0, ...known), hi = Math.max(timed ? 10 : 50, sure, ...known) * 1.06;
  const x = scale(lo, hi, 14, width - 14);
  const parts = axis(x, lo, hi, width, timed);
  parts.push(...(timed ? paidOut(x, sure, spread) : above(x, spread)));
  parts.push(...(timed ? stake(x, sure, nowMs, width) : reserve(x)));
  node.replaceChildren(...parts);
  attribute(node, "aria-label", describe(view, timed, sure, spread));
}

function axis(x, lo, hi, width, timed) {
  const parts = [svg("path", { class: "rule", d: `M14 ${Y + 26}H${width - 14}` })];
  for (const v of ticks(lo, hi, Math.max(width / 110, 3))) {
    const label = timed ? (v === 0 ? "now" : `${number(v)} min`) : `${number(v)} Wh`;
    const anchor = x(v) < 30 ? "start" : x(v) > width - 44 ? "end" : "middle";
    parts.push(svg("path", { class: "rule", d: `M${x(v)} ${Y + 22}v8` }),
      svg("text", { class: "tick", x: x(v), y: Y + 46, "text-anchor": anchor }, label));
  }
  return parts;
}

// Solid to the sure end, lighter to the 1-in-20 end, then tapering away.
function paidOut(x, sure, [p05, p50, p95]) {
  const parts = [];
  const thick = Math.max(p05 ?? sure, sure);
  const end = Math.max(p95 ?? thick, thick);
  if (end > thick) {
    parts.push(svg("path", { class: "rope-maybe",
      d: `M${x(thick)} ${Y - HALF}L${x(end)} ${Y}L${x(thick)} ${Y + HALF}Z` }));
  }
  if (thick > sure) {
    parts.push(svg("rect", { class: "rope-maybe", x: x(Math.max(sure, 0)), y: Y - HALF,
      width: Math.max(x(thick) - x(Math.max(sure, 0)), 0), height: 2 * HALF }));
  }
  parts.push(svg("rect", { class: "rope-sure", x: x(0), y: Y - HALF,
    width: Math.max(x(sure) - x(0), 0), height: 2 * HALF }));
  if (p50 !== null) parts.push(svg("path", { class: "rope-mid", d: `M${x(p50)} ${Y - 15}v30` }));
  return parts;
}

// Energy: solid up to the 5 % end; below zero is beyond the reserve.
function above(x, [p05, p50, p95]) {
  if (p05 === null || p95 === null) return [];
  const solidFrom = Math.min(0, p05), solidTo = Math.max(0, p05);
  const parts = [svg("path", { class: "rope-maybe",
    d: `M${x(p05)} ${Y - HALF}L${x(p95)} ${Y}L${x(p05)} ${Y + HALF}Z` })];
  if (p05 > 0) {
    parts.push(svg("rect", { class: "rope-sure", x: x(solidFrom), y: Y - HALF,
      width: x(solidTo) - x(solidFrom), height: 2 * HALF }));
  }
  if (p50 !== null) parts.push(svg("path", { class: "rope-mid", d: `M${x(p50)} ${Y - 15}v30` }));
  return parts;
}

function stake(x, sure, nowMs, width) {
  const at = nowMs + sure * 60000;
  const [utc, local] = [turnClock(at, sure), localTurnClock(at, sure)];
  const label = `turn by ${utc} UTC${local === utc ? "" : ` · ${local} here`}`;
  const half = label.length * 4.2; // pixels, so that the words stay inside the drawing
  const px = x(sure), tx = Math.min(Math.max(px, half + 4), width - half - 4);
  return [svg("path", { class: "stake", d: `M${px} ${Y - 26}v52` }),
    svg("text", { class: "stake-label", x: tx, y: Y - 32, "text-anchor": "middle" }, label)];
}

function reserve(x) {
  return [svg("path", { class: "stake", d: `M${x(0)} ${Y - 26}v52` }),
    svg("text", { class: "stake-label", x: Math.max(x(0), 14), y: Y - 32,
      "text-anchor": x(0) < 60 ? "start" : "middle" }, "final reserve")];
}

function describe(view, timed, sure, [p05, p50, p95]) {
  if (timed) {
    const left = minutesLeft(sure);
    return `${left.big} ${left.unit === "s" ? "seconds" : "minutes"} until it must turn.`;
  }
  if (p50 === null) return "No forecast yet.";
  const verb = view.figure.kind === "landed" ? "Landed" : "Landing";
  return `${verb} ${number(p50)} watt-hours above the final reserve, between ${number(p05)} and ${number(p95)}.`;
}
