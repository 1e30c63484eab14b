// Controls smaller than 44 px either way.
() => [...document.querySelectorAll("button, summary, select, input, a.tap, .foot a, .names a, .files a")]
  .filter((e) => e.checkVisibility())
  .map((e) => [e.textContent.trim(), e.getBoundingClientRect()])
  .filter(([, box]) => box.height < 43.5 || box.width < 43.5)
  .map(([words, box]) => [words, box.width, box.height])
