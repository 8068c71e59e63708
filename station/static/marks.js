// The shapes that stand for a state beside its word, so that colour never carries the meaning alone.
// Drawn in a square of 100 x 100; each is a list of [element, attributes].

const stroke = { fill: "none", stroke: "currentColor", "stroke-width": 11, "stroke-linecap": "round", "stroke-linejoin": "round" };
const line = (d) => ["path", { ...stroke, d }];
const solid = (d) => ["path", { fill: "currentColor", d }];

export const MARKS = {
  calm: [["circle", { ...stroke, cx: 50, cy: 50, r: 40 }], line("M50 28v24l16 12")],
  work: [solid("M6 52c14-26 44-30 62-9l22-17v50L68 59C50 80 20 78 6 52z")],
  good: [line("M12 54l26 26 50-58")],
  prize: [line("M82 44a34 34 0 1 0-6 28"), solid("M96 30l-6 32-24-20z")],
  question: [line("M30 34c0-30 42-30 42-4 0 20-22 18-22 36"), ["circle", { fill: "currentColor", cx: 50, cy: 88, r: 8 }]],
  alarm: [line("M50 10L94 88H6z"), line("M50 40v20"), ["circle", { fill: "currentColor", cx: 50, cy: 75, r: 6 }]],
};

export const SVG = "http://www.w3.org/2000/svg";

export function draw(svg, shapes) {
  svg.replaceChildren(
    ...shapes.map(([name, attributes]) => {
      const element = document.createElementNS(SVG, name);
      for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
      return element;
    }),
  );
}

export function mark(tone) {
  const svg = document.createElementNS(SVG, "svg");
  svg.setAttribute("viewBox", "0 0 100 100");
  svg.setAttribute("class", "mark");
  svg.setAttribute("aria-hidden", "true");
  draw(svg, MARKS[tone] ?? MARKS.calm);
  return svg;
}
