// The die's page: what was found is corrected on the photo. The workbench keeps every step and works out
// where things lie on the die; nothing is calculated here.
import { handleOn, placedOn } from "./handles.js";
import { MOST_HANDLES, onPhoto, path, pointingNow } from "./marks.js";
import { pointingOn } from "./pointing.js";
import { post, stepsOn } from "./steps.js";
import { draw, openViewer, overlayOn, ruleOn, screenPxPerPhotoPx } from "./viewer.js";

const SVG = "http://www.w3.org/2000/svg";
const NEEDED = { pad: 2, region: Infinity, marking: 1, outline: 4 };
const GUIDE = {
  pad: "Drag a pad, or take it out with Delete on its point. Put in: point at two opposite corners.",
  region: "Drag corners; Delete takes a region out. Put in: point at its corners, and close it with a click on the first one, or with Enter twice.",
  marking: "Drag a marking; Delete takes it out. Put in: point at it and write what it says.",
  outline: "Drag a corner of the outline; Delete brings the measured one back. Put in: point at its four corners.",
};
const LETTERS_PX = 15; // numbers of pads are no larger on the screen than this

const element = document.getElementById("viewer");
const data = JSON.parse(element.dataset.viewer);
const guide = document.getElementById("guide");
const table = document.getElementById("die-table");
const say = (text) => { guide.textContent = text; };
const viewer = openViewer(element, data);
const svg = overlayOn(viewer, element);
const placed = placedOn(viewer, element);
document.getElementById("tools").hidden = false;
if (data.pixel_um) ruleOn(viewer, element, data.pixel_um);

let things = data.things;
let layer = things.length ? "pad" : "outline";
let drawn = [];
let putting = false;
let shapes = [];
const pointing = pointingOn({
  viewer, element, data, say, redraw: redrawPointing, hover: redrawPointing, finish,
  now: () => ({ active: putting, needed: NEEDED[layer], closes: layer === "region" }),
  leave: () => put(false),
});

// ---- what is there ------------------------------------------------------------------------------
function redraw() {
  const focused = document.activeElement?.dataset?.handle;
  for (const shape of drawn) shape.remove();
  drawn = [];
  placed.clear();
  const mine = things.filter((one) => one.kind === layer || (layer === "pad" && one.kind === "no_pad"));
  const handles = mine.reduce((sum, one) => sum + one.points.length, 0);
  for (const one of things) {
    show(one);
    if (mine.includes(one) && handles <= MOST_HANDLES) one.points.forEach((_, index) => placed.add(handle(one, index), () => one.points[index]));
  }
  placed.place();
  placed.refocus(focused);
  sizeLetters();
}

function show(one) {
  const hand = one.entry ? " hand" : "";
  const shape = one.kind === "region" ? path(one.points, true) : one.ring ? path(one.ring, true) : "";
  one.shapes = shape ? draw(svg, "path", `${one.kind}${hand}`, { d: shape }) : [];
  if (one.kind === "no_pad") one.shapes = draw(svg, "path", "hand", { d: cross(one.points[0]) });
  drawn.push(...one.shapes);
  if (one.kind === "outline" || one.kind === "no_pad") return;
  const text = document.createElementNS(SVG, "text");
  text.textContent = one.words;
  if (hand) text.setAttribute("class", "hand");
  one.text = text;
  placeText(one);
  svg.append(text);
  drawn.push(text);
}

function cross([x, y]) {
  const r = 8 / screenPxPerPhotoPx(viewer);
  return `M${x - r} ${y - r}L${x + r} ${y + r}M${x - r} ${y + r}L${x + r} ${y - r}`;
}

function placeText(one) {
  const middle = [0, 1].map((n) => one.points.reduce((sum, p) => sum + p[n], 0) / one.points.length);
  one.text.setAttribute("x", middle[0]);
  // beside the point by which a pad is dragged
  one.text.setAttribute("y", one.kind === "pad" ? middle[1] + 0.5 * (Math.min(...one.ring.map((p) => p[1])) - middle[1]) : middle[1]);
}

function sizeLetters() {
  if (!viewer.world.getItemAt(0)) return;
  const perPx = screenPxPerPhotoPx(viewer);
  for (const one of things) {
    if (!one.text?.isConnected) continue;
    let most = Infinity;
    if (one.kind === "pad") most = 0.4 * Math.min(...[0, 1].map((n) => Math.max(...one.ring.map((p) => p[n])) - Math.min(...one.ring.map((p) => p[n]))));
    one.text.setAttribute("font-size", Math.min(most, LETTERS_PX / perPx));
  }
}
viewer.addHandler("placed", sizeLetters);

const NAMES = { pad: "Pad", no_pad: "No pad", region: "Region", marking: "Marking", outline: "Outline" };
function handle(one, index) {
  const several = one.points.length > 1 ? `, corner ${index + 1}` : "";
  const before = structuredClone(one.points);
  return handleOn({
    viewer, element,
    name: `${one.kind} ${one.words} ${index}`,
    label: `${NAMES[one.kind]} ${one.kind === "outline" || one.kind === "no_pad" ? "" : one.words}${several}: arrow keys move it, Delete takes it out`,
    at: () => one.points[index],
    begin: () => {},
    moved: (point) => {
      const [x, y] = onPhoto(data, point);
      if (one.ring && one.kind === "pad") one.ring = one.ring.map((p) => [p[0] + x - one.points[index][0], p[1] + y - one.points[index][1]]);
      one.points[index] = [x, y];
      if (one.kind === "outline") one.ring = one.points;
      const shape = one.kind === "no_pad" ? cross(one.points[0]) : one.kind === "marking" ? "" : path(one.ring ?? one.points, true);
      for (const part of one.shapes) part.setAttribute("d", shape);
      if (one.text) placeText(one);
      placed.place();
    },
    settle: () => {
      if (JSON.stringify(before) !== JSON.stringify(one.points)) act("move", one, { points: inForm(one.points), pointing: pointingNow(viewer, data).toFixed(4) });
    },
    remove: () => act("remove", one, {}),
  });
}

// ---- kept by the workbench ------------------------------------------------------------------------
const inForm = (all) => all.map((p) => p.map((v) => v.toFixed(3)).join(",")).join(" ");

const steps = stepsOn({
  key: `undo die ${data.chip}`, say,
  show: (told) => {
    things = told.things;
    table.innerHTML = told.table;
    redraw();
  },
  make: async (one) => {
    const fields = one.changes ? { chip: data.chip, changes: JSON.stringify(one.changes), turned: one.turned ? "yes" : "" } : one;
    say("Keeping it …");
    const told = await post(one.changes ? "/die/changes" : "/die/act", fields);
    say(GUIDE[layer]);
    return [told, { changes: told.changes }];
  },
  turned: (one) => ({ ...one, turned: true }),
  reload: async () => {
    const answer = await fetch(`/die/state?${new URLSearchParams({ chip: data.chip })}`, { headers: { accept: "application/json" } });
    return answer.ok ? answer.json() : null;
  },
});

function act(what, one, more) {
  return steps.step({
    chip: data.chip, capture: data.id, do: what, kind: one.kind,
    entry: one.entry ? JSON.stringify(one.entry) : "", place: one.place ? one.place.join(",") : "", ...more,
  });
}

table.addEventListener("submit", (event) => {
  event.preventDefault();
  steps.step(Object.fromEntries(new FormData(event.target, event.submitter).entries())); // the button's own "do" comes last
});

// ---- pointing -------------------------------------------------------------------------------------
function choose(next) {
  layer = next;
  put(false);
  for (const button of document.querySelectorAll("[data-layer]")) button.setAttribute("aria-pressed", String(button.dataset.layer === layer));
  redraw();
}

function put(on) {
  putting = on;
  document.querySelector("[data-put]").setAttribute("aria-pressed", String(on));
  element.classList.toggle("pointing", on);
  pointing.forget();
  say(GUIDE[layer]);
}

function redrawPointing(hover) {
  for (const shape of shapes) shape.remove();
  shapes = [];
  const { points } = pointing;
  const all = hover ? [...points, hover] : points;
  if (!all.length) return;
  let ring = all;
  if (layer === "pad" && all.length === 2) ring = [all[0], [all[1][0], all[0][1]], all[1], [all[0][0], all[1][1]]];
  const r = 4 / screenPxPerPhotoPx(viewer);
  shapes = draw(svg, "path", "hand", { d: path(ring, ring.length > 2) });
  for (const [cx, cy] of points) shapes.push(...draw(svg, "circle", "hand", { cx, cy, r }));
}

function finish() {
  const question = document.getElementById(`ask-${layer}`);
  if (question) ask(question);
  else keep({});
}

function keep(more) {
  const told = { points: inForm(pointing.points), pointing: Math.max(...pointing.zooms).toFixed(4), ...more };
  pointing.forget();
  act("put", { kind: layer }, told);
}

// What it is called is asked where it was pointed at.
function ask(question) {
  const asked = document.createElement("form");
  asked.append(question.content.cloneNode(true));
  pointing.ask(asked);
  asked.addEventListener("submit", (event) => {
    event.preventDefault();
    const told = Object.fromEntries(new FormData(asked).entries());
    viewer.canvas.focus();
    keep(told);
  });
  asked.querySelector("input, select").focus({ preventScroll: true });
  say("Say what it is, then keep it; Escape forgets it.");
}

for (const button of document.querySelectorAll("[data-layer]")) button.addEventListener("click", () => choose(button.dataset.layer));
document.querySelector("[data-put]").addEventListener("click", () => put(!putting));
const acts = {
  undo: steps.undo,
  redo: steps.redo,
  in: () => viewer.viewport.zoomBy(1.5),
  out: () => viewer.viewport.zoomBy(1 / 1.5),
  fit: () => viewer.viewport.goHome(),
};
for (const button of document.querySelectorAll("[data-do]")) {
  button.addEventListener("click", () => { acts[button.dataset.do](); viewer.viewport.applyConstraints(); });
}
viewer.addHandler("open", () => {
  viewer.canvas.setAttribute("role", "application");
  viewer.canvas.setAttribute("aria-label", "The photo; arrow keys move it, plus and minus zoom");
  choose(layer);
  element.dataset.ready = "yes";
});
