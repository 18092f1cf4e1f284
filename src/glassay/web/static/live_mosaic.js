// The map that grows on the live page. The workbench places the views; here they are drawn.
const $ = (id) => document.getElementById(id);
const QUALITY = 0.95; // of the frames that become tiles: what is sent is what is filed
const REMEMBERED = "live-mosaic";

let state = null; // of the workbench: frame, tiles, version
let now = null; // what the last frame told
let asked = 0; // version that is asked for
let camera = false;
let busy = false;
const pictures = new Map();

export const growing = {
  quality: QUALITY,
  get name() { return busy ? "" : state?.name ?? ""; },
  get isOpen() { return Boolean(state && (state.tiles.length || state.held.length)); },
  hear(told) {
    if (!told || !state) return;
    now = told;
    if (told.version !== state.version && told.version !== asked) refresh(told.version);
    say(told.words);
    const way = camera ? told.way : "";
    if ($("map-way").textContent !== way) $("map-way").textContent = way;
    draw();
    point();
  },
};

export function onCamera(on) {
  camera = on;
  now = null;
  buttons();
  if (state) draw();
  point();
}

function say(words) {
  if ($("map-words").textContent !== words) $("map-words").textContent = words;
}

function buttons() {
  if (!$("map-begin")) return;
  $("map-begin").disabled = !camera || busy || Boolean(state);
  for (const id of ["map-back", "map-file"]) $(id).disabled = busy || !growing.isOpen;
  $("map-away").disabled = busy || !state;
  $("map-on").disabled = busy || Boolean(state);
  $("map-shown").hidden = !state;
}

async function ask(path, query = {}, method = "POST") {
  const answer = await fetch(`/live/mosaic${path}?${new URLSearchParams(query)}`, { method, headers: { accept: "application/json" } });
  const told = await answer.json();
  if (!answer.ok) throw new Error(told.error);
  return told;
}

const picture = (number) => {
  const key = `${state.name} ${number}`;
  if (!pictures.has(key)) {
    const image = new Image();
    image.onload = draw;
    image.src = `/live/mosaic/tile?${new URLSearchParams({ name: state.name, number })}`;
    pictures.set(key, image);
  }
  return pictures.get(key);
};

function take(told) {
  state = told;
  sessionStorage.setItem(REMEMBERED, told.name);
  buttons();
  draw();
}

async function refresh(version) {
  asked = version;
  try {
    take(await ask("", { name: state.name }, "GET"));
  } catch (error) {
    say(`The map is not told: ${error.message}`);
  } finally {
    asked = 0;
  }
}

// ---- drawing ------------------------------------------------------------------------------------
function colour(name) {
  return getComputedStyle($("map")).getPropertyValue(name).trim() || "#777";
}

function box() {
  const [w, h] = state.frame;
  const all = [...state.tiles, ...(now?.place ? [{ x: now.place[0], y: now.place[1] }] : [])];
  const xs = all.map((one) => one.x);
  const ys = all.map((one) => one.y);
  return [Math.min(...xs) - 0.75 * w, Math.min(...ys) - 0.75 * h, Math.max(...xs) + 0.75 * w, Math.max(...ys) + 0.75 * h];
}

// The tiles are drawn anew when they, the map's size or its borders change; what moves is drawn over them.
const ground = document.createElement("canvas");
const rounded = (step) => step?.map((one) => one.toFixed(2));
let groundOf = "";
let shownOf = "";

function draw() {
  const target = $("map");
  const ratio = devicePixelRatio || 1;
  const size = [target.clientWidth, target.clientHeight].map((px) => Math.max(1, Math.round(px * ratio)));
  const at = state?.tiles.length ? box() : null;
  const loaded = [...pictures.values()].filter((one) => one.complete && one.naturalWidth).length;
  const here = [state?.name, state?.version, state?.tiles.length, loaded, colour("--wash"), colour("--soft"), size, at].join();
  const shown = [here, camera && now?.place?.map((one, n) => one.toFixed(n < 2 ? 0 : 3)), rounded(now?.step)].join();
  if (shown === shownOf) return;
  shownOf = shown;
  if (here !== groundOf) {
    groundOf = here;
    [ground.width, ground.height] = size;
    hatch(ground.getContext("2d"), ground, ratio);
    tell();
    if (at) drawTiles(ground.getContext("2d"), at, ratio);
  }
  if (target.width !== size[0] || target.height !== size[1]) [target.width, target.height] = size;
  const pen = target.getContext("2d");
  pen.setTransform(1, 0, 0, 1, 0, 0);
  pen.drawImage(ground, 0, 0);
  if (!at || !now?.place || !camera) return;
  const line = ratio / laid(pen, target, at);
  view(pen, now, ...state.frame, line);
}

// The pen in the map's px; how many px of the canvas one of them takes.
function laid(pen, target, [left, top, right, bottom]) {
  const scale = Math.min(target.width / (right - left), target.height / (bottom - top));
  pen.translate((target.width - scale * (right - left)) / 2, (target.height - scale * (bottom - top)) / 2);
  pen.scale(scale, scale);
  pen.translate(-left, -top);
  return scale;
}

function drawTiles(pen, at, ratio) {
  const line = ratio / laid(pen, ground, at);
  const [w, h] = state.frame;
  for (const tile of [...state.tiles].sort((a, b) => b.soft - a.soft)) {
    const image = picture(tile.number);
    placed(pen, tile, () => {
      if (image.complete && image.naturalWidth) pen.drawImage(image, -w / 2, -h / 2, w, h);
    });
  }
  for (const tile of state.tiles.filter((one) => one.soft)) placed(pen, tile, () => cross(pen, w, h, line));
}

function placed(pen, { x, y, turn }, act) {
  pen.save();
  pen.translate(x, y);
  pen.rotate(turn);
  act();
  pen.restore();
}

function hatch(pen, target, ratio) {
  pen.fillStyle = colour("--wash");
  pen.fillRect(0, 0, target.width, target.height);
  pen.strokeStyle = colour("--soft");
  pen.globalAlpha = 0.45;
  pen.lineWidth = ratio;
  pen.beginPath();
  for (let x = -target.height; x < target.width; x += 12 * ratio) {
    pen.moveTo(x, target.height);
    pen.lineTo(x + target.height, 0);
  }
  pen.stroke();
  pen.globalAlpha = 1;
}

function cased(pen, line, act) {
  for (const [style, width] of [["#000", 5], ["#fff", 2]]) {
    pen.strokeStyle = style;
    pen.lineWidth = width * line;
    act();
  }
}

function cross(pen, w, h, line) {
  pen.setLineDash([8 * line, 6 * line]);
  cased(pen, line, () => {
    pen.beginPath();
    pen.rect(-w / 2 + 3 * line, -h / 2 + 3 * line, w - 6 * line, h - 6 * line);
    pen.moveTo(-w / 4, -h / 4);
    pen.lineTo(w / 4, h / 4);
    pen.moveTo(w / 4, -h / 4);
    pen.lineTo(-w / 4, h / 4);
    pen.stroke();
  });
  pen.setLineDash([]);
}

function view(pen, told, w, h, line) {
  placed(pen, { x: told.place[0], y: told.place[1], turn: told.place[2] }, () => {
    cased(pen, line, () => pen.strokeRect(-w / 2, -h / 2, w, h));
    cased(pen, line, () => pen.strokeRect(-w / 2 + 8 * line, -h / 2 + 8 * line, w - 16 * line, h - 16 * line));
    if (told.step) arrow(pen, told.step[0] * w, told.step[1] * h, 0.3 * Math.min(w, h), line);
  });
}

// An arrow from the middle towards (x, y), of the given length.
function arrow(pen, x, y, length, line) {
  const far = Math.hypot(x, y) || 1;
  const [dx, dy] = [(x / far) * length, (y / far) * length];
  cased(pen, 2 * line, () => {
    pen.beginPath();
    pen.moveTo(-0.4 * dx, -0.4 * dy);
    pen.lineTo(dx, dy);
    pen.moveTo(0.6 * dx - 0.35 * dy, 0.6 * dy + 0.35 * dx);
    pen.lineTo(dx, dy);
    pen.lineTo(0.6 * dx + 0.35 * dy, 0.6 * dy - 0.35 * dx);
    pen.stroke();
  });
}

// The same arrow near the border of the live picture, where the eyes are.
let pointed = "";

function point() {
  const [target, video] = [$("way"), $("video")];
  if (!target) return;
  const step = state && camera ? now?.step : null;
  const way = [rounded(step), video.videoWidth, video.videoHeight].join();
  if (way === pointed) return; // a canvas over the picture costs as much as the picture when it is drawn
  pointed = way;
  target.width = video.videoWidth || 1;
  target.height = video.videoHeight || 1;
  if (!step) return;
  const [x, y] = [now.step[0] * target.width, now.step[1] * target.height];
  const most = Math.max(Math.abs(now.step[0]), Math.abs(now.step[1])) || 1;
  const pen = target.getContext("2d");
  pen.translate(target.width / 2 + (0.4 * x) / most, target.height / 2 + (0.4 * y) / most);
  arrow(pen, x, y, target.height / 14, target.height / 500);
}

function tell() {
  const many = (n, one, more) => `${n} ${n === 1 ? one : more}`;
  if (!state) return;
  const soft = state.tiles.filter((one) => one.soft).length;
  const words = `${many(state.tiles.length, "view", "views")} on the map, ${soft} of them soft, ${many(state.gaps, "gap", "gaps")}, ${many(state.held.length, "view", "views")} without a place yet.`;
  if ($("map-counts").textContent !== words) $("map-counts").textContent = words;
  $("map").setAttribute("aria-label", `The map so far: ${words}`);
  $("live").dataset.views = state.tiles.length;
}

// ---- what a person does -------------------------------------------------------------------------
const act = (id, does) => $(id)?.addEventListener("click", async () => {
  busy = true;
  buttons();
  try {
    await does();
  } catch (error) {
    $("map-shown").hidden = false;
    say(`It did not work: ${error.message}`);
  } finally {
    busy = false;
    const hidden = $("map-shown").hidden && !state;
    buttons();
    $("map-shown").hidden = hidden && !$("map-words").textContent;
  }
});

function close(words) {
  state = null;
  now = null;
  sessionStorage.removeItem(REMEMBERED);
  buttons();
  $("guide").textContent = words;
  $("map-words").textContent = "";
  $("map-way").textContent = "";
  delete $("live").dataset.views;
  point();
}

act("map-begin", async () => {
  take(await ask("/begin", { place: $("place").value, object: $("object").value }));
  say("Rest the stage: the first steady view begins the map.");
});
act("map-on", async () => {
  take(await ask("", { name: $("map-which").value }, "GET"));
  say("Show a part that is on the map already; it is searched for.");
});
act("map-back", async () => {
  const told = await ask("/take-back", { name: state.name });
  pictures.delete(`${state.name} ${told.removed}`);
  take(told);
});
act("map-file", async () => {
  const told = await ask("/file", { name: state.name });
  const link = Object.assign(document.createElement("a"), { href: told.address, textContent: told.id });
  const item = document.createElement("li");
  item.append(`Live mosaic of ${told.views} views: `, link);
  $("taken").prepend(item);
  gone();
  close("Live mosaic filed. The mosaic command finishes it at full quality.");
});
act("map-away", async () => {
  if (!confirm("Throw away all views of this live mosaic? They cannot be brought back.")) return;
  await ask("/throw-away", { name: state.name });
  gone();
  close("Live mosaic thrown away.");
});

function gone() {
  [...$("map-which").options].find((one) => one.value === state.name)?.remove();
  $("map-waiting").hidden = !$("map-which").options.length;
}

addEventListener("resize", () => { if (state) draw(); });
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => { if (state) draw(); });
const remembered = sessionStorage.getItem(REMEMBERED);
if (remembered && [...($("map-which")?.options ?? [])].some((one) => one.value === remembered)) {
  $("map-which").value = remembered;
  $("map-on").click();
}
buttons();
