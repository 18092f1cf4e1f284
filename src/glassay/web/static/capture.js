// The capture's page: the deep viewer with the evidence, and pointing by mouse, finger or keys.
import { draw, openViewer, overlayOn, ruleOn, screenPxPerPhotoPx, toPhoto, toScreen } from "./viewer.js";

const NEEDED = { distance: 2, pitch: 2, angle: 3, area: Infinity, box: 2 };
const GUIDE = {
  move: "",
  distance: "Point at the two ends. Arrow keys move the view, Enter sets a point in its middle.",
  pitch: "Point at the first and the last of several equal steps.",
  angle: "Point at one arm, the corner, the other arm.",
  area: "Point at the corners; close it with a click on the first one, or with Enter twice.",
  box: "Point at two opposite corners of the part in which to look.",
};
const CLOSE_PX = 12; // a click this near to the first corner (screen px) closes an area

const element = document.getElementById("viewer");
const data = JSON.parse(element.dataset.viewer);
const guide = document.getElementById("guide");
const form = document.getElementById("mark-form");
const viewer = openViewer(element, data);
const svg = overlayOn(viewer, element);
document.getElementById("tools").hidden = false;
if (data.pixel_um) ruleOn(viewer, element, data.pixel_um);

const evidence = [];
if (data.shapes.strokes) evidence.push(...draw(svg, "path", "thin", { d: data.shapes.strokes }));
if (data.shapes.paths) evidence.push(...draw(svg, "path", "", { d: data.shapes.paths }));
for (const [cx, cy, r] of data.shapes.circles) evidence.push(...draw(svg, "circle", "", { cx, cy, r }));
document.getElementById("evidence").addEventListener("change", (event) => {
  for (const shape of evidence) shape.toggleAttribute("hidden", !event.target.checked);
});
if (data.box) {
  const [x, y, width, height] = data.box;
  draw(svg, "rect", "box", { x: x - 0.5, y: y - 0.5, width, height });
}

const path = (points, closed) => `M${points.map((p) => p.join(" ")).join("L")}${closed ? "Z" : ""}`;
const labels = [];
for (const mark of data.marks) {
  draw(svg, "path", "hand", { d: path(mark.points, mark.kind === "area") });
  const label = document.createElement("span");
  label.className = "label";
  label.textContent = mark.number;
  element.append(label);
  labels.push([label, mark.points[mark.kind === "angle" ? 1 : 0]]);
}
viewer.addHandler("placed", () => {
  for (const [label, point] of labels) {
    const at = toScreen(viewer, point);
    label.style.left = `${at.x}px`;
    label.style.top = `${at.y}px`;
  }
});

let tool = "move";
let points = [];
let zooms = []; // screen px per photo px when each point was set: people zoom in between
let shapes = [];

function choose(next) {
  tool = next;
  points = [];
  redraw();
  for (const button of document.querySelectorAll("[data-tool]")) {
    button.setAttribute("aria-pressed", String(button.dataset.tool === tool));
  }
  element.classList.toggle("pointing", tool !== "move");
  guide.textContent = GUIDE[tool];
}

function redraw(hover) {
  for (const shape of shapes) shape.remove();
  shapes = [];
  const all = hover ? [...points, hover] : points;
  if (!all.length) return;
  if (tool === "box" && all.length === 2) {
    const [x, y, width, height] = boxOf(all);
    shapes = draw(svg, "rect", "box", { x: x - 0.5, y: y - 0.5, width, height });
    return;
  }
  const r = 4 / screenPxPerPhotoPx(viewer);
  shapes = draw(svg, "path", "hand", { d: path(all, tool === "area" && all.length > 2) });
  for (const [cx, cy] of points) shapes.push(...draw(svg, "circle", "hand", { cx, cy, r }));
}

function boxOf([[x0, y0], [x1, y1]]) {
  const left = Math.max(0, Math.round(Math.min(x0, x1)));
  const top = Math.max(0, Math.round(Math.min(y0, y1)));
  const right = Math.min(data.width, Math.round(Math.max(x0, x1)));
  const low = Math.min(data.height, Math.round(Math.max(y0, y1)));
  return [left, top, right - left, low - top];
}

function point(at) {
  if (tool === "area" && points.length > 2) {
    const first = toScreen(viewer, points[0]);
    if (Math.hypot(first.x - at.x, first.y - at.y) < CLOSE_PX) return finish();
  }
  if (!points.length) zooms = [];
  zooms.push(screenPxPerPhotoPx(viewer));
  points.push(toPhoto(viewer, at));
  redraw();
  if (points.length >= NEEDED[tool]) finish();
  return undefined;
}

function finish() {
  if (tool === "box") {
    const box = boxOf(points);
    document.getElementById("box").value = box.join(", ");
    guide.textContent = "That is written into “Look only here”. Press “Measure there” to use it.";
    points = [];
    document.querySelector("#look-form button")?.focus();
    return;
  }
  form.elements.kind.value = tool;
  form.elements.points.value = points.map((p) => p.map((v) => v.toFixed(2)).join(",")).join(" ");
  form.elements.pointing.value = zooms
    .map((zoom) => Math.max(data.pointing_screen_px / zoom, 0.001).toFixed(3)).join(" ");
  if (tool === "pitch") {
    document.getElementById("mark-by-numbers").open = true;
    form.elements.count.focus();
    form.elements.count.select();
    guide.textContent = "How many steps lie between them? Then keep it.";
    return;
  }
  form.requestSubmit();
}

viewer.addHandler("canvas-click", (event) => {
  if (tool !== "move" && event.quick) point(event.position);
});
element.addEventListener("pointermove", (event) => {
  if (tool === "move" || !points.length || points.length >= NEEDED[tool]) return;
  const frame = element.getBoundingClientRect();
  redraw(toPhoto(viewer, new OpenSeadragon.Point(event.clientX - frame.left, event.clientY - frame.top)));
});
element.addEventListener("keydown", (event) => {
  if (event.key === "Escape") choose("move");
  if (event.key !== "Enter" || tool === "move") return;
  event.preventDefault();
  const middle = new OpenSeadragon.Point(element.clientWidth / 2, element.clientHeight / 2);
  const last = points.at(-1) && toScreen(viewer, points.at(-1));
  if (tool === "area" && points.length > 2 && Math.hypot(last.x - middle.x, last.y - middle.y) < 2) finish();
  else point(middle);
});
for (const button of document.querySelectorAll("[data-tool]")) {
  button.addEventListener("click", () => choose(button.dataset.tool));
}
if (!document.getElementById("look-form")) document.querySelector("[data-tool=box]").hidden = true;
const acts = {
  in: () => viewer.viewport.zoomBy(1.5),
  out: () => viewer.viewport.zoomBy(1 / 1.5),
  fit: () => viewer.viewport.goHome(),
  one: () => viewer.viewport.zoomTo(viewer.world.getItemAt(0).imageToViewportZoom(1 / devicePixelRatio)),
};
for (const button of document.querySelectorAll("[data-do]")) {
  button.addEventListener("click", () => { acts[button.dataset.do](); viewer.viewport.applyConstraints(); });
}
viewer.addHandler("open", () => {
  const canvas = viewer.canvas;
  canvas.setAttribute("role", "application");
  canvas.setAttribute("aria-label", "The photo; arrow keys move it, plus and minus zoom");
  element.dataset.ready = "yes";
});
