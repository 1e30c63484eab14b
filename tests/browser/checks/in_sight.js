// How far down the order, its panel and the bar of taps reach or begin (px).
() => {
  const box = (what) => document.querySelector(what).getBoundingClientRect();
  return { order: box("#order").bottom, panel: box(".telling").bottom, bar: box(".acts").top };
}
