// The live page: the browser's camera, frames sent one at a time to be judged, takes filed.
import { drawn, encoded, frameOf, newCamera } from "./live_frames.js";
import { growing, onCamera } from "./live_mosaic.js";
import { niceLength, sayLength } from "./viewer.js";

const MODES = [[7680, 4320], [3840, 2160], [2592, 1944], [1920, 1080], [1600, 1200], [1280, 960], [1280, 720], [640, 480]];
const STALLED_MS = 3000; // no frame for so long ends an endurance run
const FOCUS_RUN = { photos: 12, everyMs: 500 };
const REPEATS_BORNE = 20; // frames; after that the workbench says that the camera repeats itself
const PIECE_MS = 1000;
const FIRST_PIECE_BYTES = 1000;
const SCALE_LASTS_MS = 4000; // as long as the workbench itself keeps one
const PIECE_TRIES = 3;
const UNDER_WAY = 2; // frames: one is judged while the next one is handed over
const LOOK_WHILE_RECORDING_MS = 500; // the recorder needs the processor more than the meters do

const $ = (id) => document.getElementById(id);
const video = $("video");
const newSession = () => [...crypto.getRandomValues(new Uint8Array(8))].map((b) => b.toString(16).padStart(2, "0")).join("");
const session = newSession();
let stream = null;
let seen = null;
let seenAt = 0;
let fresh = 1;
let changes = 0; // of object, setting and camera: answers to what was asked before one are not shown
let looking = false;
let latest = 0; // number of the last frame that was told of
let frames = [];
let lastFrame = 0;
let recorder = null;
let unfiled = 0; // recordings that could not be filed yet

const say = (text) => { $("guide").textContent = text; };
const tell = (id, text) => { $(id).textContent = text; };

if ($("live")) {
  $("live").hidden = false;
  $("no-script").remove();
  if (!navigator.mediaDevices) say("This browser gives no access to cameras.");
}

// ---- the camera ---------------------------------------------------------------------------------
async function start(deviceId, mode) {
  recorder?.finish("another camera or picture size was chosen");
  stop();
  const wanted = { deviceId: deviceId ? { exact: deviceId } : undefined };
  const [width, height] = mode || [3840, 2160];
  Object.assign(wanted, { width: { ideal: width }, height: { ideal: height }, frameRate: { ideal: 60 } });
  try {
    stream = await navigator.mediaDevices.getUserMedia({ video: wanted, audio: false });
  } catch (error) {
    say(error.name === "NotAllowedError" ? "The browser was not allowed to use the camera."
      : error.name === "NotFoundError" ? "No camera was found; is the microscope plugged in?"
        : `The camera could not be started (${error.name}).`);
    return;
  }
  video.srcObject = stream;
  const track = stream.getVideoTracks()[0];
  track.addEventListener("ended", () => ended("the camera was gone"));
  await listCameras(track);
  listModes(track, mode);
  fresh = 1;
  frames = [];
  newCamera();
  say("");
  for (const id of ["photo", "pair", "run", "clip", "endurance", "picture", "again"]) $(id).disabled = false;
  $("start").textContent = "Stop the camera";
  onCamera(true);
  video.requestVideoFrameCallback(onFrame);
  if (!looking) look();
}

function stop() {
  for (const track of stream?.getTracks() ?? []) track.stop();
  stream = null;
  forget();
  for (const id of ["photo", "pair", "run", "clip", "endurance", "picture", "again"]) $(id).disabled = true;
  $("start").textContent = "Start the camera";
  onCamera(false);
}

async function listCameras(track) {
  const devices = (await navigator.mediaDevices.enumerateDevices()).filter((d) => d.kind === "videoinput");
  const now = track.getSettings().deviceId;
  $("camera").replaceChildren(...devices.map((d, n) => new Option(d.label || `camera ${n + 1}`, d.deviceId, false, d.deviceId === now)));
  $("camera").disabled = false;
}

function listModes(track, mode) {
  const can = track.getCapabilities?.() ?? {};
  const most = [can.width?.max ?? Infinity, can.height?.max ?? Infinity];
  const listed = MODES.filter(([w, h]) => w <= most[0] && h <= most[1]);
  if (Number.isFinite(most[0]) && !listed.some(([w, h]) => w === most[0] && h === most[1])) listed.unshift(most);
  const chosen = mode ?? listed[0];
  $("mode").replaceChildren(...listed.map(([w, h]) => new Option(`${w} × ${h}`, `${w} ${h}`, false, chosen && w === chosen[0] && h === chosen[1])));
  $("mode").disabled = false;
  const rate = can.frameRate?.max ? `, up to ${Math.round(can.frameRate.max)} frames/s offered` : "";
  tell("m-asked", `${chosen ? chosen.join(" × ") : "the largest"}${rate}`);
}

function onFrame(now) {
  if (!stream) return;
  lastFrame = performance.now();
  frames.push(now);
  while (frames[0] < now - 2000) frames.shift();
  const rate = period() && 1000 / period();
  tell("m-delivered", `${video.videoWidth} × ${video.videoHeight}${rate ? `, ${rate.toFixed(1)} frames/s` : ""}`);
  video.requestVideoFrameCallback(onFrame);
}

// ms between the camera's frames, lately.
const period = () => (frames.length > 2 ? (frames.at(-1) - frames[0]) / (frames.length - 1) : 0);

const nextFrame = () => new Promise((good) => video.requestVideoFrameCallback(() => good()));

// A canvas of the video's size; one that has it already is left as it is, for its memory's sake.
function sized(one) {
  if (one.width !== video.videoWidth) one.width = video.videoWidth;
  if (one.height !== video.videoHeight) one.height = video.videoHeight;
  return one;
}

// ---- frames judged: one is on its way while another is judged --------------------------------------
// The camera's next frame, with what it is asked for; null where there is none any more.
async function shot() {
  if (recorder) await new Promise((good) => setTimeout(good, LOOK_WHILE_RECORDING_MS));
  await nextFrame();
  if (!stream || !video.videoWidth) return null;
  const [asked, mosaic] = [changes, growing.name];
  return { asked, mosaic, ...await frameOf(video, mosaic ? growing.quality : 0.92) };
}

async function judge({ asked, mosaic, body, type, how, number }) {
  if (asked !== changes || mosaic !== growing.name) return; // of what was chosen before
  try {
    const query = new URLSearchParams({ session, ...place(), fresh, mosaic, ...how });
    const answer = await fetch(`/live/frame?${query}`, {
      method: "POST", body, headers: { "content-type": type, accept: "application/json" },
    });
    const told = await answer.json();
    if (!answer.ok) throw new Error(told.error);
    if (asked !== changes || number < latest) return;
    latest = number;
    fresh = 0;
    show(told);
  } catch (error) {
    say(`The workbench does not follow: ${error.message}`);
    await new Promise((good) => setTimeout(good, 1000));
  }
}

// A frame is taken as soon as one of those under way is judged: one that waited longer would tell of what
// is no longer seen. The first after a change goes alone, since it begins anew.
async function look() {
  looking = true;
  const flying = new Set();
  for (let number = 0; stream; number += 1) {
    while (flying.size >= (fresh ? 1 : UNDER_WAY)) await Promise.race(flying);
    const one = await shot().catch(() => null);
    if (!one) continue;
    const judged = judge({ ...one, number }).finally(() => flying.delete(judged));
    flying.add(judged);
  }
  looking = false;
  latest = 0;
}

// What was measured of another object, zoom or camera says nothing of this one.
function forget() {
  changes += 1;
  seen = null;
  fresh = 1;
  for (const id of ["m-pixel", "m-field", "m-steady", "m-focus"]) tell(id, "–");
  $("burn").getContext("2d").clearRect(0, 0, $("burn").width, $("burn").height);
  delete $("live").dataset.seen;
}

const knownScale = () => (seen?.scale.pixel_um && performance.now() - seenAt < SCALE_LASTS_MS ? seen.scale : null);

function show(told) {
  seen = told;
  seenAt = performance.now() - 1000 * (told.scale.age_s ?? 0);
  const focus = told.best_focus ? told.focus / told.best_focus : 0;
  tell("m-focus", `${Math.round(100 * focus)} %`);
  $("m-focus-bar").value = focus;
  const scale = told.scale;
  tell("m-pixel", scale.pixel ?? (scale.reason ? `not seen: ${scale.reason}` : "–"));
  tell("m-field", scale.field ?? "–");
  tell("m-clipped", `${(100 * told.clipped).toFixed(2)} %`);
  tell("m-even", `${Math.round(100 * told.evenness)} %`);
  const px = told.steadiness_px == null ? "–" : `${((told.steadiness_px * told.width) / 512).toFixed(2)} px`;
  tell("m-steady", scale.steadiness ?? px);
  tell("warnings", told.warnings.length ? `Mind: ${told.warnings.join("; ")}.` : "");
  burn($("burn"), $("bar").checked);
  growing.hear(told.mosaic);
  $("live").dataset.seen = scale.pixel ? "scale" : "frame";
}

// ---- the scale bar ------------------------------------------------------------------------------
let burnt = false; // over the picture; an empty canvas there is left alone

function burn(target, on, context = null) {
  const scale = knownScale();
  const wanted = Boolean(on && scale);
  if (!context && (wanted || burnt)) sized(target).getContext("2d").clearRect(0, 0, target.width, target.height);
  if (!context) burnt = wanted;
  if (!wanted) return;
  const pen = context ?? target.getContext("2d");
  const unit = video.videoHeight / 40;
  const length = niceLength(0.25 * video.videoWidth * scale.pixel_um);
  const [x, y, width] = [1.5 * unit, video.videoHeight - 2 * unit, length / scale.pixel_um];
  pen.fillStyle = "rgba(0, 0, 0, 0.7)";
  pen.font = `600 ${1.3 * unit}px sans-serif`;
  const words = `${sayLength(length)}   field ${scale.field}`;
  pen.fillRect(x - 0.6 * unit, y - 2.1 * unit, Math.max(width, pen.measureText(words).width) + 1.2 * unit, 3.1 * unit);
  pen.fillStyle = "#fff";
  pen.fillRect(x, y, width, 0.45 * unit);
  pen.fillText(words, x, y - 0.6 * unit);
}

$("picture")?.addEventListener("click", async () => {
  await encoded(video, "image/png");
  const canvas = drawn();
  const pen = canvas.getContext("2d");
  pen.drawImage(video, 0, 0);
  burn(canvas, true, pen);
  if (!knownScale()) say("No scale is in view, so there is no scale bar in the picture.");
  const blob = await new Promise((good) => canvas.toBlob(good, "image/png"));
  const a = Object.assign(document.createElement("a"), { href: URL.createObjectURL(blob), download: "live.png" });
  a.click();
  URL.revokeObjectURL(a.href);
});

// ---- takes --------------------------------------------------------------------------------------
function place() {
  return { place: $("place").value, object: $("object").value };
}

// A frame unlike those before: cameras repeat frames when they cannot keep up.
async function freshFrame(before) {
  for (let tries = 0; ; tries += 1) {
    await nextFrame();
    const picture = await encoded(video, "image/png");
    const digest = new Uint8Array(await crypto.subtle.digest("SHA-256", await picture.arrayBuffer())).join();
    if (before.has(digest) && tries < REPEATS_BORNE) continue;
    before.add(digest);
    return picture;
  }
}

async function take(count, everyMs, what) {
  const body = new FormData();
  const taken = new Set();
  for (let n = 0; n < count; n += 1) {
    if (n) say(`${what}: ${n} of ${count}`);
    if (n && everyMs) await new Promise((good) => setTimeout(good, everyMs));
    body.append("files", await freshFrame(taken), `${n}.png`);
  }
  await hand(`/live/photo?${new URLSearchParams(place())}`, body, what);
}

async function hand(address, body, what) {
  const answer = await fetch(address, { method: "POST", body, headers: { accept: "application/json" } });
  const told = await answer.json();
  if (!answer.ok) throw new Error(told.error);
  const link = Object.assign(document.createElement("a"), { href: told.address, textContent: told.id });
  const item = document.createElement("li");
  item.append(`${what}: `, link, told.note ? `, ${told.note}` : "");
  $("taken").prepend(item);
  return say(`${what} filed.`);
}

const busy = (id, act) => $(id)?.addEventListener("click", async () => {
  $(id).disabled = true;
  try {
    await act();
  } catch (error) {
    say(`It did not work: ${error.message}`);
  } finally {
    $(id).disabled = !stream;
  }
});
busy("photo", () => take(1, 0, "Photo"));
busy("pair", () => take(2, 0, "Repeat pair"));
busy("run", () => take(FOCUS_RUN.photos, FOCUS_RUN.everyMs, "Focus run, turn the focus slowly through"));

// ---- recordings ---------------------------------------------------------------------------------
function record(button, what) {
  if (recorder) return recorder.finish("stopped by hand");
  let piece = 0;
  let sending = Promise.resolve();
  const begun = performance.now();
  let kept = begun; // when the last piece that arrived ends: nothing after it is claimed
  let broken = false;
  let held = [];
  const name = newSession(); // of this recording: the next one may begin before it is filed
  const at = place(); // what is chosen when it begins
  const media = new MediaRecorder(stream);
  async function send(number, body, until) {
    for (let tries = 0; !broken && tries < PIECE_TRIES; tries += 1) {
      try {
        const answer = await fetch(`/live/recording?${new URLSearchParams({ session: name, piece: number })}`, {
          method: "POST", body, headers: { accept: "application/json" },
        });
        if (answer.ok) {
          kept = until;
          return;
        }
      } catch { /* tried again */ }
      await new Promise((good) => setTimeout(good, 500));
    }
    broken = true;
    setTimeout(() => recorder?.finish("a piece of it could not be kept"));
  }
  media.ondataavailable = (event) => {
    if (!event.data.size) return;
    held.push(event.data);
    const body = new Blob(held);
    // A busy browser's first piece may be too short to tell what it is: it goes with the next one.
    if (piece === 0 && body.size < FIRST_PIECE_BYTES && media.state !== "inactive") return;
    held = [];
    const number = piece;
    piece += 1;
    const until = performance.now();
    sending = sending.then(() => send(number, body, until));
  };
  const watch = setInterval(() => {
    const seconds = (performance.now() - begun) / 1000;
    say(`${what}: ${seconds.toFixed(0)} s`);
    if (performance.now() - lastFrame > STALLED_MS) ended("the stream stopped by itself");
  }, 500);
  recorder = {
    async finish(why) {
      recorder = null;
      clearInterval(watch);
      if (media.state !== "inactive") {
        const stopped = new Promise((good) => { media.onstop = good; });
        media.stop();
        await stopped;
      }
      button.setAttribute("aria-pressed", "false");
      button.textContent = button.dataset.words;
      await sending;
      const seconds = ((kept - begun) / 1000).toFixed(1);
      fileRecording(`/live/recording/end?${new URLSearchParams({ session: name, ...at, why, seconds })}`, what);
    },
  };
  button.dataset.words = button.textContent;
  button.textContent = "Stop recording";
  button.setAttribute("aria-pressed", "true");
  media.start(PIECE_MS);
  return undefined;
}

// Filed, or offered to be filed again: what was recorded is on disk already.
async function fileRecording(address, what) {
  unfiled += 1;
  try {
    await hand(address, null, what);
  } catch (error) {
    const why = error instanceof TypeError ? "the workbench does not answer" : error.message;
    say(`${what} not filed yet: ${why}`);
    const again = Object.assign(document.createElement("button"), { type: "button", textContent: "File it again" });
    const item = document.createElement("li");
    item.append(`${what} not filed yet: ${why} `, again);
    $("taken").prepend(item);
    again.addEventListener("click", () => {
      item.remove();
      fileRecording(address, what);
    });
    await new Promise((good) => again.addEventListener("click", good));
  }
  unfiled -= 1;
}

function ended(why) {
  recorder?.finish(why);
  if (why === "the camera was gone") {
    stop();
    say("The camera is gone.");
  }
}

$("clip")?.addEventListener("click", () => record($("clip"), "Clip"));
$("endurance")?.addEventListener("click", () => record($("endurance"), "Endurance run"));
$("start")?.addEventListener("click", () => {
  if (!stream) return start();
  recorder?.finish("the camera was stopped by hand");
  return stop();
});
$("again")?.addEventListener("click", forget);
$("camera")?.addEventListener("change", () => start($("camera").value));
$("mode")?.addEventListener("change", () => start($("camera").value, $("mode").value.split(" ").map(Number)));
for (const id of ["object", "place"]) $(id)?.addEventListener("change", forget);
addEventListener("pagehide", stop);
addEventListener("beforeunload", (event) => { if (recorder || unfiled || growing.isOpen) event.preventDefault(); });
