// Hands files over in pieces: an interruption costs one piece, and a file goes on where it was broken off,
// also when it is picked again after the page was left.
const form = document.getElementById("hand");
const piece = +form.dataset.piece;
const list = document.getElementById("list");
const says = document.getElementById("says");
const pause = (ms) => new Promise((good) => setTimeout(good, ms));
const LONGEST_PAUSE_MS = 8000;

async function ask(address, body) {
  const answer = await fetch(address, { method: "POST", body });
  const text = await answer.text();
  let told = { error: text };
  try { told = JSON.parse(text); } catch { /* one line of text */ }
  return { ok: answer.ok, status: answer.status, ...told };
}

// What the network does is tried again; what the computer refuses is not.
async function patiently(work, line) {
  for (let tries = 0; ; tries += 1) {
    try {
      const told = await work();
      if (told.ok || told.status === 409) return told;
      if (![408, 429, 503].includes(told.status)) throw Object.assign(new Error(told.error), { final: true });
    } catch (error) {
      if (error.final) throw error;
    }
    line.note("waiting for the network …");
    await pause(Math.min(LONGEST_PAUSE_MS, 500 * 2 ** tries));
  }
}

function lineOf(file) {
  const item = document.createElement("li");
  const words = document.createElement("span");
  const bar = Object.assign(document.createElement("progress"), { max: file.size, value: 0 });
  bar.setAttribute("aria-label", `${file.name}, handed over so far`);
  item.append(words, bar);
  list.append(item);
  const note = (text) => { words.textContent = `${file.name}${text ? `: ${text}` : ""}`; };
  note("");
  return { note, at(bytes) { bar.value = Math.max(bar.value, bytes); note(""); }, end(text) { bar.remove(); note(text); } };
}

async function handOver(file) {
  const line = lineOf(file);
  try {
    const key = `${file.name} ${file.lastModified}`;
    const begun = await patiently(() => ask(`/begin?${new URLSearchParams({ name: file.name, size: file.size, key })}`), line);
    let at = begun.at;
    for (let whole = false; !whole;) {
      line.at(at);
      const from = at;
      const told = await patiently(() => ask(`/piece?${new URLSearchParams({ id: begun.id, at: from })}`, file.slice(from, from + piece)), line);
      if (told.status === 409) at = told.at;
      else { at += Math.min(piece, file.size - from); whole = told.whole; }
    }
    line.end("handed over");
    return true;
  } catch (error) {
    line.end(error.message);
    return false;
  }
}

let queue = Promise.resolve();
let picked = 0;
let over = 0;
document.getElementById("files").addEventListener("change", (event) => {
  for (const file of [...event.target.files]) {
    picked += 1;
    queue = queue.then(async () => {
      over += await handOver(file);
      says.textContent = `${over} of ${picked} handed over.`;
    });
  }
  says.textContent = `${over} of ${picked} handed over.`;
  event.target.value = "";
});

async function follow() {
  for (;;) {
    try {
      const answer = await fetch("/state");
      if (answer.status === 410) break;
      const { seconds_left: left } = await answer.json();
      document.getElementById("ends").textContent = `This page ends in ${Math.max(1, Math.round(left / 60))} min.`;
    } catch { /* out of reach for now */ }
    await pause(15000);
  }
  document.getElementById("ends").textContent = "This page has ended.";
}
follow();
addEventListener("beforeunload", (event) => { if (over < picked && list.querySelector("progress")) event.preventDefault(); });
