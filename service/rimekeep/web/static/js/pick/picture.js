// How it is taken, drawn from the side: the whole pallet with a line around it, or what is taken of it filled.

const SPACE = "http://www.w3.org/2000/svg";
const WIDTH = 160;
const TOP = 12;
const FLOOR = 104;
const MOST_LAYERS = 8;
const MOST_CASES = 12;

function part(name, facts) {
  const element = document.createElementNS(SPACE, name);
  for (const [key, value] of Object.entries(facts)) element.setAttribute(key, value);
  return element;
}

function row(shapes, count, y, height, css) {
  const width = (WIDTH - 16) / count;
  for (let place = 0; place < count; place += 1) {
    shapes.push(part("rect", { x: 8 + place * width + 1, y: y + 1, width: width - 2, height: height - 2, class: css }));
  }
}

/** Fill an svg element with the picture of a stop. */
export function draw(svg, pick) {
  const perLayer = pick.layers ? (pick.cases - pick.loose_cases) / pick.layers : pick.loose_cases;
  const layers = Math.min(pick.layers, MOST_LAYERS);
  const isPallet = pick.how === "pallet";
  const rows = layers + (pick.loose_cases ? 1 : 0);
  const height = Math.min(26, (FLOOR - TOP) / Math.max(rows, 1));
  const shapes = [];
  let y = FLOOR;
  // Side by side at most as many as can be told apart.
  for (let layer = 0; layer < layers; layer += 1) {
    y -= height;
    row(shapes, Math.min(perLayer, 4), y, height, "taken");
  }
  if (pick.loose_cases) {
    y -= height;
    const shown = Math.min(pick.loose_cases, MOST_CASES);
    const width = (WIDTH - 16) / Math.max(shown, 4);
    for (let place = 0; place < shown; place += 1) {
      shapes.push(part("rect", { x: 8 + place * width + 1, y: y + 1, width: width - 2, height: height - 2, class: "single" }));
    }
  }
  shapes.push(part("rect", { x: 4, y: FLOOR, width: WIDTH - 8, height: 5, class: "wood" }));
  for (const x of [6, 72, 138]) shapes.push(part("rect", { x, y: FLOOR + 5, width: 16, height: 8, class: "wood" }));
  if (isPallet) shapes.push(part("rect", { x: 2, y: y - 4, width: WIDTH - 4, height: FLOOR + 17 - y + 2, class: "whole" }));
  svg.replaceChildren(...shapes);
}
