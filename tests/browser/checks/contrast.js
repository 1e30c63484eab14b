// Texts whose contrast with their ground is below WCAG 2.2, 1.4.3.
() => {
  const linear = (v) => (v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4);
  const light = (c) => 0.2126 * linear(c[0] / 255) + 0.7152 * linear(c[1] / 255) + 0.0722 * linear(c[2] / 255);
  const colour = (text) => text.match(/[\d.]+/g).map(Number);
  const bad = [];
  for (const e of document.querySelectorAll("h1, h2, p, b, span, li, dt, dd, td, th, button, a, label")) {
    const speaks = [...e.childNodes].some((n) => n.nodeType === 3 && n.textContent.trim());
    if (!speaks || !e.checkVisibility() || e.closest(".said, figcaption")) continue;
    let ground = null;
    for (let back = e; back && !ground; back = back.parentElement) {
      const found = colour(getComputedStyle(back).backgroundColor);
      if (found.length < 4 || found[3] > 0) ground = found;
    }
    const style = getComputedStyle(e);
    const [a, b] = [light(colour(style.color)), light(ground || [12, 17, 21])];
    const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
    if (ratio < (parseFloat(style.fontSize) >= 24 ? 3 : 4.5)) bad.push([e.textContent.trim().slice(0, 40), ratio.toFixed(2)]);
  }
  return bad;
}
