// The capture's page: the deep viewer with the evidence, and pointing by mouse, finger or keys.
import { asker, keptMarks, onPhoto, path, pointingNow } from "./marks.js";
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
const SAME_PX = 4; // a click this near to the point before (screen px) is a double click's second

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
let points = [];
let zooms = []; // uncertainty of pointing (px of the photo) of each point: people zoom in between
let shapes = [];
let asked = null; // the question for a pitch's count

function choose(next) {
  tool = next;
  forget();
  for (const button of document.querySelectorAll("[data-tool]")) {
    button.setAttribute("aria-pressed", String(button.dataset.tool === tool));
  }
  element.classList.toggle("pointing", tool !== "move");
  say(GUIDE[tool]);
}

function forget() {
  points = [];
  zooms = [];
  asked?.remove();
  asked = null;
  live.textContent = "";
  redraw();
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

const far = (a, b) => Math.hypot(a.x - b.x, a.y - b.y);

function point(at) {
  if (asked) return;
  if (tool === "area" && points.length > 2 && far(toScreen(viewer, points[0]), at) < CLOSE_PX) {
    finish();
    return;
  }
  if (points.length && far(toScreen(viewer, points.at(-1)), at) < SAME_PX) {
    say("That is the same place again; point at another one.");
    return;
  }
  zooms.push(pointingNow(viewer, data));
  points.push(onPhoto(data, toPhoto(viewer, at)));
  redraw();
  if (points.length >= NEEDED[tool]) finish();
}

function finish() {
  if (tool === "box") {
    document.getElementById("box").value = boxOf(points).join(", ");
    say("That is written into “Look only here”. Press “Measure there” to use it.");
    points = [];
    document.querySelector("#look-form button")?.focus();
    return;
  }
  if (tool === "pitch") askCount();
  else keep(1);
}

function keep(count) {
  const mark = { kind: tool, points, pointing_px: zooms, count };
  forget();
  say(GUIDE[tool]);
  kept.keep(mark);
}

// How many steps lie between two points is asked where they were set.
function askCount() {
  asked = document.createElement("form");
  asked.className = "in-place";
  asked.innerHTML = '<label>Steps between them <input name="count" inputmode="numeric" value="1" size="4" autocomplete="off"></label> <button class="main">Keep</button>';
  element.append(asked);
  placeAsked();
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
  input.addEventListener("input", () => tellLive(points.at(-1), count()));
  input.focus({ preventScroll: true });
  input.select();
  say("How many steps lie between the two points? Then keep it.");
}

function placeAsked() {
  if (!asked) return;
  const at = toScreen(viewer, points.at(-1));
  asked.style.left = `${Math.max(0, Math.min(at.x, element.clientWidth - asked.offsetWidth))}px`;
  asked.style.top = `${Math.max(0, Math.min(at.y + 14, element.clientHeight - asked.offsetHeight))}px`;
}
viewer.addHandler("placed", placeAsked);

function tellLive(place, count = 1) {
  const all = asked ? points : [...points, place];
  if (!count || all.length < 2 || (tool === "angle" && all.length < 3) || (tool === "area" && all.length < 3)) {
    live.textContent = "";
    return;
  }
  const now = pointingNow(viewer, data);
  const mark = { kind: tool, points: all, pointing_px: all.map((_, n) => zooms[n] ?? now), count, note: "" };
  ask(mark, (words) => {
    if (!points.length) return;
    live.textContent = words;
    const at = toScreen(viewer, place);
    live.style.left = `${at.x}px`;
    live.style.top = `${at.y - 16}px`;
  });
}

viewer.addHandler("canvas-click", (event) => {
  if (tool !== "move" && event.quick) point(event.position);
});
element.addEventListener("pointermove", (event) => {
  if (tool === "move" || asked || !points.length || points.length >= NEEDED[tool]) return;
  const frame = element.getBoundingClientRect();
  const place = onPhoto(data, toPhoto(viewer, new OpenSeadragon.Point(event.clientX - frame.left, event.clientY - frame.top)));
  redraw(place);
  if (tool !== "box") tellLive(place);
});
const middle = () => new OpenSeadragon.Point(element.clientWidth / 2, element.clientHeight / 2);
viewer.addHandler("animation", () => {
  if (tool === "move" || tool === "box" || asked || !points.length || !viewer.canvas.matches(":focus-visible")) return;
  const place = onPhoto(data, toPhoto(viewer, middle()));
  redraw(place);
  tellLive(place);
});
element.addEventListener("keydown", (event) => {
  if (event.key === "Escape") {
    if (points.length) forget();
    else choose("move");
    viewer.canvas.focus();
  }
  if (event.key !== "Enter" || tool === "move" || event.target !== viewer.canvas) return;
  event.preventDefault();
  const last = points.at(-1) && toScreen(viewer, points.at(-1));
  if (tool === "area" && points.length > 2 && far(last, middle()) < 2) finish();
  else point(middle());
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
