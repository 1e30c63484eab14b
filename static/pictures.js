// Live pictures: newest frame only; the plate found solid, the edge to reach dashed, the saturated hatched.
import { ASK, DARK, HAVE, INK, WRONG } from "./inks.js";
import { maskFrom, zebra } from "./zebra.js";

const reader = new TextDecoder();

export function showPictures() {
  let socket = null, wait = 250, drawing = Promise.resolve();
  const connect = () => {
    if (socket || document.hidden) return;
    const scheme = location.protocol === "https:" ? "wss:" : "ws:";
    socket = new WebSocket(`${scheme}//${location.host}/live/pictures`);
    socket.binaryType = "arraybuffer";
    socket.onopen = () => { wait = 250; };
    socket.onmessage = (message) => {
      const from = socket;
      drawing = drawing.then(async () => {
        try { await draw(message.data); } catch (trouble) { console.warn("a picture could not be drawn", trouble); }
        if (from?.readyState === WebSocket.OPEN) from.send('{"ack":1}');
      });
    };
    socket.onclose = (event) => {
      socket = null;
      if (event.code === 1008 || document.hidden) return;
      setTimeout(connect, wait);
      wait = Math.min(wait * 1.6, 1500);
    };
  };
  document.addEventListener("visibilitychange", () => {
    if (document.hidden) socket?.close(); else connect();
  });
  connect();
}

// Pictures of one shot are shown together: those that came wait for the last of them.
let waiting = [], shotNumber = -1;

async function draw(data) {
  const length = new DataView(data).getUint32(0);
  const told = JSON.parse(reader.decode(new Uint8Array(data, 4, length)));
  document.dispatchEvent(new CustomEvent("holdstill:picture", { detail: told }));
  const glass = [...document.querySelectorAll("[data-camera]")].find((g) => g.dataset.camera === told.camera);
  const canvas = glass?.querySelector("canvas");
  if (!canvas) return;
  const start = 4 + length;
  const picture = await createImageBitmap(new Blob([new Uint8Array(data, start, told.jpeg)], { type: "image/jpeg" }));
  const mask = told.png
    ? await createImageBitmap(new Blob([new Uint8Array(data, start + told.jpeg, told.png)], { type: "image/png" }))
    : null;
  if (told.number !== shotNumber) for (const left of waiting.splice(0)) left.forget();
  shotNumber = told.number;
  waiting.push({
    show: () => paint(canvas, picture, mask, told),
    forget: () => { picture.close(); mask?.close(); },
  });
  if (!told.more) for (const one of waiting.splice(0)) one.show();
}

function paint(canvas, picture, mask, told) {
  if (canvas.width !== picture.width || canvas.height !== picture.height) {
    canvas.width = picture.width;
    canvas.height = picture.height;
  }
  const pen = canvas.getContext("2d");
  const shown = Math.max(0.05, Math.min(canvas.clientWidth / canvas.width, canvas.clientHeight / canvas.height));
  const px = 1 / shown; // one CSS pixel in the canvas's own
  pen.drawImage(picture, 0, 0);
  if (mask) zebra(pen, maskFrom(mask), [0, 0, canvas.width, canvas.height], px);
  if (told.outline.length) outline(pen, told, px);
  if (told.mark) reach(pen, told.mark, px);
  const box = told.gauge?.box ?? told.box;
  if (box) watched(pen, box, px);
  for (const patch of told.glare ?? []) glare(pen, patch, px);
  if (told.centre) middle(pen, px);
  picture.close();
}

function outline(pen, told, px) {
  const { width, height } = pen.canvas;
  const path = new Path2D();
  told.outline.forEach(([x, y], i) => {
    const at = [x * width / told.size[0], y * height / told.size[1]];
    if (i) path.lineTo(...at); else path.moveTo(...at);
  });
  path.closePath();
  pen.setLineDash([]);
  pen.lineJoin = "round";
  pen.strokeStyle = DARK;
  pen.lineWidth = 5 * px;
  pen.stroke(path);
  pen.strokeStyle = HAVE;
  pen.lineWidth = 2.5 * px;
  pen.stroke(path);
}

function reach(pen, mark, px) {
  const { width, height } = pen.canvas;
  const inset = 7 * px, above = 32 * px; // the bottom edge's mark stays clear of the picture's caption
  const edges = {
    top: [inset, inset, width - inset, inset],
    bottom: [inset, height - above, width - inset, height - above],
    left: [inset, inset, inset, height - inset],
    right: [width - inset, inset, width - inset, height - inset],
  };
  const words = mark.replace("upper", "top").replace("lower", "bottom").split(" ");
  pen.lineCap = "round";
  pen.setLineDash([11 * px, 9 * px]);
  for (const [colour, wide] of [[DARK, 8], [ASK, 5]]) {
    pen.strokeStyle = colour;
    pen.lineWidth = wide * px;
    for (const word of words) {
      if (!edges[word]) continue;
      const [x0, y0, x1, y1] = edges[word];
      pen.beginPath();
      pen.moveTo(x0, y0);
      pen.lineTo(x1, y1);
      pen.stroke();
    }
  }
  if (mark === "centre") {
    pen.strokeStyle = ASK;
    pen.strokeRect(width * .3, height * .3, width * .4, height * .4);
  }
  pen.setLineDash([]);
}

// The part of the picture that the gauge watches.
function watched(pen, [left, top, right, bottom], px) {
  const { width, height } = pen.canvas;
  pen.setLineDash([]);
  for (const [colour, wide] of [[DARK, 5], [INK, 2.5]]) {
    pen.strokeStyle = colour;
    pen.lineWidth = wide * px;
    pen.strokeRect(left * width, top * height, (right - left) * width, (bottom - top) * height);
  }
}

function glare(pen, [x, y, radius], px) {
  const { width, height } = pen.canvas;
  pen.setLineDash([]);
  for (const [colour, wide] of [[DARK, 6], [WRONG, 3]]) {
    pen.strokeStyle = colour;
    pen.lineWidth = wide * px;
    pen.beginPath();
    pen.arc(x * width, y * height, Math.max(radius * width, 9 * px) + 4 * px, 0, 2 * Math.PI);
    pen.stroke();
  }
}

// Both cameras are aimed at the same point when it lies under both marks.
function middle(pen, px) {
  const { width, height } = pen.canvas;
  const x = width / 2, y = height / 2, arm = .09 * width, gap = 7 * px;
  pen.setLineDash([]);
  for (const [colour, wide] of [[DARK, 5], [ASK, 2.5]]) {
    pen.strokeStyle = colour;
    pen.lineWidth = wide * px;
    pen.beginPath();
    for (const [dx, dy] of [[1, 0], [-1, 0], [0, 1], [0, -1]]) {
      pen.moveTo(x + gap * dx, y + gap * dy);
      pen.lineTo(x + arm * dx, y + arm * dy);
    }
    pen.moveTo(0, y);
    pen.lineTo(.05 * width, y);
    pen.moveTo(width, y);
    pen.lineTo(.95 * width, y);
    pen.stroke();
  }
}
