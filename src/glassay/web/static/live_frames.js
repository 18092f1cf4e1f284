// What is sent of the camera's picture to be judged: the planes that the camera gave, which cost next to
// nothing; a JPEG where the browser does not hand these over.
const LUMA_OF = { bt601: [0.299, 0.114], bt709: [0.2126, 0.0722] }; // red's and blue's share, ITU-R
const LAYOUTS = ["I420", "NV12"];
const COMPARED_EVERY = 30; // frames
const PATCH_PX = 16;

const canvas = document.createElement("canvas");
const patch = Object.assign(document.createElement("canvas"), { width: PATCH_PX, height: PATCH_PX });

// The whole picture of the video, encoded.
export function encoded(video, type, quality) {
  if (canvas.width !== video.videoWidth) canvas.width = video.videoWidth;
  if (canvas.height !== video.videoHeight) canvas.height = video.videoHeight;
  canvas.getContext("2d", { alpha: false }).drawImage(video, 0, 0);
  return new Promise((good) => canvas.toBlob(good, type, quality));
}

export const drawn = () => canvas;

// Planes may or may not say how they tell colours, and browsers differ in what they take them for. What
// this one shows decides: the reading of the planes that comes closest to it, over all that was compared.
const apart = Object.fromEntries(Object.keys(LUMA_OF).flatMap((of) => [[`${of}-limited`, 0], [`${of}-full`, 0]]));
let taken = 0;

function painted(colour, y, u, v) {
  const [matrix, range] = colour.split("-");
  const [red, blue] = LUMA_OF[matrix];
  const luma = range === "full" ? y : ((y - 16) * 255) / 219;
  const span = range === "full" ? 1 : 255 / 224;
  const [r, b] = [luma + 2 * (1 - red) * span * (v - 128), luma + 2 * (1 - blue) * span * (u - 128)];
  return [r, (luma - red * r - blue * b) / (1 - red - blue), b];
}

function compare(frame, bytes, layout, width, height) {
  const [half, pen] = [(width + 1) >> 1, patch.getContext("2d", { alpha: false, willReadFrequently: true })];
  const parts = half * ((height + 1) >> 1);
  const differences = (x, y) => {
    const at = (y >> 1) * half + (x >> 1);
    const start = width * height;
    return layout === "NV12" ? [bytes[start + 2 * at], bytes[start + 2 * at + 1]] : [bytes[start + at], bytes[start + parts + at]];
  };
  for (let n = 0; n < 16; n += 1) {
    const [left, top] = [Math.floor(((n % 4) + 0.5) * (width - PATCH_PX) / 4), Math.floor(((n >> 2) + 0.5) * (height - PATCH_PX) / 4)];
    pen.drawImage(frame, left, top, PATCH_PX, PATCH_PX, 0, 0, PATCH_PX, PATCH_PX);
    const shown = pen.getImageData(0, 0, PATCH_PX, PATCH_PX).data;
    for (let y = 0; y < PATCH_PX; y += 1) {
      for (let x = 0; x < PATCH_PX; x += 1) {
        const luma = bytes[(top + y) * width + left + x];
        const [u, v] = differences(left + x, top + y);
        const at = 4 * (y * PATCH_PX + x);
        for (const colour of Object.keys(apart)) {
          const as = painted(colour, luma, u, v);
          for (let c = 0; c < 3; c += 1) apart[colour] += (Math.min(255, Math.max(0, as[c])) - shown[at + c]) ** 2;
        }
      }
    }
  }
}

// Another camera, another reading.
export function newCamera() {
  taken = 0;
  for (const colour of Object.keys(apart)) apart[colour] = 0;
}

async function planes(video) {
  const frame = new VideoFrame(video);
  try {
    const { width, height } = frame.visibleRect;
    const layout = frame.format;
    const upright = !frame.rotation && !frame.flip && width === video.videoWidth && height === video.videoHeight;
    const size = width * height + 2 * ((width + 1) >> 1) * ((height + 1) >> 1);
    if (!upright || !LAYOUTS.includes(layout) || frame.allocationSize() !== size) return null;
    const body = new Uint8Array(size);
    await frame.copyTo(body);
    if (taken % COMPARED_EVERY === 0 && Math.min(width, height) > 2 * PATCH_PX) compare(frame, body, layout, width, height);
    taken += 1;
    const colour = Object.keys(apart).reduce((best, one) => (apart[one] < apart[best] ? one : best));
    return { body: new Blob([body]), type: "application/octet-stream", how: { layout, width, height, colour } };
  } finally {
    frame.close();
  }
}

// The video's picture of now: bytes, their media type, and what the workbench must know of them.
export async function frameOf(video, quality) {
  const found = "VideoFrame" in window ? await planes(video).catch(() => null) : null;
  return found ?? { body: await encoded(video, "image/jpeg", quality), type: "image/jpeg", how: {} };
}
