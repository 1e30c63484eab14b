// Saturated places hatched diagonally, as on a video camera. The hatching stands still on the screen, so
// that it never flickers and does not move with the picture.
const STEP = 8; // CSS pixels from line to line
const layers = new WeakMap(); // canvas -> the layer that the hatching is made on

// A mask, white where it is saturated, as something to be seen only there. The mask itself is let go of.
export function maskFrom(bitmap) {
  const mask = new OffscreenCanvas(bitmap.width, bitmap.height), brush = mask.getContext("2d");
  brush.drawImage(bitmap, 0, 0);
  bitmap.close();
  const pixels = brush.getImageData(0, 0, mask.width, mask.height);
  for (let i = 0; i < pixels.data.length; i += 4) pixels.data[i + 3] = pixels.data[i] ? 255 : 0;
  brush.putImageData(pixels, 0, 0);
  return mask;
}

// Hatches where `mask`, laid over `box` (left, top, width, height in canvas pixels), is to be seen.
// `px`: one CSS pixel in the canvas's own.
export function zebra(pen, mask, box, px) {
  const { width, height } = pen.canvas;
  const layer = layers.get(pen.canvas) ?? new OffscreenCanvas(width, height);
  layers.set(pen.canvas, layer);
  if (layer.width !== width || layer.height !== height) Object.assign(layer, { width, height });
  const brush = layer.getContext("2d");
  brush.globalCompositeOperation = "copy";
  brush.imageSmoothingEnabled = false;
  brush.drawImage(mask, ...box);
  brush.globalCompositeOperation = "source-in";
  brush.fillStyle = "#000";
  brush.fillRect(0, 0, width, height);
  brush.globalCompositeOperation = "source-atop";
  brush.strokeStyle = "#fff";
  const step = STEP * px;
  brush.lineWidth = step / 2;
  brush.beginPath();
  for (let x = -height; x < width; x += step) {
    brush.moveTo(x, height);
    brush.lineTo(x + height, 0);
  }
  brush.stroke();
  pen.drawImage(layer, 0, 0);
}
