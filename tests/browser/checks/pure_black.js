// How many pixels of each canvas are pure black.
() => [...document.querySelectorAll("canvas")].map((canvas) => {
  const { data } = canvas.getContext("2d").getImageData(0, 0, canvas.width, canvas.height);
  let count = 0;
  for (let i = 0; i < data.length; i += 4) count += data[i] + data[i + 1] + data[i + 2] === 0;
  return count;
});
