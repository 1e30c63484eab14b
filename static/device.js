// What this device does: sound, voice, screen awake, and the key or pedal for "take now".
export function thisDevice(sound) {
  let lock = null;
  const secure = "wakeLock" in navigator;
  const words = document.body.dataset;
  const state = { awake: false };
  const on = (name) => (name === "awake" ? state.awake : sound.is(name));

  const show = () => {
    for (const button of document.querySelectorAll("[data-switch]")) {
      const name = button.dataset.switch;
      button.setAttribute("aria-pressed", String(on(name)));
      const told = button.querySelector("[data-state]");
      if (told) told.textContent = on(name) ? words.on : words.off;
    }
    for (const note of document.querySelectorAll("[data-awake-no]")) note.hidden = secure;
  };
  const stayAwake = async (wanted) => {
    state.awake = wanted && secure;
    if (state.awake && !document.hidden) {
      try { lock = await navigator.wakeLock.request("screen"); } catch { state.awake = false; }
    } else if (!wanted) { await lock?.release(); lock = null; }
    localStorage.setItem("holdstill.awake", state.awake ? "on" : "off");
    show();
  };
  document.addEventListener("click", (event) => {
    const button = event.target.closest("[data-switch]");
    if (!button) return;
    const name = button.dataset.switch;
    if (name === "awake") stayAwake(!state.awake); else sound.turn(name, !sound.is(name));
    show();
  });
  document.addEventListener("visibilitychange", () => {
    if (!document.hidden && state.awake) stayAwake(true);
  });
  if (secure && localStorage.getItem("holdstill.awake") !== "off" && document.body.matches(".phone")) stayAwake(true);
  document.addEventListener("htmx:after:swap", show);
  document.addEventListener("htmx:ws:after:message:incoming", show);
  show();
  pedal();
}

function pedal() {
  const picker = document.querySelector("[data-key-pick]");
  const told = document.querySelector("[data-key]");
  const forget = document.querySelector("[data-key-forget]");
  if (!picker) return;
  const none = told.textContent;
  let picking = false;
  const show = () => {
    const key = localStorage.getItem("holdstill.key");
    told.textContent = key ? localStorage.getItem("holdstill.key.name") : none;
    forget.hidden = !key;
    picker.textContent = picking ? picker.dataset.press : picker.dataset.pick;
  };
  picker.addEventListener("click", () => { picking = !picking; show(); });
  forget.addEventListener("click", () => {
    localStorage.removeItem("holdstill.key");
    show();
    picker.focus();
  });
  document.addEventListener("keydown", (event) => {
    if (picking) {
      if (["Shift", "Control", "Alt", "Meta"].includes(event.key)) return;
      event.preventDefault();
      picking = false;
      if (event.key !== "Escape") {
        localStorage.setItem("holdstill.key", event.code || event.key);
        localStorage.setItem("holdstill.key.name", event.key === " " ? event.code : event.key);
      }
      show();
      return;
    }
    const wanted = localStorage.getItem("holdstill.key");
    const typing = event.target.closest?.("input, textarea, select");
    if (!wanted || typing || event.repeat || (event.code || event.key) !== wanted) return;
    event.preventDefault();
    document.querySelector("#acts .take")?.click();
  });
  show();
}
