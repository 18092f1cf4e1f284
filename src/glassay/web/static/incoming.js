// Choosing something for one file carries on to the files below that nothing is chosen for yet.
for (const kind of ["place", "object"]) {
  const selects = [...document.querySelectorAll(`select.${kind}`)];
  selects.forEach((select, index) => select.addEventListener("change", () => {
    for (const later of selects.slice(index + 1)) if (!later.value) later.value = select.value;
  }));
}
// What is not taken need not be answered.
for (const box of document.querySelectorAll(".confirm .take input")) {
  const row = box.closest("li");
  const settle = () => row.querySelectorAll("select").forEach((select) => { select.required = box.checked; });
  box.addEventListener("change", settle);
  settle();
}
