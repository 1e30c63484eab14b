// The large panel changes its colour at most about three times a second, however fast the state
// changes: a change that comes sooner waits, and only the newest of those that wait is shown.
const REST_MS = 340;

export function calmPanel() {
  const panel = document.querySelector(".telling");
  const wanted = () => document.getElementById("signal").dataset.kind;
  let changed = 0, waiting = 0;
  const look = () => {
    waiting = 0;
    if (panel.dataset.look === wanted()) return;
    changed = performance.now();
    panel.dataset.look = wanted();
  };
  document.addEventListener("htmx:ws:after:message:incoming", () => {
    if (waiting || panel.dataset.look === wanted()) return;
    const rest = changed + REST_MS - performance.now();
    if (rest > 0) waiting = setTimeout(look, rest); else look();
  });
}
