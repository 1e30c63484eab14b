// Which page: by the width of this screen, unless the visitor comes back to choose.
if (!location.hash) {
  const link = document.querySelector(matchMedia("(min-width: 900px)").matches ? "[data-wide]" : "[data-narrow]");
  location.replace(link.href);
}
