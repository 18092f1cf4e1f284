// Pointing on a photo by mouse, finger or keys: points are set one after the other until enough are there.
import { onPhoto, pointingNow } from "./marks.js";
import { toPhoto, toScreen } from "./viewer.js";

const CLOSE_PX = 12; // a click this near to the first corner (screen px) closes a shape
const SAME_PX = 4; // a click this near to the point before (screen px) is a double click's second

const far = (a, b) => Math.hypot(a.x - b.x, a.y - b.y);

// `now()` gives whether points are set (`active`), how many are `needed`, and whether the first one `closes`
// a shape. `redraw()` follows every change of the points, `hover(place)` the way to the next one, `finish()`
// the last; `leave()` is asked for with Escape where nothing is begun.
export function pointingOn({ viewer, element, data, say, now, redraw, hover, finish, leave }) {
  let points = [];
  let zooms = []; // uncertainty of pointing (px of the photo) of each point: people zoom in between
  let asked = null; // a question about the points, where the last one was set
  const middle = () => new OpenSeadragon.Point(element.clientWidth / 2, element.clientHeight / 2);

  const pointing = {
    get points() { return points; },
    get zooms() { return zooms; },
    get isAsking() { return asked !== null; },
    middle: () => onPhoto(data, toPhoto(viewer, middle())),
    restart() {
      points = [];
      zooms = [];
    },
    forget() {
      pointing.restart();
      asked?.remove();
      asked = null;
      redraw();
    },
    ask(form) {
      asked = form;
      asked.className = "in-place";
      element.append(asked);
      placeAsked();
    },
  };

  function placeAsked() {
    if (!asked) return;
    const at = toScreen(viewer, points.at(-1));
    asked.style.left = `${Math.max(0, Math.min(at.x, element.clientWidth - asked.offsetWidth))}px`;
    asked.style.top = `${Math.max(0, Math.min(at.y + 14, element.clientHeight - asked.offsetHeight))}px`;
  }

  function point(at) {
    if (asked) return;
    const { needed, closes } = now();
    if (closes && points.length > 2 && far(toScreen(viewer, points[0]), at) < CLOSE_PX) {
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
    if (points.length >= needed) finish();
  }

  viewer.addHandler("placed", placeAsked);
  viewer.addHandler("canvas-click", (event) => {
    if (now().active && event.quick) point(event.position);
  });
  element.addEventListener("pointermove", (event) => {
    const { active, needed } = now();
    if (!active || asked || !points.length || points.length >= needed) return;
    const frame = element.getBoundingClientRect();
    hover(onPhoto(data, toPhoto(viewer, new OpenSeadragon.Point(event.clientX - frame.left, event.clientY - frame.top))));
  });
  element.addEventListener("keydown", (event) => {
    if (event.key === "Escape") {
      if (points.length) pointing.forget();
      else leave();
      viewer.canvas.focus();
    }
    const { active, closes } = now();
    if (event.key !== "Enter" || !active || event.target !== viewer.canvas) return;
    event.preventDefault();
    const last = points.at(-1) && toScreen(viewer, points.at(-1));
    if (closes && points.length > 2 && far(last, middle()) < 2) finish();
    else point(middle());
  });
  return pointing;
}
