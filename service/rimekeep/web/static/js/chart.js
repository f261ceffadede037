// The chart's window by buttons and keys, without leaving the page. Without script the buttons are plain links.

import { tell, word } from "./ask.js";

const KEYS = { "+": "in", "=": "in", "-": "out", "−": "out", ArrowLeft: "earlier", ArrowRight: "later" };
let asked = 0;

function toNewest() {
  const chart = document.querySelector("#chart");
  if (chart) chart.scrollLeft = chart.scrollWidth;
}

async function show(href, way, isFromChart) {
  const mine = ++asked;
  let text;
  try {
    const response = await fetch(href, { credentials: "same-origin" });
    if (!response.ok || response.redirected) { location.assign(href); return; }
    text = await response.text();
  } catch {
    tell(word("away"), true);
    return;
  }
  if (mine !== asked) return; // asked again meanwhile
  const fresh = new DOMParser().parseFromString(text, "text/html");
  const part = document.querySelector("#part-chart");
  const isOpen = part.querySelector("details")?.open;
  part.replaceChildren(...fresh.querySelector("#part-chart").childNodes);
  if (isOpen) part.querySelector("details").open = true;
  for (const name of ["from", "to"]) document.getElementById(name).value = fresh.getElementById(name).getAttribute("value");
  history.replaceState(null, "", href);
  const again = isFromChart ? part.querySelector("#chart") : part.querySelector(`[data-way="${way}"]`);
  (again ?? part.querySelector("#chart")).focus({ preventScroll: true });
  toNewest();
  tell(word("window", { window: part.querySelector("#shown").textContent }));
}

document.addEventListener("click", (event) => {
  const link = event.target.closest("#part-chart a[data-way]");
  if (!link || event.ctrlKey || event.metaKey || event.shiftKey || event.button) return;
  event.preventDefault();
  show(link.href, link.dataset.way, false);
});

document.addEventListener("keydown", (event) => {
  const way = KEYS[event.key];
  if (!way || event.target.id !== "chart" || event.ctrlKey || event.metaKey || event.altKey) return;
  event.preventDefault();
  const link = document.querySelector(`#part-chart a[data-way="${way}"]`);
  if (link) show(link.href, way, true);
});

toNewest();
