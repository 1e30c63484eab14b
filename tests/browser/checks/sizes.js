// Sizes of the letters that must be read while moving, and what is cut off.
() => {
  const px = (e) => (e ? parseFloat(getComputedStyle(e).fontSize) : null);
  const headline = document.querySelector("#cue h1");
  const panel = document.querySelector(".telling").getBoundingClientRect();
  return {
    cue: px(headline),
    order: px(document.querySelector("#order b")),
    wide: document.documentElement.scrollWidth - innerWidth,
    cut: headline.scrollWidth - headline.clientWidth,
    below: document.querySelector("#cue").getBoundingClientRect().bottom - panel.bottom,
    low: panel.bottom - innerHeight,
  };
}
