// Words that are cut off: outside a box that hides what overflows, with no way to scroll there.
() => {
  const out = [];
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  for (let node = walk.nextNode(); node; node = walk.nextNode()) {
    const words = node.textContent.trim();
    const own = node.parentElement;
    if (!words || !own.checkVisibility({ opacityProperty: true, visibilityProperty: true })) continue;
    if (own.closest("svg, script, .skip, [hidden]")) continue;
    const range = document.createRange();
    range.selectNodeContents(node);
    for (const box of range.getClientRects()) {
      let bad = false;
      for (let e = own; e && e !== document.body; e = e.parentElement) {
        const style = getComputedStyle(e);
        if (style.clipPath !== "none") break;
        if (style.position === "fixed") break;
        if (style.textOverflow === "ellipsis" && style.whiteSpaceCollapse && style.overflowX === "hidden") break;
        const held = e.getBoundingClientRect();
        const scrolls = (way) => way === "auto" || way === "scroll";
        if (style.overflowX === "hidden" && (box.right > held.right + 2 || box.left < held.left - 2)) bad = true;
        if (style.overflowY === "hidden" && (box.bottom > held.bottom + 2 || box.top < held.top - 2)) bad = true;
        if (scrolls(style.overflowX) && e.scrollWidth > e.clientWidth + 2 && !e.matches(".numbers, .eyes")) bad = true;
        if (scrolls(style.overflowY)) break;
      }
      if (bad) { out.push(words.slice(0, 60)); break; }
    }
  }
  return out;
}
