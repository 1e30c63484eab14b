// A shot at full size: every camera's picture on its own canvas, looked at together.
// One place is looked at, told in the picture that leads; the others follow it over the plate's plane.
import { picturesOf } from "./view-pictures.js";
import { drawOver } from "./view-layers.js";

const HAVE_MOVES = !matchMedia("(prefers-reduced-motion: reduce)").matches;
const MOST = 40; // closest look: canvas pixels per picture pixel, about
const place = Number(document.body.dataset.place);
const layers = Object.fromEntries(
  [...document.querySelectorAll("[data-layer]")].map((b) => [b.dataset.layer, b.getAttribute("aria-pressed") === "true"]));
let told = null, glasses = [], together = true;
let now = null, goal = null, drawing = false;

const apply = (h, [x, y]) => {
  const w = h[6] * x + h[7] * y + h[8];
  return [(h[0] * x + h[1] * y + h[2]) / w, (h[3] * x + h[4] * y + h[5]) / w];
};
const inverse = (m) => {
  const [a, b, c, d, e, f, g, h, i] = m;
  const A = e * i - f * h, B = f * g - d * i, C = d * h - e * g, det = a * A + b * B + c * C;
  return [A, c * h - b * i, b * f - c * e, B, a * i - c * g, c * d - a * f, C, b * g - a * h, a * e - b * d].map((v) => v / det);
};

// -- where each picture is looked at -----------------------------------------------------------

const fitted = (glass) => Math.min(glass.canvas.width / glass.size[0], glass.canvas.height / glass.size[1]);
const middle = (glass) => [(glass.size[0] - 1) / 2, (glass.size[1] - 1) / 2];

// The place looked at in `glass` when `at` is looked at in the leading one.
function follow(glass, lead, at) {
  if (glass === lead) return at;
  if (together && glass.map && lead.map) {
    const there = apply(glass.map, apply(inverse(lead.map), at));
    if (there.every(Number.isFinite)) return there;
  }
  return [at[0] / lead.size[0] * glass.size[0], at[1] / lead.size[1] * glass.size[1]];
}

// Never out of the picture: at the widest look its middle, closer up to its border.
function inside(glass, [x, y], zoom) {
  const scale = fitted(glass) * zoom;
  return [x, y].map((value, axis) => {
    const half = (axis ? glass.canvas.height : glass.canvas.width) / 2 / scale, size = glass.size[axis];
    return 2 * half >= size ? (size - 1) / 2 : Math.min(Math.max(value, half - 0.5), size - 0.5 - half);
  });
}

export const viewOf = (glass) => {
  const at = inside(glass, follow(glass, glasses[now.lead], now.at), now.zoom);
  return { at, scale: fitted(glass) * now.zoom };
};

function aim(lead, at, zoom, { jump = false } = {}) {
  const most = Math.max(1, MOST / Math.min(...glasses.map(fitted)));
  zoom = Math.min(Math.max(zoom, 1), most);
  goal = { lead, at: inside(glasses[lead], at, zoom), zoom };
  if (now.lead !== lead) now = { lead, at: viewOf(glasses[lead]).at, zoom: now.zoom };
  if (jump || !HAVE_MOVES) now = { ...goal };
  ask();
}

function ask() {
  if (drawing) return;
  drawing = true;
  requestAnimationFrame(frame);
}

let before = 0;
function frame(at) {
  drawing = false;
  const step = before && at - before < 100 ? at - before : 16;
  before = at;
  const share = 1 - Math.exp(-step / 70);
  const far = Math.abs(Math.log(goal.zoom / now.zoom)) > 0.002 ||
    Math.hypot(goal.at[0] - now.at[0], goal.at[1] - now.at[1]) * fitted(glasses[now.lead]) * now.zoom > 0.4;
  if (far) {
    const zoom = now.zoom * (goal.zoom / now.zoom) ** share;
    now = { lead: goal.lead, zoom, at: now.at.map((v, i) => v + (goal.at[i] - v) * share) };
  } else now = { ...goal };
  for (const glass of glasses) paint(glass);
  document.body.dataset.zoom = now.zoom.toFixed(3);
  scaleBar();
  if (far) ask(); else before = 0;
}

function paint(glass) {
  const pen = glass.canvas.getContext("2d"), { at, scale } = viewOf(glass);
  const { width, height } = glass.canvas;
  pen.setTransform(1, 0, 0, 1, 0, 0);
  pen.fillStyle = "#05080a";
  pen.fillRect(0, 0, width, height);
  // pixel centres at whole numbers: the picture begins half a pixel before (0, 0)
  const left = width / 2 - (at[0] + 0.5) * scale, top = height / 2 - (at[1] + 0.5) * scale;
  if (glass.image) {
    pen.imageSmoothingEnabled = scale < 2;
    pen.imageSmoothingQuality = "high";
    pen.drawImage(glass.image, left, top, glass.size[0] * scale, glass.size[1] * scale);
  }
  const toScreen = ([x, y]) => [left + (x + 0.5) * scale, top + (y + 0.5) * scale];
  drawOver(pen, glass, layers, { toScreen, scale, left, top, px: devicePixelRatio, enlarge: told.enlarge });
  glass.canvas.dataset.at = at.map((v) => v.toFixed(2)).join(" ");
  glass.canvas.dataset.scale = scale.toFixed(4);
}

// -- hands ---------------------------------------------------------------------------------------

const onPicture = (glass, event) => {
  const box = glass.canvas.getBoundingClientRect(), { at, scale } = viewOf(glass);
  const x = (event.clientX - box.left) * glass.canvas.width / box.width - glass.canvas.width / 2;
  const y = (event.clientY - box.top) * glass.canvas.height / box.height - glass.canvas.height / 2;
  return { off: [x, y], spot: [at[0] + x / scale, at[1] + y / scale] };
};

// The spot under the pointer stays under it while the look changes.
function closer(index, factor, event, how) {
  const glass = glasses[index], lead = goal.lead === index ? goal : null;
  const { off, spot } = event ? onPicture(glass, event) : { off: [0, 0], spot: viewOf(glass).at };
  const zoom = Math.min(Math.max((lead?.zoom ?? goal.zoom) * factor, 1), Math.max(1, MOST / fitted(glass)));
  const scale = fitted(glass) * zoom;
  aim(index, [spot[0] - off[0] / scale, spot[1] - off[1] / scale], zoom, how);
}

function listen(glass, index) {
  const { canvas } = glass, held = new Map();
  let spread = 0;
  canvas.addEventListener("wheel", (event) => {
    event.preventDefault();
    const lines = event.deltaMode === 1 ? 33 : 1;
    closer(index, Math.exp(-Math.max(-240, Math.min(240, event.deltaY * lines)) / (event.ctrlKey ? 120 : 320)), event);
  }, { passive: false });
  canvas.addEventListener("pointerdown", (event) => {
    canvas.setPointerCapture(event.pointerId);
    held.set(event.pointerId, [event.clientX, event.clientY]);
    canvas.classList.add("held");
    spread = 0;
  });
  const gone = (event) => {
    held.delete(event.pointerId);
    spread = 0;
    if (!held.size) canvas.classList.remove("held");
  };
  canvas.addEventListener("pointerup", gone);
  canvas.addEventListener("pointercancel", gone);
  canvas.addEventListener("pointermove", (event) => {
    if (!held.has(event.pointerId)) return;
    const [x0, y0] = held.get(event.pointerId), ratio = canvas.width / canvas.getBoundingClientRect().width;
    held.set(event.pointerId, [event.clientX, event.clientY]);
    const { at, scale } = viewOf(glass), count = held.size;
    const dx = (event.clientX - x0) * ratio / scale / count, dy = (event.clientY - y0) * ratio / scale / count;
    aim(index, [at[0] - dx, at[1] - dy], now.zoom, { jump: true });
    if (count === 2) {
      const [a, b] = [...held.values()];
      const wide = Math.hypot(a[0] - b[0], a[1] - b[1]);
      if (spread) closer(index, wide / spread, { clientX: (a[0] + b[0]) / 2, clientY: (a[1] + b[1]) / 2 }, { jump: true });
      spread = wide;
    }
  });
  canvas.addEventListener("dblclick", (event) => closer(index, 2.5, event));
  canvas.addEventListener("keydown", (event) => {
    const step = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
    if (!step) return;
    event.preventDefault();
    const { scale } = viewOf(glass), from = goal.lead === index ? goal.at : viewOf(glass).at;
    aim(index, [from[0] + step[0] * 0.15 * canvas.width / scale, from[1] + step[1] * 0.15 * canvas.height / scale], goal.zoom);
  });
}

for (const button of document.querySelectorAll("[data-layer]")) {
  button.addEventListener("click", () => {
    const on = !layers[button.dataset.layer];
    layers[button.dataset.layer] = on;
    button.setAttribute("aria-pressed", String(on));
    scaleBar();
    ask();
  });
}
for (const button of document.querySelectorAll("[data-move]")) {
  button.addEventListener("click", () => {
    if (!now) return;
    const move = button.dataset.move;
    if (move === "together") {
      const { lead } = now, at = viewOf(glasses[lead]).at;
      together = !together;
      button.setAttribute("aria-pressed", String(together));
      aim(lead, at, goal.zoom);
    } else if (move === "fit") aim(goal.lead, middle(glasses[goal.lead]), 1);
    else closer(goal.lead, move === "in" ? 1.8 : 1 / 1.8);
  });
}

// -- what stands in words, and keeping up --------------------------------------------------------

function scaleBar() {
  const bar = document.getElementById("scale");
  const some = told.pictures.some((p) => p.residuals);
  bar.hidden = !some || !layers.residuals;
  if (bar.hidden) return;
  const words = bar.querySelector("[data-words]");
  words.dataset.words ||= words.textContent;
  // Lengths on the screen stay as they are at the widest look, so that arrows never cover the dots.
  const perPx = told.enlarge * Math.min(...glasses.map((g) => fitted(g))) / devicePixelRatio;
  const times = Number((told.enlarge / now.zoom).toPrecision(2));
  words.textContent = words.dataset.words.replace("#", times.toLocaleString("en"));
  const length = [10, 5, 2, 1, 0.5, 0.2, 0.1, 0.05, 0.02, 0.01, 0.005].find((v) => v * perPx <= 100) ?? 0.005;
  bar.querySelector("svg").style.width = `${(length * perPx).toFixed(1)}px`;
  bar.querySelector("[data-length]").textContent = `${length} px`;
}

function resize() {
  for (const glass of glasses) {
    const box = glass.canvas.getBoundingClientRect();
    const [width, height] = [box.width, box.height].map((v) => Math.max(1, Math.round(v * devicePixelRatio)));
    if (glass.canvas.width !== width || glass.canvas.height !== height) Object.assign(glass.canvas, { width, height });
    glass.fit = fitted(glass);
  }
  if (!now) return;
  aim(goal.lead, goal.at, goal.zoom, { jump: true });
  scaleBar();
}

async function fetchTold() {
  const answer = await fetch(`/view/${place}/drawn`, { cache: "no-store" });
  if (!answer.ok) throw new Error(`${answer.status}`);
  return answer.json();
}

async function begin() {
  told = await fetchTold();
  glasses = picturesOf(told, () => ask());
  if (!glasses.length) return;
  now = { lead: 0, at: middle(glasses[0]), zoom: 1 };
  goal = { ...now };
  glasses.forEach(listen);
  resize();
  new ResizeObserver(resize).observe(document.querySelector(".glasses"));
  addEventListener("resize", resize); // also sent by a picture that came late: all is drawn anew
  document.body.dataset.begun = "yes";
}

// After a tap the solve takes a moment; the page follows once the shot's state has changed.
document.addEventListener("click", (event) => {
  if (!event.target.closest?.("[hx-post]")) return;
  let turns = 0;
  const look = async () => {
    turns += 1;
    try {
      const fresh = await fetchTold();
      const { state, forced } = document.body.dataset;
      if (fresh.state !== state || (fresh.forced ? "yes" : "no") !== forced) { location.reload(); return; }
    } catch { /* the server may be away for a moment: looked at again */ }
    if (turns < 20) setTimeout(look, 500);
  };
  setTimeout(look, 1200); // what the tap did is read first
});

begin();
