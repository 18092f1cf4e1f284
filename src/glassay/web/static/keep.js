// What is written in a form stays in this tab until it is saved, also when the workbench is started
// anew or the page is left. It is told by what the form is about, so that it comes back only there.
for (const form of document.querySelectorAll("form[data-keep]")) {
  const key = `kept ${form.dataset.keep}`;
  const fields = () => [...form.elements].filter((one) => one.name && one.type !== "hidden" && one.type !== "file");
  const now = () => Object.fromEntries(fields().map((one) => [one.name, one.type === "checkbox" ? String(one.checked) : one.value]));
  const shown = now();
  const kept = JSON.parse(sessionStorage.getItem(key) ?? "null");
  // A form that came back with what was wrong already holds what was written.
  const cameBack = document.querySelector(".trouble") !== null;
  // Only what was written is kept: in the other fields, what others wrote meanwhile stays.
  const written = () => {
    const values = Object.fromEntries(Object.entries(now()).filter(([name, value]) => value !== shown[name]));
    return { values, over: Object.fromEntries(Object.keys(values).map((name) => [name, shown[name]])) };
  };
  const keep = (more) => {
    const left = written();
    if (Object.keys(left.values).length) sessionStorage.setItem(key, JSON.stringify({ ...left, ...more }));
    else sessionStorage.removeItem(key);
  };
  const isNews = ([name, value]) => name in shown && value !== shown[name];

  const write = (values) => {
    for (const one of fields()) {
      if (!(one.name in values)) continue;
      if (one.type === "checkbox") one.checked = values[one.name] === "true";
      else one.value = values[one.name];
    }
  };
  if (kept && !cameBack && !kept.handed && Object.entries(kept.values).some(isNews)) {
    write(kept.values);
    const told = document.createElement("p");
    told.className = "said";
    told.setAttribute("role", "status");
    const others = Object.keys(kept.values).filter((name) => name in shown && shown[name] !== kept.over[name]);
    const said = others.map((name) => `${form.elements[name].labels?.[0]?.textContent.trim() || name}: ${shown[name] || "nothing"}`);
    told.textContent = `What you wrote here before is in the form again; it is not saved yet. ${said.length ? `Meanwhile something else was saved there (${said.join("; ")}). ` : ""}`;
    const forget = Object.assign(document.createElement("button"), { type: "button", textContent: "Forget it" });
    forget.addEventListener("click", () => {
      sessionStorage.removeItem(key);
      write(shown);
      told.remove();
    });
    told.append(forget);
    form.before(told);
  } else if (!cameBack) {
    sessionStorage.removeItem(key);
  }
  form.addEventListener("input", () => keep({}));
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    // The form is handed over only to a workbench that answers: what was written must not get lost.
    const here = await fetch("/api/run").then((one) => one.ok, () => false);
    if (!here) {
      document.getElementById("keep-state")?.remove();
      const told = Object.assign(document.createElement("p"), { id: "keep-state", className: "trouble" });
      told.setAttribute("role", "alert");
      told.textContent = "The workbench does not answer, so nothing is saved. What you wrote stays in this tab: start the workbench again, open its address in this tab, and come back to this form.";
      form.append(told);
      return;
    }
    keep({ handed: true });
    form.submit();
  });
}
