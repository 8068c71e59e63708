// The growth curve of a recaptured fish: length over time, the new point as a diamond with its number.

import { draw } from "./marks.js";

const LEFT = 18, RIGHT = 262, TOP = 46, BOTTOM = 124;

export function drawCurve(svg, curve) {
  svg.toggleAttribute("hidden", !curve);
  if (!curve) {
    svg.setAttribute("aria-label", "");
    svg.replaceChildren();
    return;
  }
  svg.setAttribute("aria-label", `Growth curve: ${curve.says}`);
  const points = curve.points;
  const days = points.map((one) => one.days);
  const lengths = points.map((one) => one.length);
  const [least, most] = [Math.min(...lengths), Math.max(...lengths)];
  const span = Math.max(days.at(-1) - days[0], 1);
  const rise = Math.max(most - least, most * 0.05);
  const x = (one) => LEFT + ((one.days - days[0]) / span) * (RIGHT - LEFT);
  const y = (one) => BOTTOM - ((one.length - least) / rise) * (BOTTOM - TOP);
  const at = (one) => `${x(one).toFixed(1)} ${y(one).toFixed(1)}`;
  const shapes = [
    ["path", { class: "axis", d: `M${LEFT - 8} ${BOTTOM + 34}H${RIGHT + 34}` }],
    ["path", { class: "growth", d: `M${points.map(at).join("L")}` }],
    ...points.filter((one) => !one.new).map((one) => ["circle", { class: "then", cx: x(one), cy: y(one), r: 6 }]),
    ...points.filter((one) => one.new).map((one) => ["path", { class: "now", d: diamond(x(one), y(one)) }]),
  ];
  draw(svg, shapes);
  const [first, last] = [points[0], points.at(-1)];
  label(svg, x(first) - 12, y(first) + 28, "start", first.text);
  label(svg, x(last) + 34, y(last) - 20, "end", `${last.text} ${curve.unit}`);
  label(svg, LEFT - 8, 182, "start", first.year);
  if (last.year !== first.year) label(svg, RIGHT + 34, 182, "end", last.year);
}

function diamond(x, y) {
  return `M${x} ${y - 12}l12 12l-12 12l-12-12z`;
}

function label(svg, x, y, anchor, text) {
  draw(svg.appendChild(document.createElementNS(svg.namespaceURI, "g")), [["text", { x, y, "text-anchor": anchor }]]);
  svg.lastChild.firstChild.textContent = text;
}
