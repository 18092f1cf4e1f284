// Files dropped anywhere on the page are handed over at once, folders included.
const form = document.getElementById("drop");
const state = document.getElementById("drop-state");

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

function send(named) {
  const body = new FormData();
  for (const { file, name } of named) body.append("files", file, name);
  const request = new XMLHttpRequest();
  request.open("POST", "/upload");
  request.upload.onprogress = (event) => {
    state.textContent = `${Math.round((100 * event.loaded) / event.total)} % handed over`;
  };
  request.onload = () => {
    if (request.status < 400) location.href = request.responseURL;
    else state.textContent = "They could not be taken; there may be too many at once.";
  };
  request.onerror = () => { state.textContent = "The workbench does not answer; is it still open?"; };
  state.textContent = `${named.length} files …`;
  request.send(body);
}

if (form) {
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
