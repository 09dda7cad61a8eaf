// The map: Mercator, with its own graticule, scale bar and north; tiles only from a server that
// the user named. One degree of latitude is 60 nautical miles; the sphere is near enough to draw.

import { attribute, svg, text, ticks } from "./dom.js";
import { bearing, chance, distance, distanceName, distanceUnitM, height, speed, turnClock }
  from "./measures.js";
import { greyed } from "./fleet.js";

const RAD = Math.PI / 180, EARTH_M = 6371008.8, TILE = 256;
const ALONG_M = 6371008.8 * RAD; // a degree of latitude
const LEAST_M = 2000; // the map shows at least so much: one place alone has no extent

const mercator = (lat, lon) => [(lon + 180) / 360,
  0.5 - Math.log(Math.tan(Math.PI / 4 + (lat * RAD) / 2)) / (2 * Math.PI)];
const latOf = (y) => (2 * Math.atan(Math.exp((0.5 - y) * 2 * Math.PI)) - Math.PI / 2) / RAD;

// The point at a distance and bearing: on a plane, good to metres over tens of kilometres.
export function offset([lat, lon], metres, deg) {
  return [lat + (metres * Math.cos(deg * RAD)) / ALONG_M,
    lon + (metres * Math.sin(deg * RAD)) / (ALONG_M * Math.cos(lat * RAD))];
}

export function footprint(home, ranges) {
  return ranges.map((km, i) => offset([home.lat_deg, home.lon_deg], km * 1000,
    (360 * i) / ranges.length));
}

export class Chart {
  constructor(node, note, buttons) {
    this.node = node;
    this.note = note;
    this.centre = null;
    this.chosen = false; // whether a person has moved it: then it stays
    this.follow = false;
    this.tiles = "";
    node.addEventListener("wheel", (event) => this.wheel(event), { passive: false });
    node.addEventListener("pointerdown", (event) => this.grab(event));
    node.addEventListener("keydown", (event) => this.key(event));
    buttons.nearer.addEventListener("click", () => this.zoom(1.5));
    buttons.farther.addEventListener("click", () => this.zoom(1 / 1.5));
    buttons.all.addEventListener("click", () => {
      [this.centre, this.chosen] = [null, false];
      this.redraw();
    });
    buttons.follow.addEventListener("click", () => {
      this.follow = !this.follow;
      attribute(buttons.follow, "aria-pressed", this.follow);
      this.redraw();
    });
  }

  draw(view, track, nowMs) {
    this.last = [view, track, nowMs];
    if (this.aircraft !== view.aircraft + view.flight) {
      this.aircraft = view.aircraft + view.flight;
      [this.centre, this.chosen] = [null, false];
    }
    this.w = this.node.clientWidth || 480;
    this.h = this.node.clientHeight || 420;
    attribute(this.node, "viewBox", `0 0 ${this.w} ${this.h}`);
    const places = bounds(view, track);
    if (!places.length) {
      this.node.replaceChildren();
      text(this.note, "No position and no plan yet.");
      return;
    }
    if (this.centre === null || !(this.chosen || this.holds(places))) this.fit(places);
    const where = view.status?.where;
    if (this.follow && where) this.centre = mercator(where.lat_deg, where.lon_deg);
    this.node.replaceChildren(...this.tileParts(), ...this.graticule(), ...this.plan(view),
      ...this.flown(view, track), ...this.marks(view, nowMs), ...this.furniture(view));
    attribute(this.node, "aria-label", spoken(view));
    this.say(view);
  }

  redraw() { if (this.last) this.draw(...this.last); }

  fit(places) {
    const m = places.map(([lat, lon]) => mercator(lat, lon));
    const xs = m.map((p) => p[0]), ys = m.map((p) => p[1]);
    const [x0, x1, y0, y1] = [Math.min(...xs), Math.max(...xs), Math.min(...ys), Math.max(...ys)];
    this.centre = [(x0 + x1) / 2, (y0 + y1) / 2];
    const least = LEAST_M / (2 * Math.PI * EARTH_M * Math.cos(latOf(this.centre[1]) * RAD));
    this.size = Math.min((this.w - 110) / Math.max(x1 - x0, least),
      (this.h - 130) / Math.max(y1 - y0, least));
  }

  // Without a plan the flight grows out of the map that held its beginning.
  holds(places) {
    return places.every((place) => {
      const [px, py] = this.at(place);
      return px >= 0 && px <= this.w && py >= 0 && py <= this.h;
    });
  }

  at([lat, lon]) {
    const [mx, my] = mercator(lat, lon);
    return [(mx - this.centre[0]) * this.size + this.w / 2,
      (my - this.centre[1]) * this.size + this.h / 2];
  }

  line(points) {
    return points.length < 2 ? "" : "M" + points.map((p) => this.at(p)
      .map((v) => v.toFixed(1)).join(" ")).join("L");
  }

  metresPerPixel() {
    return (2 * Math.PI * EARTH_M * Math.cos(latOf(this.centre[1]) * RAD)) / this.size;
  }

  // -- layers --------------------------------------------------------------------------------

  tileParts() {
    if (!this.tiles) return [];
    const z = Math.min(Math.max(Math.round(Math.log2(this.size / TILE)), 0), 19), n = 2 ** z;
    const edge = this.size / n, parts = [];
    const left = (this.centre[0] - this.w / 2 / this.size) * n;
    const top = (this.centre[1] - this.h / 2 / this.size) * n;
    for (let tx = Math.floor(left); (tx - left) * edge < this.w; tx += 1) {
      for (let ty = Math.floor(top); (ty - top) * edge < this.h; ty += 1) {
        if (ty < 0 || ty >= n) continue;
        const href = this.tiles.replace("{z}", z).replace("{x}", ((tx % n) + n) % n)
          .replace("{y}", ty);
        parts.push(svg("image", { href, x: (tx - left) * edge, y: (ty - top) * edge,
          width: edge + 0.5, height: edge + 0.5, class: "tile" }));
      }
    }
    return parts;
  }

  graticule() {
    const lon = (px) => ((px - this.w / 2) / this.size + this.centre[0]) * 360 - 180;
    const lat = (py) => latOf((py - this.h / 2) / this.size + this.centre[1]);
    const parts = [], step = minuteStep((lon(this.w) - lon(0)) / Math.max(this.w / 130, 2));
    for (let v = Math.ceil(lon(0) / step) * step; v < lon(this.w); v += step) {
      const [px] = this.at([0, v]);
      parts.push(svg("path", { class: "grat", d: `M${px} 0V${this.h}` }),
        svg("text", { class: "grat-label", x: px + 3, y: 12 }, degreesMinutes(v, "E", "W")));
    }
    for (let v = Math.ceil(lat(this.h) / step) * step; v < lat(0); v += step) {
      const [, py] = this.at([v, 0]);
      if (py < 26) continue; // the meridians' names stand there
      parts.push(svg("path", { class: "grat", d: `M0 ${py}H${this.w}` }));
      if (py < 76) continue; // the keys stand there
      parts.push(svg("text", { class: "grat-label", x: 3, y: py - 3 }, degreesMinutes(v, "N", "S")));
    }
    return parts;
  }

  plan(view) {
    const plan = view.plan, ranges = view.status?.footprint_km ?? [], parts = [];
    if (!plan) return parts;
    if (ranges.length > 2) {
      parts.push(svg("path", { class: "footprint", d: `${this.line(footprint(plan.home, ranges))}Z` }));
    }
    const route = plan.route.map((p) => [p.lat_deg, p.lon_deg]);
    const home = [plan.home.lat_deg, plan.home.lon_deg];
    parts.push(svg("path", { class: "planned", d: this.line([home, ...route]) }));
    for (const point of plan.route) {
      const [px, py] = this.at([point.lat_deg, point.lon_deg]);
      parts.push(svg("circle", { class: "waypoint", cx: px, cy: py, r: 3 }));
    }
    return parts;
  }

  flown(view, track) {
    const parts = [svg("path", { class: "track", d: this.line(track.map((f) => [f[1], f[2]])) })];
    const where = view.status?.where, plan = view.plan;
    if (where && plan && plan.return_style === "direct") {
      parts.push(svg("path", { class: "homeward", d: this.line([[where.lat_deg, where.lon_deg],
        [plan.home.lat_deg, plan.home.lon_deg]]) }));
    }
    return parts;
  }

  marks(view, nowMs) {
    const parts = [], plan = view.plan, status = view.status;
    this.taken = this.keepFree(plan, status);
    if (status?.turn_back_place && view.figure.kind === "turn") {
      parts.push(...this.turnPoint(status.turn_back_place, view, nowMs));
    }
    if (plan) parts.push(...this.home(plan.home));
    for (const site of plan?.alternates ?? []) {
      parts.push(...this.alternate(site, status?.alternates.find((a) => a.name === site.name)));
    }
    if (status?.where) parts.push(...this.craft(status.where, view));
    return parts;
  }

  // The first free place around a mark; the most important labels are set first.
  label(px, py, words, cls = "place") {
    const wide = words.length * 7.2, places = [[12, 4, "start"], [-12, 4, "end"],
      [0, -16, "middle"], [0, 26, "middle"], [12, -16, "start"], [12, 24, "start"],
      [-12, 24, "end"], [-12, -16, "end"], [0, 44, "middle"], [0, -36, "middle"]];
    const boxes = places.map(([dx, dy, anchor]) => {
      const left = px + dx - (anchor === "end" ? wide : anchor === "middle" ? wide / 2 : 0);
      return { dx, dy, anchor, x0: left, x1: left + wide, y0: py + dy - 13, y1: py + dy + 4 };
    });
    const inside = (b) => b.x0 > 0 && b.x1 < this.w && b.y0 > 0 && b.y1 < this.h;
    const clear = (b) => this.taken.every((t) => b.x1 < t.x0 || b.x0 > t.x1 || b.y1 < t.y0
      || b.y0 > t.y1);
    const box = boxes.find((b) => inside(b) && clear(b)) ?? boxes.find(inside) ?? boxes[0];
    this.taken.push(box);
    return svg("text", { class: cls, x: px + box.dx, y: py + box.dy, "text-anchor": box.anchor },
      words);
  }

  // Marks that a label must not cover.
  keepFree(plan, status) {
    const sites = plan ? [plan.home, ...plan.alternates] : [];
    return [...sites, status?.where, status?.turn_back_place].filter(Boolean).map((p) => {
      const [px, py] = this.at([p.lat_deg, p.lon_deg]);
      return { x0: px - 9, x1: px + 9, y0: py - 9, y1: py + 9 };
    });
  }

  home(site) {
    const [px, py] = this.at([site.lat_deg, site.lon_deg]);
    return [svg("path", { class: "home-mark", d: `M${px - 8} ${py + 7}v-8l8-7 8 7v8z` }),
      this.label(px, py, site.name)];
  }

  alternate(site, known) {
    const [px, py] = this.at([site.lat_deg, site.lon_deg]);
    const words = known ? `${site.name}, ${chance(known.covered)}` : site.name;
    return [svg("circle", { class: "alternate-mark", cx: px, cy: py, r: 7 }),
      svg("path", { class: "alternate-mark", d: `M${px - 7} ${py}h14` }),
      this.label(px, py, words)];
  }

  turnPoint(place, view, nowMs) {
    const [px, py] = this.at([place.lat_deg, place.lon_deg]);
    const { minutes } = view.figure, at = turnClock(nowMs + minutes * 60000, minutes);
    return [svg("path", { class: "stake", d: `M${px} ${py + 10}V${py - 22}` }),
      svg("path", { class: "flag", d: `M${px} ${py - 22}h-16l4 5-4 5h16z` }),
      this.label(px, py - 14, `turn by ${at}`, "place strong")];
  }

  craft(where, view) {
    const here = [where.lat_deg, where.lon_deg];
    const parts = [];
    const stale = greyed(view), age = view.freshness.age_s ?? 0;
    let [px, py] = this.at(here);
    if (stale && where.groundspeed_mps > 2) {
      const there = offset(here, where.groundspeed_mps * Math.min(age, 600), where.track_deg);
      parts.push(svg("path", { class: "reckoned", d: this.line([here, there]) }));
      [px, py] = this.at(there);
      parts.push(this.label(px, py, "where it would be if it flew straight on"));
    }
    parts.push(svg("path", { class: stale ? "craft stale" : "craft", d: "M0-13 8 10 0 5-8 10Z",
      transform: `translate(${px} ${py}) rotate(${where.track_deg})` }));
    return parts;
  }

  furniture(view) {
    const want = (this.metresPerPixel() * 110) / distanceUnitM();
    const length = ticks(0, want, 1).filter((v) => v > 0 && v <= want).pop() ?? niceBelow(want);
    const px = (length * distanceUnitM()) / this.metresPerPixel(), y = this.h - 16;
    const parts = [
      svg("path", { class: "scale-bar", d: `M14 ${y - 5}v5h${px}v-5` }),
      svg("text", { class: "place", x: 18 + px + 4, y },
        `${Number(length.toPrecision(2))} ${distanceName()}`),
      svg("path", { class: "north", d: `M${this.w - 24} ${62}V34m-6 9 6-10 6 10` }),
      svg("text", { class: "place strong", x: this.w - 24, y: 28, "text-anchor": "middle" }, "N")];
    const wind = view.status?.wind;
    if (wind && wind.speed_mps >= 0.5) {
      parts.push(svg("g", { class: "wind",
        transform: `translate(${this.w - 24} ${92}) rotate(${wind.from_deg + 180})` },
      svg("path", { d: "M0 14V-14m-6 9 6-10 6 10" })),
      svg("text", { class: "place", x: this.w - 8, y: 124, "text-anchor": "end" },
        speed(wind.speed_mps)));
    }
    return parts;
  }

  say(view) {
    const wind = view.status?.wind, place = view.status?.turn_back_place, lines = [];
    if (!view.plan) lines.push("This flight's plan has not arrived here: home is not drawn.");
    if (wind) {
      lines.push(`Wind from ${bearing(wind.from_deg)}, ${speed(wind.speed_mps)} `
        + `± ${speed(wind.sd_mps)}${view.figure.kind === "landed" ? "" : alongHome(wind)}.`);
    }
    if (place && view.figure.kind === "turn") {
      lines.push(`Turn-back point ${distance(place.along_km)} ahead on the route, `
        + `${distance(place.distance_home_km)} from home.`);
    }
    if (view.plan && (view.status?.footprint_km ?? []).length > 2) {
      lines.push("Shaded: from where home is covered in this wind.");
    }
    if (this.tiles) lines.push(`Map pictures from ${new URL(this.tiles, location.href).host}.`);
    text(this.note, lines.join(" "));
  }

  // -- moving about --------------------------------------------------------------------------

  zoom(factor) {
    if (this.centre === null) return;
    this.size = Math.min(Math.max(this.size * factor, 800), 4e8);
    this.chosen = true;
    this.redraw();
  }

  shift(dx, dy) {
    if (this.centre === null) return;
    this.centre = [this.centre[0] - dx / this.size, this.centre[1] - dy / this.size];
    this.chosen = true;
    this.redraw();
  }

  wheel(event) {
    if (!event.ctrlKey && !this.node.matches(":focus")) return; // let the page scroll past
    event.preventDefault();
    this.zoom(event.deltaY < 0 ? 1.2 : 1 / 1.2);
  }

  grab(event) {
    let [px, py] = [event.clientX, event.clientY];
    this.node.setPointerCapture(event.pointerId);
    const move = (e) => {
      this.shift(e.clientX - px, e.clientY - py);
      [px, py] = [e.clientX, e.clientY];
    };
    this.node.addEventListener("pointermove", move);
    this.node.addEventListener("pointerup",
      () => this.node.removeEventListener("pointermove", move), { once: true });
  }

  key(event) {
    const moves = { ArrowLeft: [40, 0], ArrowRight: [-40, 0], ArrowUp: [0, 40],
      ArrowDown: [0, -40] };
    if (moves[event.key]) this.shift(...moves[event.key]);
    else if (event.key === "+" || event.key === "=") this.zoom(1.3);
    else if (event.key === "-") this.zoom(1 / 1.3);
    else return;
    event.preventDefault();
  }
}

function bounds(view, track) {
  const places = track.filter((_, i) => i % 10 === 0).map((f) => [f[1], f[2]]);
  const { plan, status } = view;
  if (plan) {
    for (const p of [plan.home, ...plan.alternates, ...plan.route]) {
      places.push([p.lat_deg, p.lon_deg]);
    }
  }
  if (status?.where) places.push([status.where.lat_deg, status.where.lon_deg]);
  return places;
}

function spoken(view) {
  const where = view.status?.where;
  return where ? `Map. The aircraft flies ${bearing(where.track_deg)} at `
    + `${speed(where.groundspeed_mps)}, ${height(where.height_m)} above home.` : "Map of the plan.";
}

const alongHome = ({ headwind_home_mps: head }) => `; ${head >= 0 ? "against" : "with"} the way `
  + `home ${speed(Math.abs(head))}`;

const STEPS_MIN = [0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 30, 60, 120, 300, 600];
const minuteStep = (deg) => (STEPS_MIN.find((m) => m >= deg * 60) ?? 600) / 60;

function degreesMinutes(value, positive, negative) {
  const tenths = Math.round(Math.abs(value) * 600), whole = Math.floor(tenths / 600);
  const minutes = (tenths % 600) / 10;
  const shown = Number.isInteger(minutes) ? String(minutes).padStart(2, "0") : minutes.toFixed(1);
  return `${whole}°${shown}′ ${value < 0 ? negative : positive}`;
}

const niceBelow = (value) => {
  const power = 10 ** Math.floor(Math.log10(value));
  return [5, 2, 1].map((n) => n * power).find((v) => v <= value);
};
