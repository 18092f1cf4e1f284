// A point over the photo that is dragged by mouse, finger or arrow keys, and removed by Delete.
import { toPhoto, toScreen } from "./viewer.js";

const KEY_STEP_PX = 1; // of the screen; ten times as much with Shift
const KEYS_SETTLE_MS = 700; // after the last arrow key the moved point is kept

// `at` gives the point now, px of the photo; `begin` is called before the first move, `moved` with every
// new point, `settle` when it stays, `remove` when it is to go.
export function handleOn({ viewer, element, name, label, at, begin, moved, settle, remove }) {
  const item = document.createElement("button");
  item.type = "button";
  item.className = "handle";
  item.dataset.handle = name;
  item.setAttribute("aria-label", label);
  let moving = false;
  let timer = 0;
  const start = () => {
    if (moving) return;
    moving = true;
    begin();
  };
  const end = () => {
    clearTimeout(timer);
    if (!moving) return;
    moving = false;
    settle();
  };
  item.addEventListener("pointerdown", (event) => {
    if (event.button) return;
    item.setPointerCapture(event.pointerId);
    start();
  });
  item.addEventListener("pointermove", (event) => {
    if (!moving || !item.hasPointerCapture(event.pointerId)) return;
    const frame = element.getBoundingClientRect();
    moved(toPhoto(viewer, new OpenSeadragon.Point(event.clientX - frame.left, event.clientY - frame.top)));
  });
  item.addEventListener("pointerup", end);
  item.addEventListener("blur", end);
  item.addEventListener("keydown", (event) => {
    const way = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
    if (event.key === "Delete" || event.key === "Backspace") {
      event.preventDefault();
      moving = false;
      clearTimeout(timer);
      remove();
      viewer.canvas.focus();
    }
    if (!way) return;
    event.preventDefault();
    event.stopPropagation();
    start();
    const far = KEY_STEP_PX * (event.shiftKey ? 10 : 1);
    const now = toScreen(viewer, at());
    moved(toPhoto(viewer, new OpenSeadragon.Point(now.x + far * way[0], now.y + far * way[1])));
    clearTimeout(timer);
    timer = setTimeout(end, KEYS_SETTLE_MS);
  });
  return item;
}

// Elements of the page that stay on points of the photo while it moves.
export function placedOn(viewer, element) {
  let placed = [];
  function place() {
    if (!viewer.world.getItemAt(0)) return;
    for (const { item, at } of placed) {
      const where = toScreen(viewer, at());
      item.style.left = `${where.x}px`;
      item.style.top = `${where.y}px`;
    }
  }
  viewer.addHandler("placed", place);
  return {
    place,
    add(item, at) {
      element.append(item);
      placed.push({ item, at });
    },
    clear() {
      for (const { item } of placed) item.remove();
      placed = [];
    },
    refocus(name) {
      if (name) element.querySelector(`[data-handle="${CSS.escape(name)}"]`)?.focus({ preventScroll: true });
    },
  };
}
