// Notes the panel's red channel at every frame of the screen.
() => {
  window.seen = [];
  const panel = document.querySelector(".telling");
  const note = () => {
    seen.push([performance.now(), Number(getComputedStyle(panel).backgroundColor.match(/[\d.]+/g)[0]) / 255]);
    if (seen.length < 2000) requestAnimationFrame(note);
  };
  note();
}
