// What is drawn over each live picture: blue of the outline, amber of the edge, flips of the hatching.
() => [...document.querySelectorAll("canvas")].map((c) => {
  const d = c.getContext("2d").getImageData(0, 0, c.width, c.height).data;
  let blue = 0, amber = 0;
  const top = c.width * 24 * 4;
  for (let i = 0; i < d.length; i += 4) {
    if (d[i] < 160 && d[i + 1] > 150 && d[i + 2] > 200) blue++;
    if (i < top && d[i] > 200 && d[i + 1] > 150 && d[i + 2] < 120) amber++;
  }
  let flips = 0, was = null;
  const y = Math.round(c.height * 0.34);
  for (let x = Math.round(c.width * 0.58); x < c.width * 0.74; x++) {
    const v = d[(y * c.width + x) * 4];
    const now = v > 200 ? 1 : v < 40 ? 0 : was;
    if (was !== null && now !== was) flips++;
    was = now;
  }
  return { width: c.width, blue, amber, flips };
})
