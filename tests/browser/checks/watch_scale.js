// Notes how closely the first picture is looked at, each time that changes.
() => {
  window.scales = [];
  const glass = document.querySelector("canvas");
  new MutationObserver(() => window.scales.push(Number(glass.dataset.scale)))
    .observe(glass, { attributes: true, attributeFilter: ["data-scale"] });
}
