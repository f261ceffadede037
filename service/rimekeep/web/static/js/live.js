// Parts of a page that follow the store: <section data-live="kind kind" id="…">; "*": only every minute. When the stream announces one of
// the kinds, the page is asked for again and the parts that changed are put in their places. Pages that renew parts
// in a way of their own hear of it by the event "announced" on the document.

const WAIT_MS = 400; // one trip of a compressor announces much at once
const EACH_MS = 60_000;

let waiting = null;

/** The page as the server has it now; null if it cannot be had, or somebody signed out. */
export async function fresh() {
  try {
    const response = await fetch(location.href, { credentials: "same-origin" });
    if (!response.ok || response.redirected) return null;
    return new DOMParser().parseFromString(await response.text(), "text/html");
  } catch {
    return null; // away: the next message finds it
  }
}

/** Somebody is typing or choosing in there, or has typed and gone elsewhere: they are not disturbed. */
export function isInUse(part) {
  if (part.contains(document.activeElement)) return true;
  return [...part.querySelectorAll("input, textarea")].some((field) => (
    ["checkbox", "radio"].includes(field.type)
      ? field.checked !== field.defaultChecked
      : field.value !== field.defaultValue
  ));
}

/** Renew the parts that changed; `must` names one that is renewed even if somebody is in it. */
export async function renew(must = null) {
  waiting = null;
  const page = await fresh();
  if (!page) return;
  for (const part of document.querySelectorAll("[data-live][id]")) {
    const next = page.getElementById(part.id);
    const isIn = part.contains(document.activeElement);
    if (next) keepOpen(part, next);
    if (!next || next.innerHTML === part.innerHTML || (part.id !== must && isInUse(part))) continue;
    part.replaceChildren(...next.childNodes);
    if (isIn) focusOn(part);
    part.dispatchEvent(new CustomEvent("renewed", { bubbles: true }));
  }
}

// What somebody unfolded stays so.
function keepOpen(part, next) {
  const heads = [...part.querySelectorAll("details[open] > summary")].map((one) => one.textContent);
  for (const one of next.querySelectorAll("details > summary")) {
    if (heads.includes(one.textContent)) one.parentElement.open = true;
  }
}

// Where somebody was is gone: they go on at the head of the part.
function focusOn(part) {
  const head = part.querySelector("h2, h3") ?? part;
  head.tabIndex = -1;
  head.focus();
}

export function follow() {
  const named = [...document.querySelectorAll("[data-live], [data-hears]")];
  // Ages and clocks go on without any message; "*" is for that alone.
  if (document.querySelector("[data-live]")) setInterval(() => renew(), EACH_MS);
  const kinds = new Set(named.flatMap((one) => (one.dataset.live ?? one.dataset.hears).split(/\s+/)));
  kinds.delete("*");
  if (!kinds.size || !window.EventSource) return;
  const stream = new EventSource(`/v1/stream?${[...kinds].map((kind) => `kind=${kind}`).join("&")}`);
  const hear = () => { waiting ??= setTimeout(() => renew(), WAIT_MS); };
  const own = new Set(named.filter((one) => one.dataset.hears).flatMap((one) => one.dataset.hears.split(/\s+/)));
  for (const kind of kinds) {
    stream.addEventListener(kind, (event) => {
      if (own.has(kind)) document.dispatchEvent(new CustomEvent("announced", { detail: JSON.parse(event.data) }));
      else hear();
    });
  }
}
