// How many pixels of the first canvas have each of the layers' colours; hatched: black beside white.
() => {
  const canvas = document.querySelector("canvas");
  const { data } = canvas.getContext("2d").getImageData(0, 0, canvas.width, canvas.height);
  const near = (i, [r, g, b]) => Math.abs(data[i] - r) + Math.abs(data[i + 1] - g) + Math.abs(data[i + 2] - b) < 40;
  const found = { have: 0, ask: 0, wrong: 0, hatched: 0 };
  const colours = { have: [124, 201, 242], ask: [246, 189, 65], wrong: [255, 138, 92] };
  for (let i = 0; i < data.length; i += 4) {
    for (const [name, colour] of Object.entries(colours)) if (near(i, colour)) found[name] += 1;
    if (i + 32 < data.length && data[i] + data[i + 1] + data[i + 2] < 30 && data[i + 16] + data[i + 17] + data[i + 18] > 740) {
      found.hatched += 1;
    }
  }
  return found;
}
