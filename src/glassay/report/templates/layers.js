// Layers of a die laid over each other: a slider and a blink. Without this script every layer is a picture of
// its own, and nothing is missing.
(() => {
  const BLINK_MS = 700; // well below three changes a second (WCAG 2.2, 2.3.1)
  const calm = matchMedia("(prefers-reduced-motion: reduce)");

  function make(tag, properties, ...inner) {
    const made = Object.assign(document.createElement(tag), properties);
    made.append(...inner);
    return made;
  }

  function stack(layers) {
    const figures = [...layers.querySelectorAll(".layer")];
    if (figures.length < 2) return;
    const [base, ...others] = figures;
    const under = base.querySelector(".laid");
    const captions = figures.map((one) => one.querySelector("figcaption"));
    const pieces = others.map((one) => one.querySelector(".laid"));
    const names = others.map((_, n) => captions[n + 1].querySelector("b").textContent);
    const choice = make("select", {}, ...names.map((name, n) => make("option", { value: n, textContent: name })));
    const slide = make("input", { type: "range", min: 0, max: 100, value: 50, step: 1 });
    const blink = make("button", { type: "button", textContent: calm.matches ? "Swap" : "Blink" });
    const marks = make("button", { type: "button", textContent: "Marks" });
    const split = make("span", { className: "split" });
    const said = make("p", { className: "layers-said" });
    blink.setAttribute("aria-pressed", "false");
    marks.setAttribute("aria-pressed", "true");
    said.setAttribute("role", "status");
    const bar = make("div", { className: "layers-bar" },
      make("label", {}, "Over it", choice), make("label", {}, "Boundary", slide), blink, marks);
    let timer = 0;

    const over = () => pieces[Number(choice.value)];
    function show() {
      for (const piece of pieces) piece.remove();
      over().classList.add("over");
      under.append(over(), split);
      said.replaceChildren(...captions[Number(choice.value) + 1].cloneNode(true).childNodes);
      place();
    }
    function place() {
      // while it blinks or is swapped, the layer is seen whole or not at all
      const whole = blink.getAttribute("aria-pressed") === "true";
      under.style.setProperty("--from", whole ? "0%" : `${slide.value}%`);
      split.hidden = whole;
      slide.setAttribute("aria-valuetext", `${names[Number(choice.value)]} to the right of ${slide.value} %`);
    }
    function stop() {
      clearInterval(timer);
      timer = 0;
      blink.setAttribute("aria-pressed", "false");
      over().classList.remove("away");
      place();
    }
    function start() {
      blink.setAttribute("aria-pressed", "true");
      place();
      if (!calm.matches) timer = setInterval(() => over().classList.toggle("away"), BLINK_MS);
    }
    choice.addEventListener("change", () => { stop(); show(); });
    slide.addEventListener("input", () => { stop(); place(); });
    blink.addEventListener("click", () => (blink.getAttribute("aria-pressed") === "true" ? stop() : start()));
    marks.addEventListener("click", () => {
      const bare = layers.classList.toggle("bare");
      marks.setAttribute("aria-pressed", String(!bare));
    });
    bar.addEventListener("keydown", (event) => { if (event.key === "Escape") stop(); });
    document.addEventListener("visibilitychange", () => { if (document.hidden && timer) stop(); });
    for (const one of others) one.hidden = true;
    const picture = under.querySelector("img");
    layers.style.setProperty("--wide", String(picture.width / picture.height));
    layers.classList.add("stacked");
    layers.before(bar);
    layers.after(said);
    show();
  }

  for (const layers of document.querySelectorAll(".layers")) stack(layers);
})();
