// Steps that the workbench keeps, taken back and made again; they survive what reloads the page.
const MOST_STEPS = 100; // that can be taken back

// `make` hands a step to the workbench and gives [what it told, the step as it can be turned]; `turned` is
// the step that takes one back; `show` shows what was told; `reload` fetches what holds after a failure.
export function stepsOn({ key, make, turned, show, say, reload }) {
  const buttons = { undo: document.querySelector("[data-do=undo]"), redo: document.querySelector("[data-do=redo]") };
  const steps = JSON.parse(sessionStorage.getItem(key) ?? '{"done": [], "undone": []}');
  let queue = Promise.resolve();

  function remember() {
    sessionStorage.setItem(key, JSON.stringify(steps));
    buttons.undo.disabled = !steps.done.length;
    buttons.redo.disabled = !steps.undone.length;
  }

  // One after the other: a step rests on the one before.
  function enqueue(work) {
    queue = queue.then(work).catch(async (error) => {
      say(error instanceof TypeError ? "The workbench does not answer; nothing was changed." : error.message);
      await reload().then((told) => told && show(told), () => {});
      remember();
    });
    return queue;
  }

  function step(one) {
    return enqueue(async () => {
      const [told, done] = await make(one);
      steps.done = [...steps.done, done].slice(-MOST_STEPS);
      steps.undone = [];
      remember();
      show(told);
    });
  }

  function goBack(from, to, way) {
    return enqueue(async () => {
      const one = steps[from].pop();
      if (!one) return;
      remember();
      const [told] = await make(way(one));
      steps[to].push(one);
      remember();
      show(told);
      say(from === "done" ? "Taken back." : "Made again.");
    });
  }

  // Before the viewer, which keeps keys to itself.
  addEventListener("keydown", (event) => {
    const writing = event.target.matches?.("input, textarea, select");
    if (writing || !(event.ctrlKey || event.metaKey) || !"zZyY".includes(event.key)) return;
    event.preventDefault();
    if (event.key.toLowerCase() === "y" || event.shiftKey) redo();
    else undo();
  }, true);

  const undo = () => goBack("done", "undone", turned);
  const redo = () => goBack("undone", "done", (one) => one);
  remember();
  return { step, undo, redo };
}

export async function post(address, fields) {
  const answer = await fetch(address, {
    method: "POST", headers: { accept: "application/json" }, body: new URLSearchParams(fields),
  });
  const told = await answer.json();
  if (!answer.ok) throw new Error(told.error);
  return told;
}
