// A die's photo to look at closely, from tiles that lie beside the page. Without this script the page
// shows the whole photo, and nothing is missing but the zoom.
(() => {
  const told = JSON.parse(document.getElementById("picture").textContent);
  const closer = document.getElementById("closer");
  const opener = document.getElementById("look-closer");
  const deep = closer.querySelector(".deep");
  const drawn = document.querySelector(".evidence .drawn");
  const stage = document.querySelector(".evidence .stage");
  const bare = document.querySelector(".evidence .bare");
  const toggle = document.querySelector(".evidence .toggle");

  const many = told.reduced || 1; // px of the tiles that are one of the marks
  const LETTERS_PX = 18; // labels grow with the photo no further than this

  function niceLength(most) {
    const decade = 10 ** Math.floor(Math.log10(most));
    return Math.max(...[1, 2, 5].map((step) => step * decade).filter((length) => length <= most));
  }

  function open(bidden) {
    closer.hidden = false;
    stage.hidden = true;
    toggle.hidden = true;
    bare.hidden = true;
    opener.hidden = true;
    const viewer = window.OpenSeadragon({
      element: deep,
      tileSources: told.tiles,
      showNavigationControl: false,
      drawer: "canvas",
      animationTime: 0.25,
      maxZoomPixelRatio: 16,
      visibilityRatio: 0.3,
      gestureSettingsMouse: { clickToZoom: false },
    });
    // The photo is shown as it lies: no key turns or mirrors it.
    viewer.addHandler("canvas-key", (event) => {
      if (!/^(Arrow|[-+=0]$)/.test(event.originalEvent.key)) event.preventDefaultAction = true;
    });
    const marks = document.createElementNS("http://www.w3.org/2000/svg", "svg");
    marks.setAttribute("preserveAspectRatio", "none");
    marks.setAttribute("aria-hidden", "true");
    marks.setAttribute("class", "photo");
    const copy = drawn.cloneNode(true);
    for (const bar of copy.querySelectorAll(".bar, text[data-bar]")) bar.remove();
    const labels = [...copy.querySelectorAll("text")].map((text) => [text, Number(text.getAttribute("font-size"))]);
    marks.append(copy);
    deep.append(marks);
    const rule = document.createElement("span");
    rule.className = "rule";
    if (told.pixel_um) deep.append(rule);

    function place() {
      const image = viewer.world.getItemAt(0);
      if (!image) return;
      const size = viewer.viewport.getContainerSize();
      const a = image.viewerElementToImageCoordinates(new OpenSeadragon.Point(0, 0));
      const b = image.viewerElementToImageCoordinates(new OpenSeadragon.Point(size.x, size.y));
      // The viewer counts from the corner of the first px, the marks from its middle.
      marks.setAttribute("viewBox", `${a.x / many - 0.5} ${a.y / many - 0.5} ${(b.x - a.x) / many} ${(b.y - a.y) / many}`);
      const perPx = (many * size.x) / (b.x - a.x);
      for (const [text, most] of labels) text.setAttribute("font-size", Math.min(most, LETTERS_PX / perPx));
      if (told.pixel_um) {
        const perUm = perPx / told.pixel_um;
        const length = niceLength((0.3 * size.x) / perUm);
        rule.style.width = `${length * perUm}px`;
        rule.textContent = length >= 1000 ? `${length / 1000} mm` : `${+length.toPrecision(4)} µm`;
      }
    }
    for (const event of ["open", "update-viewport", "resize", "animation"]) viewer.addHandler(event, place);
    closer.addEventListener("click", (event) => {
      const does = event.target.dataset ? event.target.dataset.does : "";
      if (does === "in") viewer.viewport.zoomBy(1.6);
      if (does === "out") viewer.viewport.zoomBy(1 / 1.6);
      if (does === "whole") viewer.viewport.goHome();
      if (does === "marks") {
        const some = event.target.dataset.of;
        const hidden = closer.classList.toggle(some ? `no-${some}` : "bare");
        event.target.setAttribute("aria-pressed", String(!hidden));
      }
    });
    if (bidden) closer.querySelector("button").focus();
  }

  opener.hidden = false;
  opener.addEventListener("click", open);
  if (told.open) open();
})();
