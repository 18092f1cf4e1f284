// Follows the run under way: the words in the navigation everywhere, the bar on its own page.
const words = document.getElementById("at-work");
const box = document.getElementById("run");

function show(state) {
  words.hidden = state.word !== "running";
  const all = state.total ? ` ${state.done} of ${state.total}` : "";
  words.textContent = `${state.mosaic ? "drawing a mosaic" : "measuring"}${all} …`;
  if (!box || box.dataset.word !== "running") return;
  document.getElementById("run-says").textContent =
    state.total ? `${state.done} of ${state.total} ${state.mosaic ? "steps" : "measurements"}. ${state.capture} ${state.status}` : "Looking at the files …";
  const bar = document.getElementById("run-bar");
  bar.max = state.total || 1;
  bar.value = state.done;
}

if (!words.hidden || (box && box.dataset.word === "running")) {
  const told = new EventSource("/run/events");
  told.onmessage = (event) => {
    const state = JSON.parse(event.data);
    show(state);
    if (state.word === "running") return;
    told.close();
    if (box || document.getElementById("look-form")) location.reload();
  };
}
