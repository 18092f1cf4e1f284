// Files dropped anywhere on the page are handed over one by one, folders included: how far that is can
// be told, it can be stopped, and what did not arrive is tried again.
const form = document.getElementById("drop");
const state = document.getElementById("drop-state");
const work = document.getElementById("drop-work");
const bar = document.getElementById("drop-bar");
const TRIES = 4;
const AT_ONCE = 2;

async function filesOf(entry, path = "") {
  if (entry.isFile) {
    const file = await new Promise((good, bad) => entry.file(good, bad));
    return [{ file, name: path + file.name }];
  }
  const reader = entry.createReader();
  const found = [];
  for (;;) {
    const some = await new Promise((good, bad) => reader.readEntries(good, bad));
    if (!some.length) return found;
    for (const one of some) found.push(...(await filesOf(one, `${path}${entry.name}/`)));
  }
}

let stopped = false;
const asking = new Set();

function handOver(address, file, onProgress) {
  return new Promise((good, bad) => {
    const request = new XMLHttpRequest();
    asking.add(request);
    request.open("POST", address);
    request.setRequestHeader("accept", "application/json");
    request.upload.onprogress = (event) => onProgress(event.loaded);
    request.onload = () => {
      asking.delete(request);
      let told = {};
      try { told = JSON.parse(request.responseText); } catch { /* no data: the status says it */ }
      if (request.status < 400) good(told);
      else bad(Object.assign(new Error(told.error ?? `refused (${request.status})`), { final: request.status !== 408 }));
    };
    request.onerror = () => { asking.delete(request); bad(new Error("the workbench does not answer")); };
    request.onabort = () => { asking.delete(request); bad(Object.assign(new Error("stopped"), { final: true })); };
    request.send(file);
  });
}

async function send(named) {
  stopped = false;
  work.hidden = false;
  const whole = named.reduce((sum, { file }) => sum + file.size, 0) || 1;
  const sent = new Map();
  let shown = 0;
  let arrived = 0;
  const tell = () => {
    const now = [...sent.values()].reduce((sum, part) => sum + part, 0) / whole;
    shown = Math.max(shown, now); // what is sent again was counted already
    bar.value = shown;
    state.textContent = `${arrived} of ${named.length} files, ${Math.floor(100 * shown)} %`;
  };
  tell();
  let batch = null;
  const left = [...named];
  async function worker() {
    for (let one = left.shift(); one && !stopped; one = left.shift()) {
      const address = `/upload/file?${new URLSearchParams({ batch, name: one.name })}`;
      for (let tries = 1; ; tries += 1) {
        try {
          await handOver(address, one.file, (bytes) => { sent.set(one, Math.max(sent.get(one) ?? 0, bytes)); tell(); });
          break;
        } catch (error) {
          if (stopped || error.final || tries >= TRIES) throw Object.assign(error, { message: `${one.name}: ${error.message}` });
          await new Promise((good) => setTimeout(good, 700 * tries));
        }
      }
      sent.set(one, one.file.size);
      arrived += 1;
      tell();
    }
  }
  try {
    batch = (await handOver("/upload/begin", null, () => {})).batch;
    await Promise.all(Array.from({ length: AT_ONCE }, worker));
    if (!stopped) location.href = `/incoming?${new URLSearchParams({ batch })}`;
  } catch (error) {
    stopped = stopped || error.message;
    for (const request of asking) request.abort();
  }
  if (!stopped) return;
  work.hidden = true;
  if (batch) await fetch("/incoming/drop", { method: "POST", body: new URLSearchParams({ batch }) }).catch(() => {});
  state.textContent = stopped === true ? "Stopped; nothing was handed over." : `Nothing was handed over: ${stopped}.`;
}

if (form) {
  document.getElementById("drop-stop").addEventListener("click", () => {
    stopped = true;
    for (const request of asking) request.abort();
  });
  addEventListener("dragover", (event) => {
    event.preventDefault();
    form.classList.add("over");
  });
  addEventListener("dragleave", () => form.classList.remove("over"));
  addEventListener("drop", async (event) => {
    event.preventDefault();
    form.classList.remove("over");
    const entries = [...event.dataTransfer.items].map((item) => item.webkitGetAsEntry?.()).filter(Boolean);
    const plain = [...event.dataTransfer.files].map((file) => ({ file, name: file.name }));
    const found = entries.length ? (await Promise.all(entries.map((entry) => filesOf(entry)))).flat() : plain;
    const named = found
      .filter(({ name }) => !name.split("/").pop().startsWith("."));
    if (named.length) send(named);
  });
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    const files = [...form.elements.files.files];
    if (files.length) send(files.map((file) => ({ file, name: file.name })));
  });
}
