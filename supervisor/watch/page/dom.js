// Building and changing the document without ever parsing text as markup: what comes from an
// aircraft can only become text nodes and attribute values.

const SVG = "http://www.w3.org/2000/svg";

export const byId = (id) => document.getElementById(id);

function filled(node, attributes, children) {
  for (const [name, value] of Object.entries(attributes)) {
    if (value === true) node.setAttribute(name, "");
    else if (value !== false && value !== null && value !== undefined) {
      node.setAttribute(name, String(value));
    }
  }
  node.append(...children.filter((child) => child !== null && child !== undefined));
  return node;
}

export const el = (tag, attributes = {}, ...children) =>
  filled(document.createElement(tag), attributes, children);

export const svg = (tag, attributes = {}, ...children) =>
  filled(document.createElementNS(SVG, tag), attributes, children);

// Writes only when something changes, so that an unchanged page costs no layout.
export function text(node, value) {
  if (node.textContent !== value) node.textContent = value;
}

export function attribute(node, name, value) {
  if (value === null || value === false) node.removeAttribute(name);
  else if (node.getAttribute(name) !== String(value)) node.setAttribute(name, String(value));
}

export const hide = (node, hidden) => {
  if (node.hidden !== hidden) node.hidden = hidden;
};

// Shapes tell the levels apart without colour: ring, diamond, triangle, octagon.
const SHAPES = {
  normal: [["circle", { cx: 20, cy: 20, r: 13, class: "outline" }]],
  advisory: [["path", { d: "M20 4 36 20 20 36 4 20Z", class: "outline" }],
    ["path", { d: "M20 13v7M20 27v.5", class: "stroke" }]],
  caution: [["path", { d: "M20 4 38 35H2Z", class: "solid" }],
    ["path", { d: "M20 15v8M20 29.5v.5", class: "cut" }]],
  warning: [["path", { d: "M13 3h14l10 10v14L27 37H13L3 27V13Z", class: "solid" }],
    ["path", { d: "M20 11v11M20 29v.5", class: "cut" }]],
  unknown: [["circle", { cx: 20, cy: 20, r: 13, class: "outline dashed" }],
    ["path", { d: "M12 28 28 12", class: "stroke" }]],
};

export const shapeParts = (name) => SHAPES[name].map(([tag, attributes]) => svg(tag, attributes));

// What a mark looks like for a level and its freshness.
export function shapeName(level, stale) {
  if (level === "caution" || level === "warning") return level;
  return stale ? "unknown" : level;
}

// A linear scale from data to pixels.
export const scale = (d0, d1, p0, p1) => (value) => p0 + ((value - d0) / (d1 - d0)) * (p1 - p0);

// Steps of 1, 2, 5 times a power of ten: about `count` of them between lo and hi.
export function ticks(lo, hi, count) {
  const rough = (hi - lo) / Math.max(count, 1);
  const power = 10 ** Math.floor(Math.log10(rough));
  const step = [1, 2, 5, 10].map((n) => n * power).find((s) => s >= rough);
  const out = [];
  for (let v = Math.ceil(lo / step) * step; v <= hi + step * 1e-9; v += step) out.push(v);
  return out;
}
