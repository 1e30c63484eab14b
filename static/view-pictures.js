// The pictures of a shot: small first, then whole, then where they are saturated.
import { maskFrom } from "./zebra.js";

export function picturesOf(told, changed) {
  const glasses = [];
  for (const figure of document.querySelectorAll(".glass")) {
    const canvas = figure.querySelector("canvas");
    const picture = told.pictures[Number(figure.dataset.index)];
    if (!canvas || !picture?.picture) continue;
    const glass = { ...picture, canvas, figure, map: picture.to_here, image: null, mask: null, masked: false };
    if (!glass.size[0]) glass.size = [4, 3];
    glasses.push(glass);
    load(glass, changed);
  }
  return glasses;
}

async function load(glass, changed) {
  const waits = glass.figure.querySelector(".waits");
  try {
    const small = await bitmap(`${glass.picture}?preview=1`);
    if (small && !glass.image) show(glass, small, changed, false);
    const whole = await bitmap(glass.picture);
    if (!whole) throw new Error("no picture");
    show(glass, whole, changed, true);
    waits.hidden = true;
    glass.canvas.dataset.whole = "yes";
  } catch (trouble) {
    console.warn("a picture could not be shown", trouble);
  }
}

function show(glass, image, changed, whole) {
  glass.image?.close?.();
  glass.image = image;
  // A shot that was not kept tells no size: the picture itself does.
  if (whole && (glass.size[0] !== image.width || glass.size[1] !== image.height) && !glass.points.length) {
    glass.size = [image.width, image.height];
    dispatchEvent(new Event("resize"));
  }
  if (!whole && !glass.points.length && glass.size[0] <= 4) glass.size = [image.width, image.height];
  changed();
}

async function bitmap(address) {
  const answer = await fetch(address);
  if (!answer.ok || answer.status === 204) return null;
  return createImageBitmap(await answer.blob());
}

// Asked for when the layer is first shown; null where nothing is saturated.
export async function maskOf(glass, changed) {
  if (glass.masked || !glass.saturated) return;
  glass.masked = true;
  let mask = null;
  try {
    mask = await bitmap(glass.saturated);
  } catch { // the server may be away for a moment: asked for again with the next look
    glass.masked = false;
    return;
  }
  if (!mask) { glass.canvas.dataset.saturated = "none"; return; }
  glass.mask = maskFrom(mask);
  glass.canvas.dataset.saturated = "some";
  changed();
}
