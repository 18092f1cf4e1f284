// Several viewers at one physical scale. What is common is a view: um of the object for each px of
// the screen, and where on the object its middle lies; each photo has its own origin on the object.
import { openViewer, ruleOn, sayLength, screenPxPerPhotoPx } from "./viewer.js";

const panes = document.getElementById("panes");
const data = JSON.parse(panes.dataset.panes);
const sections = [...panes.querySelectorAll(".pane")];
const guide = document.getElementById("guide");
const alone = document.getElementById("alone");
document.getElementById("tools").hidden = false;
document.getElementById("no-script").remove();
panes.hidden = false;

const shown = data.map((one, index) => {
  const element = sections[index].querySelector(".viewer");
  // No limits of its own: one photo may be much larger than the others.
  const viewer = openViewer(element, one, {
    minZoomLevel: 1e-4, maxZoomPixelRatio: 200, minZoomImageRatio: 1e-4, visibilityRatio: 0, animationTime: 0.15,
    autoResize: false, // the view is kept over it below; the viewer would fit the photo anew
  });
  ruleOn(viewer, element, one.pixel_um);
  // Places count from the corner of the first px here, from its middle in what the server says.
  return { ...one, element, viewer, origin: [one.centre[0] + 0.5, one.centre[1] + 0.5] };
});

// A photo may show the object turned clockwise; (x, y) on the object as px of the photo, and back.
function turned([x, y], degrees) {
  const [c, s] = [Math.cos((degrees * Math.PI) / 180), Math.sin((degrees * Math.PI) / 180)];
  return [x * c - y * s, x * s + y * c];
}

let view = null;
let settling = false;

function viewOf(one) {
  const image = one.viewer.world.getItemAt(0);
  const middle = image.viewportToImageCoordinates(one.viewer.viewport.getCenter(true));
  const [x, y] = turned([middle.x - one.origin[0], middle.y - one.origin[1]], -one.turn);
  return { perPx: one.pixel_um / screenPxPerPhotoPx(one.viewer), x: x * one.pixel_um, y: y * one.pixel_um };
}

function apply(one) {
  const image = one.viewer.world.getItemAt(0);
  if (!image || !view) return;
  const viewport = one.viewer.viewport;
  viewport.zoomTo(image.imageToViewportZoom(one.pixel_um / view.perPx), null, true);
  const middle = new OpenSeadragon.Point(...placeOf(one));
  viewport.panTo(image.imageToViewportCoordinates(middle), true);
}

function placeOf(one) {
  const [x, y] = turned([view.x / one.pixel_um, view.y / one.pixel_um], one.turn);
  return [one.origin[0] + x, one.origin[1] + y];
}

function follow(leader) {
  if (settling || !view) return;
  const now = viewOf(leader);
  if (alone.checked) { // the photo is moved on the object; the view stays
    const [x, y] = turned([now.x - view.x, now.y - view.y], leader.turn);
    leader.origin[0] += x / leader.pixel_um;
    leader.origin[1] += y / leader.pixel_um;
    if (Math.abs(now.perPx / view.perPx - 1) < 1e-6) { told(); return; }
    now.x = view.x;
    now.y = view.y;
  }
  view = now;
  settling = true;
  for (const one of shown) if (one !== leader) apply(one);
  settling = false;
  told();
}

function told() {
  const width = shown[0].element.clientWidth * view.perPx;
  guide.textContent = `Each shows ${sayLength(+width.toPrecision(3))} across.`;
  panes.dataset.perPx = view.perPx;
  const query = new URLSearchParams({ width_um: width.toPrecision(6) });
  for (const one of shown) {
    query.append("id", one.id);
    query.append("at", placeOf(one).map((value) => (value - 0.5).toFixed(2)).join(","));
    query.append("turn", one.turn.toFixed(3));
  }
  document.getElementById("plate").href = `/side-by-side/plate.png?${query}`;
}

function whole() {
  const widths = shown.map((one) => one.width * one.pixel_um);
  view = { perPx: Math.min(...widths) / shown[0].element.clientWidth, x: 0, y: 0 };
  settling = true;
  shown.forEach(apply);
  settling = false;
  told();
}

let open = 0;
for (const one of shown) {
  one.viewer.addHandler("open", () => {
    one.viewer.viewport.setRotation(-one.turn, true);
    open += 1;
    if (open === shown.length) {
      whole();
      panes.dataset.ready = "yes";
    }
  });
  for (const event of ["animation", "animation-finish"]) one.viewer.addHandler(event, () => follow(one));
}

// Another layout or window shows more or less of the object; um of it for each px of the screen stay.
const sizes = new ResizeObserver(() => {
  if (!view) return;
  settling = true;
  for (const one of shown) {
    const size = new OpenSeadragon.Point(one.element.clientWidth, one.element.clientHeight);
    if (!size.x || !size.y) continue;
    one.viewer.viewport.resize(size, true);
    one.viewer.raiseEvent("resize", { newContainerSize: size, maintain: true });
    apply(one);
    one.viewer.forceRedraw();
  }
  settling = false;
  told();
});
for (const one of shown) sizes.observe(one.element);

// ---- beside each other, wiped, alternated -------------------------------------------------------
const bar = document.getElementById("wipe-bar");
const wipe = document.getElementById("wipe");
let lay = "beside";
let front = 0;
let clock = 0;

function settle() {
  panes.classList.toggle("stacked", lay !== "beside");
  bar.hidden = lay !== "wipe";
  sections.forEach((section, index) => {
    section.classList.toggle("away", lay === "alternate" ? index !== front : false);
    // Of several, each next one takes what is right of the wipe, split evenly.
    const from = lay === "wipe" && index ? +wipe.value + ((100 - wipe.value) * (index - 1)) / (shown.length - 1) : 0;
    section.style.clipPath = from ? `inset(0 0 0 ${from}%)` : "";
    section.querySelector("h2").style.marginLeft = from ? `${from}%` : "";
  });
}
function choose(next) {
  lay = next;
  front = 0;
  clearInterval(clock);
  if (lay === "alternate") clock = setInterval(turn, 900);
  for (const button of document.querySelectorAll("[data-lay]")) {
    button.setAttribute("aria-pressed", String(button.dataset.lay === lay));
  }
  settle();
}
function turn() {
  front = (front + 1) % shown.length;
  settle();
}
wipe.addEventListener("input", settle);
for (const button of document.querySelectorAll("[data-lay]")) {
  button.addEventListener("click", () => choose(button.dataset.lay));
}
const acts = {
  in: () => zoom(1.5),
  out: () => zoom(1 / 1.5),
  fit: whole,
};
function zoom(by) {
  view.perPx /= by;
  settling = true;
  shown.forEach(apply);
  settling = false;
  told();
}
for (const button of document.querySelectorAll("[data-do]")) {
  button.addEventListener("click", () => acts[button.dataset.do]());
}
