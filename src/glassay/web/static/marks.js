// Measurements by hand on the photo: drawn with their values, dragged by their points, taken back and
// made again. The workbench keeps and works them out; nothing is calculated here.
import { handleOn, placedOn } from "./handles.js";
import { post, stepsOn } from "./steps.js";
import { draw, screenPxPerPhotoPx } from "./viewer.js";

export const MOST_HANDLES = 400; // points that can be dragged at once; with more, all are only drawn

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
  const ask = asker(data);
  let marks = data.marks;
  let drawn = [];
  const placed = placedOn(viewer, element);

  function redraw() {
    const focused = document.activeElement?.dataset?.handle;
    for (const shape of drawn) shape.remove();
    placed.clear();
    drawn = [];
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
      placed.add(label, () => mark.points[mark.kind === "angle" ? 1 : 0]);
      if (points <= MOST_HANDLES) mark.points.forEach((_, index) => placed.add(handle(mark, index), () => mark.points[index]));
    }
    placed.place();
    placed.refocus(focused);
  }

  function handle(mark, index) {
    let before = null;
    return handleOn({
      viewer, element,
      name: `${mark.id} ${index}`,
      label: `Point ${index + 1} of measurement ${mark.number}, ${mark.words || mark.why}: arrow keys move it, Delete removes the measurement`,
      at: () => mark.points[index],
      begin: () => { before = structuredClone(plain(mark)); },
      moved: (point) => {
        mark.points[index] = onPhoto(data, point);
        mark.pointing_px[index] = pointingNow(viewer, data);
        for (const shape of mark.shapes) shape.setAttribute("d", path(mark.points, mark.kind === "area"));
        placed.place();
        ask(mark, (words) => { mark.value.textContent = words; });
      },
      settle: () => {
        if (JSON.stringify(before.points) !== JSON.stringify(mark.points)) steps.step({ what: "change", before, mark: plain(mark) });
      },
      remove: () => steps.step({ what: "remove", mark: plain(mark) }),
    });
  }

  const plain = ({ id, kind, points, pointing_px, count, note }) => structuredClone({ id, kind, points, pointing_px, count, note });

  // ---- kept by the workbench, and taken back ----------------------------------------------------
  function handOver({ what, mark }) {
    if (what === "remove") return post("/capture/unmark", { id: data.id, mark: mark.id });
    const named = mark.id ? { mark: mark.id } : {};
    return post(what === "change" ? "/capture/mark/change" : "/capture/mark", { id: data.id, ...inForm(mark), ...named });
  }

  function show(told) {
    marks = told.marks;
    table.innerHTML = told.table;
    redraw();
  }

  const steps = stepsOn({
    key: `undo ${data.id}`, show, say,
    make: async (one) => {
      const told = await handOver(one);
      return [told, { ...one, mark: { ...one.mark, id: told.id } }];
    },
    turned: (one) => ({
      what: { keep: "remove", remove: "keep", change: "change" }[one.what], mark: one.before ?? one.mark,
      before: one.what === "change" ? one.mark : undefined,
    }),
    reload: async () => {
      const answer = await fetch(`/capture/marks?${new URLSearchParams({ id: data.id })}`);
      return answer.ok ? answer.json() : null;
    },
  });

  table.addEventListener("submit", (event) => {
    const mark = marks.find((one) => one.id === event.target.elements.mark?.value);
    if (!mark) return;
    event.preventDefault();
    steps.step({ what: "remove", mark: plain(mark) });
  });
  viewer.addHandler("open", redraw);

  return {
    keep: (mark) => steps.step({ what: "keep", mark: { note: "", ...mark } }),
    undo: steps.undo,
    redo: steps.redo,
  };
}
