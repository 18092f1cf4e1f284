// The capture's page: the deep viewer with the evidence, and pointing by mouse, finger or keys.
import { asker, keptMarks, path, pointingNow } from "./marks.js";
import { pointingOn } from "./pointing.js";
import { draw, openViewer, overlayOn, ruleOn, screenPxPerPhotoPx, toScreen } from "./viewer.js";

const NEEDED = { distance: 2, pitch: 2, angle: 3, area: Infinity, box: 2 };
const GUIDE = {
  move: "",
  distance: "Point at the two ends. Arrow keys move the view, Enter sets a point in its middle.",
  pitch: "Point at the first and the last of several equal steps.",
  angle: "Point at one arm, the corner, the other arm.",
  area: "Point at the corners; close it with a click on the first one, or with Enter twice.",
  box: "Point at two opposite corners of the part in which to look.",
};

const element = document.getElementById("viewer");
const data = JSON.parse(element.dataset.viewer);
const guide = document.getElementById("guide");
const viewer = openViewer(element, data);
const svg = overlayOn(viewer, element);
document.getElementById("tools").hidden = false;
if (data.pixel_um) ruleOn(viewer, element, data.pixel_um);

const evidence = [];
if (data.shapes.strokes) evidence.push(...draw(svg, "path", "thin", { d: data.shapes.strokes }));
if (data.shapes.paths) evidence.push(...draw(svg, "path", "", { d: data.shapes.paths }));
document.getElementById("evidence").addEventListener("change", (event) => {
  for (const shape of evidence) shape.toggleAttribute("hidden", !event.target.checked);
});
if (data.box) {
  const [x, y, width, height] = data.box;
  draw(svg, "rect", "box", { x: x - 0.5, y: y - 0.5, width, height });
}

const say = (text) => { guide.textContent = text; };
const kept = keptMarks({ viewer, element, svg, data, say });
const ask = asker(data);
const live = document.createElement("span"); // the value while pointing
live.className = "label live";
element.append(live);

let tool = "move";
let shapes = [];
const pointing = pointingOn({
  viewer, element, data, say, redraw, finish,
  now: () => ({ active: tool !== "move", needed: NEEDED[tool], closes: tool === "area" }),
  hover(place) {
    redraw(place);
    if (tool !== "box") tellLive(place);
  },
  leave: () => choose("move"),
});

function choose(next) {
  tool = next;
  pointing.forget();
  for (const button of document.querySelectorAll("[data-tool]")) {
    button.setAttribute("aria-pressed", String(button.dataset.tool === tool));
  }
  element.classList.toggle("pointing", tool !== "move");
  say(GUIDE[tool]);
}

function redraw(hover) {
  for (const shape of shapes) shape.remove();
  shapes = [];
  const { points } = pointing;
  if (!points.length) live.textContent = "";
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

function finish() {
  if (tool === "box") {
    document.getElementById("box").value = boxOf(pointing.points).join(", ");
    say("That is written into “Look only here”. Press “Measure there” to use it.");
    pointing.restart();
    document.querySelector("#look-form button")?.focus();
    return;
  }
  if (tool === "pitch") askCount();
  else keep(1);
}

function keep(count) {
  const mark = { kind: tool, points: pointing.points, pointing_px: pointing.zooms, count };
  pointing.forget();
  say(GUIDE[tool]);
  kept.keep(mark);
}

// How many steps lie between two points is asked where they were set.
function askCount() {
  const asked = document.createElement("form");
  asked.innerHTML = '<label>Steps between them <input name="count" inputmode="numeric" value="1" size="4" autocomplete="off"></label> <button class="main">Keep</button>';
  pointing.ask(asked);
  const input = asked.elements.count;
  const count = () => (/^[1-9]\d{0,5}$/.test(input.value.trim()) ? +input.value : 0);
  asked.addEventListener("submit", (event) => {
    event.preventDefault();
    if (count()) {
      keep(count());
      viewer.canvas.focus();
    } else {
      input.setAttribute("aria-invalid", "true");
      say("A whole number of steps is needed, like 10.");
    }
  });
  input.addEventListener("input", () => tellLive(pointing.points.at(-1), count()));
  input.focus({ preventScroll: true });
  input.select();
  say("How many steps lie between the two points? Then keep it.");
}

function tellLive(place, count = 1) {
  const { points, zooms } = pointing;
  const all = pointing.isAsking ? points : [...points, place];
  if (!count || all.length < 2 || (tool === "angle" && all.length < 3) || (tool === "area" && all.length < 3)) {
    live.textContent = "";
    return;
  }
  const now = pointingNow(viewer, data);
  const mark = { kind: tool, points: all, pointing_px: all.map((_, n) => zooms[n] ?? now), count, note: "" };
  ask(mark, (words) => {
    if (!pointing.points.length) return;
    live.textContent = words;
    const at = toScreen(viewer, place);
    live.style.left = `${at.x}px`;
    live.style.top = `${at.y - 16}px`;
  });
}

viewer.addHandler("animation", () => {
  if (tool === "move" || tool === "box" || pointing.isAsking || !pointing.points.length || !viewer.canvas.matches(":focus-visible")) return;
  const place = pointing.middle();
  redraw(place);
  tellLive(place);
});
for (const button of document.querySelectorAll("[data-tool]")) {
  button.addEventListener("click", () => choose(button.dataset.tool));
}
if (!document.getElementById("look-form")) document.querySelector("[data-tool=box]").hidden = true;
const acts = {
  undo: kept.undo,
  redo: kept.redo,
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
