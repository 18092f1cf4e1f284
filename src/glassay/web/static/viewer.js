// A photo in tiles, with an SVG over it that is drawn in px of the photo at any zoom.
const SVG = "http://www.w3.org/2000/svg";
const MOVES = ["open", "update-viewport", "resize", "animation"];

export function tilesOf(data) {
  return {
    width: data.width,
    height: data.height,
    tileSize: data.tile,
    tileOverlap: 0,
    minLevel: 0,
    maxLevel: Math.ceil(Math.log2(Math.max(data.width, data.height))),
    getTileUrl: (level, x, y) =>
      `/tile?id=${encodeURIComponent(data.id)}&level=${level}&x=${x}&y=${y}&v=${data.stamp}`,
  };
}

export function openViewer(element, data, options = {}) {
  element.classList.add("live-view");
  element.replaceChildren();
  const viewer = window.OpenSeadragon({
    element,
    tileSources: tilesOf(data),
    showNavigationControl: false,
    drawer: "canvas",
    animationTime: 0.25,
    maxZoomPixelRatio: 24,
    minZoomImageRatio: 0.5,
    visibilityRatio: 0.2,
    imageSmoothingEnabled: true,
    gestureSettingsMouse: { clickToZoom: false },
    gestureSettingsTouch: { clickToZoom: false },
    gestureSettingsPen: { clickToZoom: false },
    keyboardNavEnabled: true,
    ...options,
  });
  // A photo is measured as it lies: no key turns or mirrors it. Arrows, plus, minus and 0 remain.
  viewer.addHandler("canvas-key", (event) => {
    if (!/^(Arrow|[-+=0]$)/.test(event.originalEvent.key)) event.preventDefaultAction = true;
  });
  // Taking the focus must not scroll the page: the next click would point at another place.
  viewer.canvas.focus = () => HTMLElement.prototype.focus.call(viewer.canvas, { preventScroll: true });
  return viewer;
}

export function overlayOn(viewer, element) {
  const svg = document.createElementNS(SVG, "svg");
  svg.setAttribute("class", "overlay");
  svg.setAttribute("preserveAspectRatio", "none");
  svg.setAttribute("aria-hidden", "true");
  element.append(svg);
  const place = () => {
    const image = viewer.world.getItemAt(0);
    if (!image) return;
    const size = viewer.viewport.getContainerSize();
    const a = image.viewerElementToImageCoordinates(new OpenSeadragon.Point(0, 0));
    const b = image.viewerElementToImageCoordinates(new OpenSeadragon.Point(size.x, size.y));
    // Picture coordinates count from the corner of the first px, ours from its middle.
    svg.setAttribute("viewBox", `${a.x - 0.5} ${a.y - 0.5} ${b.x - a.x} ${b.y - a.y}`);
    viewer.raiseEvent("placed");
  };
  for (const event of MOVES) viewer.addHandler(event, place);
  return svg;
}

export function draw(svg, tag, classes, attributes) {
  const made = [];
  for (const layer of ["casing", "line"]) {
    const shape = document.createElementNS(SVG, tag);
    shape.setAttribute("class", `${layer} ${classes}`);
    for (const [name, value] of Object.entries(attributes)) shape.setAttribute(name, value);
    svg.append(shape);
    made.push(shape);
  }
  return made;
}

// px of the photo from a place within the viewer, and back.
export function toPhoto(viewer, point) {
  const p = viewer.world.getItemAt(0).viewerElementToImageCoordinates(point);
  return [p.x - 0.5, p.y - 0.5];
}
export function toScreen(viewer, [x, y]) {
  return viewer.world.getItemAt(0).imageToViewerElementCoordinates(new OpenSeadragon.Point(x + 0.5, y + 0.5));
}
export function screenPxPerPhotoPx(viewer) {
  const item = viewer.world.getItemAt(0);
  return item.viewportToImageZoom ? item.viewportToImageZoom(viewer.viewport.getZoom(true)) : 1;
}

export function niceLength(most) {
  const decade = 10 ** Math.floor(Math.log10(most));
  return Math.max(...[1, 2, 5].map((step) => step * decade).filter((length) => length <= most));
}
export function sayLength(um) {
  if (um >= 1e3) return `${+(um / 1e3).toPrecision(4)} mm`;
  return `${+um.toPrecision(4)} µm`;
}

// A scale bar of a round length that follows the zoom.
export function ruleOn(viewer, element, pixelUm) {
  const rule = document.createElement("span");
  rule.className = "scale-rule";
  element.append(rule);
  const place = () => {
    const perUm = screenPxPerPhotoPx(viewer) / pixelUm;
    const length = niceLength((0.3 * element.clientWidth) / perUm);
    rule.style.width = `${length * perUm}px`;
    rule.textContent = sayLength(length);
  };
  for (const event of MOVES) viewer.addHandler(event, () => viewer.world.getItemAt(0) && place());
}
