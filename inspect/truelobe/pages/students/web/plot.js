// What a student's answers say: words first, then two pictures drawn as SVG from points that the server gave.
import { fill, h } from "./placing.js";

const SVG = "http://www.w3.org/2000/svg";
const WIDE = 340;
const HIGH = 220;
const LEFT = 34;
const RIGHT = 14;
const TOP = 12;
const LOW = 34;

function draw(tag, properties, words) {
  const element = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(properties)) element.setAttribute(name, value);
  if (words !== undefined) element.textContent = words;
  return element;
}

function frame(label, across, up, ticks, words) {
  const x = (value) => LEFT + ((value - across[0]) / (across[1] - across[0])) * (WIDE - LEFT - RIGHT);
  const y = (value) => HIGH - LOW - ((value - up[0]) / (up[1] - up[0])) * (HIGH - LOW - TOP);
  const root = draw("svg", { viewBox: `0 0 ${WIDE} ${HIGH}`, class: "tl-plot", role: "img", "aria-label": label });
  for (const tick of ticks.up) {
    root.append(draw("line", { x1: LEFT, x2: WIDE - RIGHT, y1: y(tick), y2: y(tick), class: tick === 0 ? "tl-zero" : "tl-grid" }));
    root.append(draw("text", { x: LEFT - 5, y: y(tick) + 4, "text-anchor": "end" }, tick > 0 && up[0] < 0 ? `+${tick}` : tick));
  }
  for (const tick of ticks.across) root.append(draw("text", { x: x(tick), y: HIGH - LOW + 15, "text-anchor": "middle" }, tick));
  root.append(draw("text", { x: (LEFT + WIDE) / 2, y: HIGH - 4, "text-anchor": "middle" }, words));
  return { root, x, y };
}

function agreement(eye) {
  const reach = Math.max(10, 10 * Math.ceil(Math.max(...eye.points.map(([, off]) => Math.abs(off))) / 10));
  const { root, x, y } = frame("Each answer against the truth", [0, 100], [-reach, reach], { up: [-reach, 0, reach], across: [0, 25, 50, 75, 100] }, "True percent");
  for (const [truth, off] of eye.points) root.append(draw("circle", { cx: x(truth), cy: y(off), r: 4, class: "tl-dot" }));
  const names = ["your lean", "most answers", "most answers"];
  eye.lines.forEach((at, k) => {
    if (Math.abs(at) > reach) return;
    root.append(draw("line", { x1: LEFT, x2: WIDE - RIGHT, y1: y(at), y2: y(at), class: "tl-mark" }));
    root.append(draw("text", { x: WIDE - RIGHT, y: y(at) - 4, "text-anchor": "end", class: "tl-marked" }, names[k]));
  });
  return root;
}

function overTime(eye) {
  const most = Math.max(10, 5 * Math.ceil(Math.max(...eye.time.map(([, error]) => error)) / 5));
  const last = eye.time.length;
  const { root, x, y } = frame("Mean error over time", [0.5, last + 0.5], [0, most], { up: [0, most / 2, most], across: last > 1 ? [1, last] : [1] }, "Tens of pictures, oldest first");
  eye.time.forEach(([, error, role], k) => {
    const test = role !== "practice";
    root.append(test ? draw("rect", { x: x(k + 1) - 5, y: y(error) - 5, width: 10, height: 10, class: "tl-test" }) : draw("circle", { cx: x(k + 1), cy: y(error), r: 4, class: "tl-dot" }));
  });
  return root;
}

export function drawEye(root, eye, actions) {
  fill(root,
    h("h1", {}, "My eye"),
    eye.words.map((line) => h("p", {}, line)),
    eye.points.length ? [agreement(eye), h("p", { class: "tl-quiet tl-small" }, "Each dot is one picture: above the line you said too much, below it too little.")] : null,
    eye.time.length ? [h("h2", {}, "Over time"), overTime(eye), h("p", { class: "tl-quiet tl-small" }, "How far off each ten pictures were, in points. Squares are tests, dots practice. Practice goes where you err, so its pictures get harder: only tests before and after can be compared.")] : null,
    eye.groups.length ? h("table", { class: "tl-groups" },
      h("tr", {}, ["Color", "Pictures", "Off by", "Lean"].map((name) => h("th", {}, name))),
      eye.groups.map(([name, count, off, lean]) => h("tr", {}, h("td", {}, name), h("td", {}, String(count)), h("td", {}, String(off)), h("td", {}, lean > 0 ? `+${lean}` : String(lean))))) : null,
    h("div", { class: "tl-row" },
      h("button", { type: "button", class: "tl-main", onclick: () => actions.drill(eye.need) }, "The drill that fits"),
      h("button", { type: "button", onclick: actions.back }, "Back")));
}
