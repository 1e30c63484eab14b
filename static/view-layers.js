// What is drawn over a picture: dots, residuals, glare, the saturated hatched. Each has a shape of its own.
import { ASK, DARK, HAVE, WRONG } from "./inks.js";
import { maskOf } from "./view-pictures.js";
import { zebra } from "./zebra.js";

export function drawOver(pen, glass, layers, look) {
  if (layers.saturated) {
    maskOf(glass, () => dispatchEvent(new Event("resize")));
    const { left, top, scale, px } = look;
    if (glass.mask) zebra(pen, glass.mask, [left, top, glass.size[0] * scale, glass.size[1] * scale], px);
  }
  if (layers.glare) patches(pen, glass, look);
  if (layers.residuals && glass.residuals) residuals(pen, glass, look);
  if (layers.dots) dots(pen, glass, look);
}

// Dark below, colour above: seen on white and on black ground.
function twice(pen, colour, wide, px, draw) {
  pen.lineJoin = pen.lineCap = "round";
  for (const [ink, width] of [[DARK, wide + 2], [colour, wide]]) {
    pen.strokeStyle = ink;
    pen.lineWidth = width * px;
    pen.beginPath();
    draw();
    pen.stroke();
  }
}

function dots(pen, glass, { toScreen, scale, px }) {
  const out = new Set(glass.aside), used = [], left = [];
  glass.points.forEach((at, i) => (out.has(i) ? left : used).push(toScreen(at)));
  // As large as the dot once that is worth seeing; a small mark from afar.
  const size = Math.max(2.5 * px, Math.min(9 * px, (glass.dot_px ?? 12) * scale / 5));
  twice(pen, HAVE, 1.4, px, () => used.forEach(([x, y]) => {
    pen.moveTo(x - size, y); pen.lineTo(x + size, y);
    pen.moveTo(x, y - size); pen.lineTo(x, y + size);
  }));
  const wide = size * 1.9;
  twice(pen, WRONG, 2, px, () => left.forEach(([x, y]) => {
    pen.moveTo(x, y - wide); pen.lineTo(x + wide, y); pen.lineTo(x, y + wide); pen.lineTo(x - wide, y); pen.closePath();
  }));
}

function residuals(pen, glass, { toScreen, px, enlarge }) {
  const long = enlarge * glass.fit, out = new Set(glass.aside), most = 0.25 * pen.canvas.width;
  const arrows = (mine, colour) => twice(pen, colour, 2, px, () => glass.points.forEach((at, i) => {
    const gap = glass.residuals[i];
    if (out.has(i) !== mine || gap[0] === null) return;
    const [x, y] = toScreen(at);
    let [dx, dy] = [gap[0] * long, gap[1] * long];
    const size = Math.hypot(dx, dy), cut = size > most;
    if (cut) [dx, dy] = [dx / size * most, dy / size * most];
    pen.moveTo(x, y); pen.lineTo(x + dx, y + dy);
    const head = Math.min(6 * px, 0.4 * Math.hypot(dx, dy)), turn = Math.atan2(dy, dx);
    for (const side of [2.6, -2.6]) {
      pen.moveTo(x + dx, y + dy);
      pen.lineTo(x + dx + head * Math.cos(turn + side), y + dy + head * Math.sin(turn + side));
    }
    if (cut) { // longer than shown: a gap in the shaft
      const at2 = [x + 0.5 * dx, y + 0.5 * dy], across = turn + Math.PI / 2;
      for (const s of [-3, 3]) {
        const c = [at2[0] + s * px * Math.cos(turn), at2[1] + s * px * Math.sin(turn)];
        pen.moveTo(c[0] - 5 * px * Math.cos(across), c[1] - 5 * px * Math.sin(across));
        pen.lineTo(c[0] + 5 * px * Math.cos(across), c[1] + 5 * px * Math.sin(across));
      }
    }
  }));
  arrows(false, ASK);
  arrows(true, WRONG);
}

function patches(pen, glass, { toScreen, scale, px }) {
  const label = (words, x, y) => {
    pen.font = `600 ${15 * px}px Bench, sans-serif`;
    pen.textAlign = "center";
    pen.strokeStyle = DARK;
    pen.lineWidth = 4 * px;
    pen.strokeText(words, x, y);
    pen.fillStyle = WRONG;
    pen.fillText(words, x, y);
  };
  const words = glass.figure.closest("main").dataset;
  for (const [x0, y0, radius] of glass.glare) {
    const [x, y] = toScreen([x0, y0]), wide = Math.max(radius * scale, 8 * px);
    twice(pen, WRONG, 2.5, px, () => {
      pen.arc(x, y, wide, 0, 2 * Math.PI);
      for (let k = 0; k < 8; k += 1) {
        const turn = k * Math.PI / 4;
        pen.moveTo(x + (wide + 4 * px) * Math.cos(turn), y + (wide + 4 * px) * Math.sin(turn));
        pen.lineTo(x + (wide + 12 * px) * Math.cos(turn), y + (wide + 12 * px) * Math.sin(turn));
      }
    });
    label(words.glare ?? "", x, y - wide - 16 * px);
  }
  for (const [x0, y0, cause, count] of glass.hidden) {
    if (cause === "border" || cause === "glare") continue;
    const [x, y] = toScreen([x0, y0]), wide = 14 * px;
    twice(pen, WRONG, 2.5, px, () => {
      pen.rect(x - wide, y - wide, 2 * wide, 2 * wide);
      pen.moveTo(x - wide, y + wide); pen.lineTo(x + wide, y - wide);
    });
    label(`${words[cause] ?? cause} (${count})`, x, y - wide - 7 * px);
  }
}
