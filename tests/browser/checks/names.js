// What a screen reader could not name, ids that stand twice, pictures inside live regions.
() => {
  const bad = [];
  const all = (wanted) => [...document.querySelectorAll(wanted)];
  const byId = (ids) => (ids || "").split(" ").map((id) => document.getElementById(id)?.textContent || "").join("");
  const name = (e) => (e.getAttribute("aria-label") || e.textContent.trim() || byId(e.getAttribute("aria-labelledby"))).trim();
  for (const e of all("button, a[href], summary, [role=group]")) if (!name(e)) bad.push(e.outerHTML);
  for (const e of all("input:not([type=hidden]), select")) if (!e.labels?.length) bad.push(e.outerHTML);
  for (const e of all("img")) if (!e.alt && !(e.closest("a") && name(e.closest("a")))) bad.push(e.outerHTML);
  for (const e of all("svg")) {
    const hidden = e.getAttribute("aria-hidden") === "true";
    if (!hidden && !(e.getAttribute("role") === "img" && name(e))) bad.push(e.outerHTML.slice(0, 120));
  }
  const ids = all("[id]").map((e) => e.id);
  for (const id of ids) if (ids.indexOf(id) !== ids.lastIndexOf(id)) bad.push("twice: " + id);
  if (all("h1").length !== 1) bad.push("not one h1");
  if (all("main").length !== 1) bad.push("not one main");
  if (!document.documentElement.lang || !document.title) bad.push("no language or title");
  if (all("[aria-live] canvas, [aria-live] img, [role=status] canvas, [role=alert] canvas").length) bad.push("picture in a live region");
  if (!document.querySelector("#cue[aria-live=polite]")) bad.push("the cue is not announced");
  return bad;
}
