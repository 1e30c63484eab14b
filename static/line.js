// The line to the bench: says so when nothing has been heard for two seconds.
const SILENCE_MS = 2000;

export function keepLine() {
  const banner = document.getElementById("stale");
  let heard = performance.now();
  let awakeSince = performance.now();
  const hear = () => {
    heard = performance.now();
    banner.hidden = true;
    document.querySelector("[data-pulse]")?.classList.toggle("alive");
  };
  document.addEventListener("htmx:ws:after:message:incoming", hear);
  document.addEventListener("htmx:ws:close", (event) => {
    if (event.detail.code === 1008) location.reload();
  });
  document.addEventListener("visibilitychange", () => {
    if (!document.hidden) awakeSince = performance.now();
  });
  setInterval(() => {
    const silence = performance.now() - Math.max(heard, awakeSince);
    if (!document.hidden && silence > SILENCE_MS) banner.hidden = false;
  }, 250);
}
