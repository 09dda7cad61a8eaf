// The margin over time: what turning at each moment left, or would leave, above the final reserve.
// Left of "now" what was believed then; right of it what is foreseen along the plan.

import { attribute, scale, shapeParts, svg, text, ticks } from "./dom.js";
import { number, turnClock, utcClock } from "./measures.js";

const H = 214, TOP = 42, BOTTOM = 26, LEFT = 46, RIGHT = 12;
const MOST_DRAWN = 500;

export class Strip {
  constructor(box, node, read) {
    this.node = node;
    this.box = box;
    this.read = read;
    this.picked = null;
    box.addEventListener("pointermove", (event) => this.point(event));
    box.addEventListener("pointerleave", () => this.pick(null));
    box.addEventListener("keydown", (event) => this.key(event));
  }

  // points: [t, P5, P50, P95, safe, level]; nowT: flight time now; shownMs: the date of nowT.
  draw(view, points, nowT, nowMs) {
    this.nowT = nowT;
    this.nowMs = nowMs;
    const width = this.node.clientWidth || 640;
    attribute(this.node, "viewBox", `0 0 ${width} ${H}`);
    const ahead = coming(view);
    this.rows = [...thin(points), ...ahead];
    if (!this.rows.length) {
      this.node.replaceChildren();
      text(this.read, "No forecast yet.");
      return;
    }
    const safe = view.figure.kind === "turn" ? nowT + view.figure.minutes * 60 : null;
    this.landed = view.figure.kind === "landed";
    this.homeward = view.figure.kind === "home" || view.figure.kind === "ground";
    const [t0, t1] = span(this.rows, nowT, safe);
    const [lo, hi] = range(this.rows);
    this.x = scale(t0, t1, LEFT, width - RIGHT);
    this.y = scale(lo, hi, H - BOTTOM, TOP);
    this.edge = H - BOTTOM;
    const parts = [...this.grid(lo, hi, t0, t1, width), ...this.curve(thin(points), "past"),
      ...this.curve(ahead, "future"), ...this.nowMark(), ...this.turnMark(safe, width),
      ...this.marks(view.advisories, t0)];
    this.cross = svg("g", {});
    this.node.replaceChildren(...parts, this.cross);
    this.describe();
  }

  grid(lo, hi, t0, t1, width) {
    const parts = [];
    for (const v of ticks(lo, hi, 6)) {
      parts.push(svg("path", { class: v === 0 ? "reserve-line" : "rule",
        d: `M${LEFT} ${this.y(v)}H${width - RIGHT}` }),
      svg("text", { class: "tick", x: LEFT - 6, y: this.y(v) + 4, "text-anchor": "end" },
        number(v)));
    }
    for (const min of ticks(t0 / 60, t1 / 60, Math.max(width / 120, 3))) {
      const px = this.x(min * 60);
      if (px > width - 30 || px < LEFT) continue;
      parts.push(svg("text", { class: "tick", x: px, y: H - 8, "text-anchor": "middle" },
        utcClock(this.date(min * 60))));
    }
    return parts;
  }

  curve(rows, when) {
    if (rows.length < 2) return [];
    const up = rows.map((r) => `${this.x(r[0]).toFixed(1)} ${this.y(r[3]).toFixed(1)}`);
    const down = rows.map((r) => `${this.x(r[0]).toFixed(1)} ${this.y(r[1]).toFixed(1)}`);
    const mid = rows.map((r) => `${this.x(r[0]).toFixed(1)} ${this.y(r[2]).toFixed(1)}`);
    return [svg("path", { class: `band ${when}`, d: `M${up.join("L")}L${down.reverse().join("L")}Z` }),
      svg("path", { class: `mid ${when}`, d: `M${mid.join("L")}` })];
  }

  nowMark() {
    const px = this.x(this.nowT);
    return [svg("path", { class: "now-line", d: `M${px} ${TOP - 6}V${this.edge}` }),
      svg("text", { class: "tick strong", x: px, y: TOP - 10, "text-anchor": "middle" }, "now")];
  }

  turnMark(safe, width) {
    if (safe === null) return [];
    const px = this.x(safe);
    const close = Math.abs(px - this.x(this.nowT)) < 90;
    return [svg("path", { class: "stake", d: `M${px} ${TOP}V${this.edge}` }),
      svg("text", { class: "stake-label", x: px + (px > width - 120 ? -6 : 6),
        y: close ? this.edge - 8 : TOP + 8, "text-anchor": px > width - 120 ? "end" : "start" },
      `turn by ${turnClock(this.date(safe), (safe - this.nowT) / 60)}`)];
  }

  marks(advisories, t0) {
    return advisories.filter((a) => a.t_s >= t0).map((a) =>
      svg("g", { class: `mark level-${a.level}`,
        transform: `translate(${this.x(a.t_s) - 8} 2) scale(.4)` }, ...shapeParts(a.level),
      svg("title", {}, a.sentence)));
  }

  date(t) { return this.nowMs + (t - this.nowT) * 1000; }

  point(event) {
    if (!this.x) return;
    const bounds = this.node.getBoundingClientRect();
    const px = ((event.clientX - bounds.left) / bounds.width) * (this.node.clientWidth || 1);
    this.pick(nearest(this.rows, px, this.x));
  }

  key(event) {
    const step = { ArrowLeft: -1, ArrowRight: 1, PageDown: -20, PageUp: 20 }[event.key];
    if (event.key === "Escape") this.pick(null);
    else if (event.key === "Home") this.pick(0);
    else if (event.key === "End") this.pick(this.rows.length - 1);
    else if (step && this.rows?.length) {
      const from = this.picked ?? this.rows.findIndex((r) => r[0] >= this.nowT);
      this.pick(Math.min(Math.max(from + step, 0), this.rows.length - 1));
    } else return;
    event.preventDefault();
  }

  pick(index) {
    this.picked = index;
    if (this.rows?.length) this.describe();
  }

  describe() {
    const chosen = this.picked !== null && this.picked < this.rows.length;
    const index = chosen ? this.picked : nearestTime(this.rows, this.nowT);
    const [t, p05, p50, p95] = this.rows[index];
    const when = chosen ? `at ${utcClock(this.date(t), true)} UTC` : "now";
    const what = this.homeward ? `Landing, as foreseen ${when}` : `Turning ${when}`;
    const line = this.landed && !chosen ? "Landed. The curve is what turning then would have left."
      : `${what}: ${number(p50)} Wh above the reserve (${number(p05)} to ${number(p95)}).`;
    text(this.read, line);
    attribute(this.box, "aria-valuemax", this.rows.length - 1);
    attribute(this.box, "aria-valuenow", index);
    attribute(this.box, "aria-valuetext", line);
    this.cross.replaceChildren(...(chosen ? [
      svg("path", { class: "cross-line", d: `M${this.x(t)} ${TOP}V${this.edge}` }),
      svg("circle", { class: "cross-dot", cx: this.x(t), cy: this.y(p50), r: 4 })] : []));
  }
}

function coming(view) {
  const t = view.t_s;
  return (view.status?.ahead ?? []).map(([min, a, b, c]) => [t + min * 60, a, b, c]);
}

function thin(points) {
  const every = Math.ceil(points.length / MOST_DRAWN);
  return every <= 1 ? points : points.filter((_, i) => i % every === 0 || i === points.length - 1);
}

function span(rows, nowT, safe) {
  const last = rows[rows.length - 1][0];
  const t0 = Math.min(rows[0][0], nowT);
  const reach = Math.max(nowT + 60, safe === null ? 0 : safe + 240, Math.min(last, nowT + 5400));
  return [t0, Math.max(reach, t0 + 300)];
}

function range(rows) {
  const lo = Math.min(0, ...rows.map((r) => r[1])), hi = Math.max(20, ...rows.map((r) => r[3]));
  return [lo - 0.06 * (hi - lo), hi + 0.04 * (hi - lo)];
}

function nearest(rows, px, x) {
  return rows.reduce((best, r, i) =>
    Math.abs(x(r[0]) - px) < Math.abs(x(rows[best][0]) - px) ? i : best, 0);
}

const nearestTime = (rows, t) => rows.reduce((best, r, i) =>
  Math.abs(r[0] - t) < Math.abs(rows[best][0] - t) ? i : best, 0);
