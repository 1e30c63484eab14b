// Notes, for each picture drawn, when it was taken and what the gauge of its camera then tells.
() => {
  window.drawn = [];
  document.addEventListener("holdstill:picture", ({ detail: told }) => requestAnimationFrame(() => {
    const place = document.querySelector(`[data-share="${told.camera}"]`);
    window.drawn.push([told.at_ms, place.textContent]);
  }));
}
