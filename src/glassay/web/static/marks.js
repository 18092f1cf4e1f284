// Measurements by hand on the photo: drawn with their values, dragged by their points, taken back and
// made again. The workbench keeps and works them out; nothing is calculated here.
import { draw, screenPxPerPhotoPx, toPhoto, toScreen } from "./viewer.js";

const MOST_HANDLES = 400; // points that can be dragged at once; with more, all are only drawn
const MOST_STEPS = 100; // that can be taken back
const KEY_STEP_PX = 1; // of the screen; ten times as much with Shift
const KEYS_SETTLE_MS = 700; // after the last arrow key the moved point is kept

export const path = (points, closed) => `M${points.map((p) => p.join(" ")).join("L")}${closed ? "Z" : ""}`;
const inForm = (mark) => ({
  kind: mark.kind, count: mark.count, note: mark.note,
  points: mark.points.map((p) => p.map((v) => v.toFixed(3)).join(",")).join(" "),
  pointing: mark.pointing_px.map((u) => u.toFixed(4)).join(" "),
});

export function onPhoto(data, [x, y]) {
  return [Math.min(Math.max(x, -0.5), data.width - 0.5), Math.min(Math.max(y, -0.5), data.height - 0.5)];
}
export const pointingNow = (viewer, data) => Math.max(data.pointing_screen_px / screenPxPerPhotoPx(viewer), 0.001);

// Asks for the value of a measurement that is not kept, one question at a time, the newest first.
export function asker(data) {
  let busy = false;
  let next = null;
  return async function ask(mark, tell) {
    next = [mark, tell];
    if (busy) return;
    busy = true;
    while (next) {
      const [now, say] = next;
      next = null;
      const { note, ...query } = inForm(now);
      const told = await fetch(`/capture/work-out?${new URLSearchParams({ id: data.id, ...query })}`)
        .then((answer) => (answer.ok ? answer.json() : { words: "" }), () => ({ words: "" }));
      if (!next) say(told.words);
    }
    busy = false;
  };
}

export function keptMarks({ viewer, element, svg, data, say }) {
  const table = document.getElementById("marks-table");
  const buttons = { undo: document.querySelector("[data-do=undo]"), redo: document.querySelector("[data-do=redo]") };
  const key = `undo ${data.id}`;
  const steps = JSON.parse(sessionStorage.getItem(key) ?? '{"done": [], "undone": []}');
  const ask = asker(data);
  let marks = data.marks;
  let drawn = [];
  let placed = []; // elements of the page, each with the point of the photo that it stays on
  let queue = Promise.resolve();

  function redraw() {
    const focused = document.activeElement?.dataset?.handle;
    for (const shape of drawn) shape.remove();
    for (const { item } of placed) item.remove();
    drawn = [];
    placed = [];
    const points = marks.reduce((sum, mark) => sum + mark.points.length, 0);
    for (const mark of marks) {
      mark.shapes = draw(svg, "path", "hand", { d: path(mark.points, mark.kind === "area") });
      drawn.push(...mark.shapes);
      const label = document.createElement("span");
      label.className = "label";
      // The number is set apart: "1 861 µm" would be read as a thousand more.
      const number = Object.assign(document.createElement("b"), { className: "number", textContent: mark.number });
      const value = Object.assign(document.createElement("span"), { textContent: mark.words });
      label.append(number, value);
      mark.value = value;
      add(label, () => mark.points[mark.kind === "angle" ? 1 : 0]);
      if (points <= MOST_HANDLES) mark.points.forEach((_, index) => add(handle(mark, index), () => mark.points[index]));
    }
    place();
    if (focused) element.querySelector(`[data-handle="${CSS.escape(focused)}"]`)?.focus({ preventScroll: true });
  }

  function add(item, at) {
    element.append(item);
    placed.push({ item, at });
  }

  function place() {
    if (!viewer.world.getItemAt(0)) return;
    for (const { item, at } of placed) {
      const where = toScreen(viewer, at());
      item.style.left = `${where.x}px`;
      item.style.top = `${where.y}px`;
    }
  }
  viewer.addHandler("placed", place);

  function handle(mark, index) {
    const item = document.createElement("button");
    item.type = "button";
    item.className = "handle";
    item.dataset.handle = `${mark.id} ${index}`;
    item.setAttribute("aria-label", `Point ${index + 1} of measurement ${mark.number}, ${mark.words || mark.why}: arrow keys move it, Delete removes the measurement`);
    let before = null;
    let timer = 0;
    const begin = () => { before ??= structuredClone(plain(mark)); };
    const settle = () => {
      clearTimeout(timer);
      const old = before;
      before = null;
      if (old && JSON.stringify(old.points) !== JSON.stringify(mark.points)) step({ what: "change", before: old, mark: plain(mark) });
    };
    const moveTo = (screen) => {
      mark.points[index] = onPhoto(data, toPhoto(viewer, screen));
      mark.pointing_px[index] = pointingNow(viewer, data);
      for (const shape of mark.shapes) shape.setAttribute("d", path(mark.points, mark.kind === "area"));
      place();
      ask(mark, (words) => { mark.value.textContent = words; });
    };
    item.addEventListener("pointerdown", (event) => {
      if (event.button) return;
      item.setPointerCapture(event.pointerId);
      begin();
    });
    item.addEventListener("pointermove", (event) => {
      if (!before || !item.hasPointerCapture(event.pointerId)) return;
      const frame = element.getBoundingClientRect();
      moveTo(new OpenSeadragon.Point(event.clientX - frame.left, event.clientY - frame.top));
    });
    item.addEventListener("pointerup", settle);
    item.addEventListener("blur", settle);
    item.addEventListener("keydown", (event) => {
      const way = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
      if (event.key === "Delete" || event.key === "Backspace") {
        event.preventDefault();
        before = null;
        clearTimeout(timer);
        step({ what: "remove", mark: plain(mark) });
        viewer.canvas.focus();
      }
      if (!way) return;
      event.preventDefault();
      event.stopPropagation();
      begin();
      const far = KEY_STEP_PX * (event.shiftKey ? 10 : 1);
      const now = toScreen(viewer, mark.points[index]);
      moveTo(new OpenSeadragon.Point(now.x + far * way[0], now.y + far * way[1]));
      clearTimeout(timer);
      timer = setTimeout(settle, KEYS_SETTLE_MS);
    });
    return item;
  }

  const plain = ({ id, kind, points, pointing_px, count, note }) => structuredClone({ id, kind, points, pointing_px, count, note });

  // ---- kept by the workbench, and taken back ----------------------------------------------------
  function handOver({ what, mark }) {
    if (what === "remove") return post("/capture/unmark", { mark: mark.id });
    const named = mark.id ? { mark: mark.id } : {};
    return post(what === "change" ? "/capture/mark/change" : "/capture/mark", { ...inForm(mark), ...named });
  }

  async function post(address, fields) {
    const answer = await fetch(address, {
      method: "POST", headers: { accept: "application/json" }, body: new URLSearchParams({ id: data.id, ...fields }),
    });
    const told = await answer.json();
    if (!answer.ok) throw new Error(told.error);
    return told;
  }

  const turned = (one) => ({
    what: { keep: "remove", remove: "keep", change: "change" }[one.what], mark: one.before ?? one.mark,
    before: one.what === "change" ? one.mark : undefined,
  });

  // One after the other: a step rests on the one before.
  function enqueue(work) {
    queue = queue.then(work).catch(async (error) => {
      say(error instanceof TypeError ? "The workbench does not answer; nothing was changed." : error.message);
      await fetch(`/capture/marks?${new URLSearchParams({ id: data.id })}`).then(async (answer) => answer.ok && show(await answer.json()), () => {});
    });
    return queue;
  }

  function step(one) {
    return enqueue(async () => {
      const told = await handOver(one);
      steps.done = [...steps.done, { ...one, mark: { ...one.mark, id: told.id } }].slice(-MOST_STEPS);
      steps.undone = [];
      show(told);
    });
  }

  function goBack(from, to, way) {
    return enqueue(async () => {
      const one = steps[from].pop();
      if (!one) return;
      remember();
      const told = await handOver(way(one));
      steps[to].push(one);
      show(told);
      say(from === "done" ? "Taken back." : "Made again.");
    });
  }

  function remember() {
    sessionStorage.setItem(key, JSON.stringify(steps));
    buttons.undo.disabled = !steps.done.length;
    buttons.redo.disabled = !steps.undone.length;
  }

  function show(told) {
    marks = told.marks;
    table.innerHTML = told.table;
    remember();
    redraw();
  }

  table.addEventListener("submit", (event) => {
    const mark = marks.find((one) => one.id === event.target.elements.mark?.value);
    if (!mark) return;
    event.preventDefault();
    step({ what: "remove", mark: plain(mark) });
  });
  remember();
  viewer.addHandler("open", redraw);

  return {
    keep: (mark) => step({ what: "keep", mark: { note: "", ...mark } }),
    undo: () => goBack("done", "undone", turned),
    redo: () => goBack("undone", "done", (one) => one),
  };
}
