// The focus gauges, drawn from the readings that come with each picture; a part of a picture to drag.
import { ASK, HAVE, INK, WRONG } from "./inks.js";

const SOFT = "#a9b5be", LINE = "#51616e";
const shown = (name, camera) => [...document.querySelectorAll(`[data-${name}]`)].filter((one) => one.dataset[name] === camera);
const percent = (share) => `${Math.round(100 * share)} %`;

export function focusGauges() {
  const newest = new Map(); // camera -> what came with its newest picture
  const show = (told) => {
    for (const canvas of shown("path", told.camera)) path(sized(canvas), told.gauge);
    for (const canvas of shown("map", told.camera)) map(sized(canvas), told.gauge);
    for (const list of shown("parts", told.camera)) parts(list, told.gauge);
    for (const place of shown("share", told.camera)) {
      place.textContent = told.gauge.order === "no picture" ? "" : percent(told.gauge.share);
    }
  };
  document.addEventListener("holdstill:picture", ({ detail: told }) => {
    if (!told.gauge) { newest.delete(told.camera); return; }
    newest.set(told.camera, told);
    show(told);
  });
  // A gauge that has just come into sight is drawn at once, not with the next picture.
  document.addEventListener("htmx:ws:after:message:incoming", () => requestAnimationFrame(() => {
    for (const told of newest.values()) {
      const canvas = shown("path", told.camera)[0];
      if (canvas?.clientWidth && canvas.width !== Math.round(canvas.clientWidth * (devicePixelRatio || 1))) show(told);
    }
  }));
  dragging();
}

// A canvas as fine as the screen, cleared.
function sized(canvas) {
  const fine = devicePixelRatio || 1;
  const width = Math.round(canvas.clientWidth * fine), height = Math.round(canvas.clientHeight * fine);
  if (canvas.width !== width || canvas.height !== height) { canvas.width = width; canvas.height = height; }
  const pen = canvas.getContext("2d");
  pen.setTransform(fine, 0, 0, fine, 0, 0);
  pen.clearRect(0, 0, canvas.clientWidth, canvas.clientHeight);
  return { pen, width: canvas.clientWidth, height: canvas.clientHeight };
}

// Sharpness over the last moments against the best: newest at the right, the peak flagged.
function path({ pen, width, height }, gauge) {
  const room = 96, left = 4, right = Math.max(width - room, 40), top = 20, bottom = height - 6;
  const values = gauge.path.map((log) => Math.exp(log));
  const low = Math.min(.9, ...values) * .97;
  const x = (k) => right - (values.length - 1 - k) * (right - left) / Math.max(values.length - 1, 60);
  const y = (share) => bottom - (bottom - top) * (share - low) / (1.0 - low);
  pen.lineCap = pen.lineJoin = "round";
  pen.strokeStyle = ASK;
  pen.lineWidth = 2;
  pen.setLineDash([7, 6]);
  line(pen, [[left, y(1)], [right, y(1)]]);
  pen.setLineDash([]);
  if (values.length) {
    pen.strokeStyle = HAVE;
    pen.lineWidth = 3.5;
    line(pen, values.map((share, k) => [x(k), y(share)]));
    if (gauge.peak !== null && gauge.peak < values.length) flag(pen, x(gauge.peak), y(values[gauge.peak]));
    const now = [right, y(values.at(-1))];
    pen.fillStyle = INK;
    pen.beginPath();
    pen.arc(...now, 5.5, 0, 2 * Math.PI);
    pen.fill();
  }
  pen.textAlign = "right";
  pen.fillStyle = INK;
  pen.font = "700 30px Bench, sans-serif";
  pen.fillText(percent(gauge.share), width - 2, Math.min(height - 10, 46));
  arrow(pen, width - 34, Math.min(height - 8, 78), gauge);
}

function line(pen, points) {
  pen.beginPath();
  points.forEach(([x, y], k) => (k ? pen.lineTo(x, y) : pen.moveTo(x, y)));
  pen.stroke();
}

function flag(pen, x, y) {
  pen.fillStyle = pen.strokeStyle = ASK;
  pen.lineWidth = 2;
  line(pen, [[x, y], [x, y - 15]]);
  pen.beginPath();
  pen.moveTo(x, y - 17);
  pen.lineTo(x + 11, y - 12.5);
  pen.lineTo(x, y - 8);
  pen.fill();
}

// Sharper: a solid triangle up. Softer: an open one down. Neither: a bar.
function arrow(pen, x, y, gauge) {
  pen.lineWidth = 3.5;
  pen.beginPath();
  if (gauge.closer > 0) {
    pen.fillStyle = HAVE;
    pen.moveTo(x, y - 20); pen.lineTo(x + 15, y + 4); pen.lineTo(x - 15, y + 4);
    pen.fill();
  } else if (gauge.closer < 0) {
    pen.strokeStyle = WRONG;
    pen.moveTo(x, y + 4); pen.lineTo(x + 14, y - 18); pen.lineTo(x - 14, y - 18); pen.closePath();
    pen.stroke();
  } else {
    pen.strokeStyle = SOFT;
    pen.moveTo(x - 14, y - 7); pen.lineTo(x + 14, y - 7);
    pen.stroke();
  }
}

// Regions, each against its own best; the part that is watched is outlined.
function map({ pen, width, height }, gauge) {
  const [rows, columns] = gauge.grid;
  if (!rows) return;
  const step = Math.min(width / columns, height / rows);
  const left = (width - step * columns) / 2, top = (height - step * rows) / 2;
  gauge.cells.forEach((share, k) => {
    const x = left + step * (k % columns + .5), y = top + step * (Math.floor(k / columns) + .5);
    pen.beginPath();
    pen.arc(x, y, share ? Math.max(.1 * step, .46 * step * share ** 1.5) : .06 * step, 0, 2 * Math.PI);
    pen.fillStyle = share ? HAVE : LINE;
    pen.fill();
  });
  pen.strokeStyle = LINE;
  pen.lineWidth = 1;
  pen.strokeRect(left, top, step * columns, step * rows);
  if (gauge.box) {
    const [l, t, r, b] = gauge.box;
    pen.strokeStyle = INK;
    pen.lineWidth = 2.5;
    pen.strokeRect(left + l * step * columns, top + t * step * rows, (r - l) * step * columns, (b - t) * step * rows);
  }
}

function parts(list, gauge) {
  const wanted = gauge.parts.map((part) => `${part.name}\u0000${part.share === null ? "–" : percent(part.share)}`);
  if (gauge.edge) wanted.push(`${gauge.edge}\u0000`);
  const key = wanted.join("\u0001");
  if (list.dataset.key === key) return;
  list.dataset.key = key;
  list.replaceChildren(...wanted.map((text) => {
    const [name, value] = text.split("\u0000");
    const row = document.createElement("div"), label = document.createElement("dt"), told = document.createElement("dd");
    label.textContent = name;
    told.textContent = value;
    row.append(label, told);
    return row;
  }));
}

// Dragging over a picture in the Focus step chooses the part that the gauge watches, in the Light step the
// part of the specimen that is judged; a touch, all of it.
function dragging() {
  let held = null;
  const focusing = () => ["focus", "light"].includes(document.getElementById("signal")?.dataset.step);
  const at = (glass, event) => {
    const canvas = glass.querySelector("canvas"), box = canvas.getBoundingClientRect();
    const scale = Math.min(box.width / canvas.width, box.height / canvas.height);
    const left = box.left + (box.width - scale * canvas.width) / 2, top = box.top + (box.height - scale * canvas.height) / 2;
    const inside = (value) => Math.max(0, Math.min(1, value));
    return [inside((event.clientX - left) / (scale * canvas.width)), inside((event.clientY - top) / (scale * canvas.height))];
  };
  document.addEventListener("pointerdown", (event) => {
    const glass = event.target.closest?.(".glass[data-camera]");
    if (!glass || !focusing() || document.body.matches(".watching")) return;
    held = { glass, from: at(glass, event) };
    glass.setPointerCapture(event.pointerId);
    event.preventDefault();
  });
  document.addEventListener("pointermove", (event) => {
    if (!held) return;
    held.glass.dataset.dragging = "";
    const [x, y] = at(held.glass, event), [a, b] = held.from;
    frame(held.glass, Math.min(a, x), Math.min(b, y), Math.max(a, x), Math.max(b, y));
  });
  const end = async (event) => {
    if (!held) return;
    const { glass, from: [a, b] } = held, [x, y] = at(glass, event);
    held = null;
    frame(glass);
    delete glass.dataset.dragging;
    const fields = new URLSearchParams({ kind: "focus-part", camera: glass.dataset.camera, left: Math.min(a, x).toFixed(4), top: Math.min(b, y).toFixed(4), right: Math.max(a, x).toFixed(4), bottom: Math.max(b, y).toFixed(4) });
    try { await fetch("/tap", { method: "POST", body: fields }); } catch { /* the line's banner tells */ }
  };
  document.addEventListener("pointerup", end);
  document.addEventListener("pointercancel", () => { if (held) frame(held.glass); held = null; });
}

// The frame under the finger: dashed, since it is only wished until it is let go.
function frame(glass, left, top, right, bottom) {
  let drawn = glass.querySelector("svg.wished-part");
  if (left === undefined) { drawn?.remove(); return; }
  const canvas = glass.querySelector("canvas");
  if (!drawn) {
    drawn = document.createElementNS("http://www.w3.org/2000/svg", "svg");
    drawn.setAttribute("class", "wished-part");
    drawn.append(document.createElementNS("http://www.w3.org/2000/svg", "rect"));
    glass.append(drawn);
  }
  drawn.setAttribute("viewBox", `0 0 ${canvas.width} ${canvas.height}`);
  const box = drawn.firstChild;
  box.setAttribute("x", left * canvas.width);
  box.setAttribute("y", top * canvas.height);
  box.setAttribute("width", (right - left) * canvas.width);
  box.setAttribute("height", (bottom - top) * canvas.height);
}
