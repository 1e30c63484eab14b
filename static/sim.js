// Playing with the simulated rig: take the plate, move and tilt it, spoil the picture.
const RANGE = { move: 130, tilt: 45 };

export function playWithRig() {
  const panel = document.getElementById("play");
  if (!panel) return;
  const told = () => document.getElementById("sim").dataset;
  let held = null;
  let wish = {}, sending = false;

  // The newest wishes only, one post at a time.
  const ask = async (changes) => {
    Object.assign(wish, changes);
    if (sending) return;
    sending = true;
    while (Object.keys(wish).length) {
      const fields = new URLSearchParams({ kind: "sim", ...wish });
      wish = {};
      try { await fetch("/tap", { method: "POST", body: fields }); } catch { break; }
      await new Promise((go) => setTimeout(go, 70));
    }
    sending = false;
  };
  // On the pads right is the operator's right: the cameras' left when the operator faces them.
  const side = () => (told().faces === "yes" ? -1 : 1);
  const fields = {
    move: (x, y) => ({ x_mm: (side() * x * RANGE.move).toFixed(1), y_mm: (y * RANGE.move).toFixed(1) }),
    tilt: (x, y) => ({ tilt_x_deg: (side() * x * RANGE.tilt).toFixed(1), tilt_y_deg: (-y * RANGE.tilt).toFixed(1) }),
  };
  const places = {
    move: (t) => [side() * t.x_mm / RANGE.move, t.y_mm / RANGE.move],
    tilt: (t) => [side() * t.tilt_x_deg / RANGE.tilt, -t.tilt_y_deg / RANGE.tilt],
  };
  const clamp = (v) => Math.max(-1, Math.min(1, v));
  const put = (pad, x, y) => {
    const knob = pad.querySelector(".knob");
    knob.style.left = `${50 + 42 * clamp(x)}%`;
    knob.style.top = `${50 + 42 * clamp(y)}%`;
  };
  const show = () => {
    const t = told();
    for (const pad of panel.querySelectorAll("[data-pad]")) if (pad !== held) put(pad, ...places[pad.dataset.pad](t));
    for (const slide of panel.querySelectorAll("[data-slide]")) if (slide !== held) slide.value = t[slide.dataset.slide];
    for (const button of panel.querySelectorAll("[data-spoil]")) button.setAttribute("aria-pressed", String(t[button.dataset.spoil] === "yes"));
  };
  for (const pad of panel.querySelectorAll("[data-pad]")) {
    const drag = (event) => {
      const box = pad.getBoundingClientRect();
      const x = clamp(((event.clientX - box.left) / box.width - .5) / .42);
      const y = clamp(((event.clientY - box.top) / box.height - .5) / .42);
      put(pad, x, y);
      ask(fields[pad.dataset.pad](x, y));
    };
    pad.addEventListener("pointerdown", (event) => {
      held = pad;
      pad.setPointerCapture(event.pointerId);
      drag(event);
    });
    pad.addEventListener("pointermove", (event) => { if (held === pad) drag(event); });
    for (const end of ["pointerup", "pointercancel"]) pad.addEventListener(end, () => { held = null; });
    pad.addEventListener("keydown", (event) => {
      const step = { ArrowLeft: [-.1, 0], ArrowRight: [.1, 0], ArrowUp: [0, -.1], ArrowDown: [0, .1] }[event.key];
      if (!step) return;
      event.preventDefault();
      const [x, y] = places[pad.dataset.pad](told());
      ask(fields[pad.dataset.pad](clamp(x + step[0]), clamp(y + step[1])));
    });
  }
  for (const slide of panel.querySelectorAll("[data-slide]")) {
    slide.addEventListener("input", () => { held = slide; ask({ [slide.dataset.slide]: slide.value }); });
    slide.addEventListener("change", () => { held = null; });
  }
  panel.addEventListener("click", (event) => {
    const spoil = event.target.closest("[data-spoil]");
    if (spoil) {
      const name = spoil.dataset.spoil;
      ask({ [name === "holds" ? "visitor_holds" : name]: told()[name] === "yes" ? "no" : "yes" });
    }
    if (event.target.closest("[data-knock]")) ask({ knock_deg: "0.4" });
  });
  document.addEventListener("click", (event) => {
    if (!event.target.closest("[data-play]")) return;
    panel.hidden = !panel.hidden;
    document.body.classList.toggle("playing", !panel.hidden);
    for (const opener of document.querySelectorAll("[data-play]")) opener.setAttribute("aria-expanded", String(!panel.hidden));
    show();
  });
  document.addEventListener("htmx:ws:after:message:incoming", show);
  show();
}
