// Many aircraft as rows, the most urgent on top. Rows are kept and changed in place, so that fifty
// aircraft once a second stay cheap and the keyboard's place is not lost.

import { attribute, el, hide, scale, shapeName, shapeParts, svg, text } from "./dom.js";
import { chance, energySigned, minutesLeft, number, spell } from "./measures.js";

const FULL_MIN = 60; // the little ropes share one scale, so that rows compare

export function figureWords(figure) {
  switch (figure.kind) {
    case "turn": {
      const { big, unit } = minutesLeft(figure.minutes);
      return { big, unit, caption: "until it must turn" };
    }
    case "due":
      return { big: "Now", unit: "", caption: "is the time to turn back" };
    case "home":
      return { big: energySigned(figure.margin_wh[1]).replace(" Wh", ""), unit: "Wh",
        caption: "above the final reserve at landing" };
    case "whole":
      return { ...bigChance(figure.completion), caption: "that the whole plan and the way home fit" };
    case "ground":
      return { ...bigChance(figure.completion), caption: "that the whole plan fits; on the ground" };
    case "landed":
      return { big: number(figure.left_wh[1]), unit: "Wh", caption: "left in the pack, landed" };
    default:
      return { big: "–", unit: "", caption: "no forecast yet" };
  }
}

const bigChance = (p) => ({ big: chance(p).replace("over ", ">").replace("under ", "<")
  .replace(" %", ""), unit: p === null ? "" : "%" });

// What is left after a landing does not age: nothing of it is greyed out.
export const greyed = ({ freshness, figure }) => freshness.stale && figure.kind !== "landed";

// The word stands beside the sentence already.
export const withoutWord = (sentence, word) => (sentence.startsWith(`${word}: `)
  ? sentence[word.length + 2].toUpperCase() + sentence.slice(word.length + 3) : sentence);

export class Fleet {
  constructor(list, sum, empty) {
    Object.assign(this, { list, sum, empty });
    this.rows = new Map();
  }

  draw(rows) {
    hide(this.empty, rows.length > 0);
    const urgent = rows.filter((r) => r.level === "warning" || r.level === "caution").length;
    text(this.sum, `${rows.length} heard, ${urgent} with a caution or warning`);
    const names = new Set(rows.map((r) => r.aircraft));
    for (const [name, item] of this.rows) {
      if (!names.has(name)) { item.node.remove(); this.rows.delete(name); }
    }
    rows.forEach((row, index) => {
      const item = this.rows.get(row.aircraft) ?? this.make(row.aircraft);
      this.update(item, row);
      if (this.list.children[index] !== item.node) this.place(item.node, index);
    });
  }

  // Moving a focused link would drop the keyboard's place: give it back.
  place(node, index) {
    const focused = node.contains(document.activeElement) ? document.activeElement : null;
    this.list.insertBefore(node, this.list.children[index] ?? null);
    focused?.focus({ preventScroll: true });
  }

  make(name) {
    const item = { shape: svg("svg", { class: "shape small", viewBox: "0 0 40 40",
      "aria-hidden": "true" }), word: el("span", { class: "row-word" }),
    name: el("strong", {}, name), title: el("span", { class: "row-title" }),
    big: el("span", { class: "row-big" }), caption: el("span", { class: "row-caption" }),
    rope: svg("svg", { class: "row-rope", viewBox: "0 0 200 20", preserveAspectRatio: "none",
      "aria-hidden": "true" }), sentence: el("span", { class: "row-sentence" }),
    fresh: el("span", { class: "row-fresh" }) };
    item.link = el("a", { href: `#${encodeURIComponent(name)}`, class: "row" },
      el("span", { class: "row-level" }, item.shape, item.word),
      el("span", { class: "row-name" }, item.name, item.title),
      el("span", { class: "row-figure" }, item.big, item.caption), item.rope,
      item.sentence, item.fresh);
    item.node = el("li", {}, item.link);
    this.rows.set(name, item);
    return item;
  }

  update(item, row) {
    const shape = shapeName(row.level, greyed(row));
    if (item.drawn !== shape) {
      item.shape.replaceChildren(...shapeParts(shape));
      item.drawn = shape;
    }
    attribute(item.link, "class", `row level-${row.level}${greyed(row) ? " stale" : ""}`);
    text(item.word, row.word);
    text(item.title, [row.title, row.phase.replaceAll("-", " ")].filter(Boolean).join(", "));
    const { big, unit, caption } = figureWords(row.figure);
    text(item.big, `${big} ${unit}`.trim());
    text(item.caption, `${caption}${row.figure.reckoned ? ", reckoned" : ""}`);
    text(item.sentence, [...row.aboard, withoutWord(row.sentence, row.word)].join(" "));
    text(item.fresh, row.freshness.age_s === null ? "age unknown"
      : `${spell(row.freshness.age_s)} old`);
    this.rope(item, row.figure);
  }

  rope(item, figure) {
    const key = JSON.stringify([figure.kind, Math.round((figure.minutes ?? 0) * 4),
      figure.spread_min.map((v) => (v === null ? null : Math.round(v)))]);
    if (item.roped === key) return;
    item.roped = key;
    const x = scale(0, FULL_MIN, 0, 198), cut = (v) => Math.min(Math.max(x(v), 0), 198);
    if (figure.kind !== "turn") { item.rope.replaceChildren(); return; }
    const sure = cut(figure.minutes), p05 = Math.max(cut(figure.spread_min[0] ?? 0), sure);
    const p95 = Math.max(cut(figure.spread_min[2] ?? 0), p05);
    item.rope.replaceChildren(
      svg("path", { class: "rule", d: "M0 10H200" }),
      svg("path", { class: "rope-maybe", d: `M${sure} 4H${p05}L${p95} 10 ${p05} 16H${sure}Z` }),
      svg("rect", { class: "rope-sure", x: 0, y: 4, width: sure, height: 12 }),
      svg("path", { class: "stake", d: `M${sure} 0v20` }));
  }
}
