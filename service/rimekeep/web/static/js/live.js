// Parts of a page that follow the store: <section data-live="kind kind" id="…">. When the stream announces one of
// the kinds (or "*": any), the page is asked for again and the parts that changed are put in their places.

const WAIT_MS = 400; // one trip of a compressor announces much at once

let waiting = null;

async function renew() {
  waiting = null;
  let text;
  try {
    const response = await fetch(location.href, { credentials: "same-origin" });
    if (!response.ok || response.redirected) return;
    text = await response.text();
  } catch {
    return; // away: the next message finds it
  }
  const fresh = new DOMParser().parseFromString(text, "text/html");
  for (const part of document.querySelectorAll("[data-live][id]")) {
    const next = fresh.getElementById(part.id);
    // Whoever is typing or choosing in there is not disturbed.
    if (!next || next.innerHTML === part.innerHTML || part.contains(document.activeElement)) continue;
    part.replaceChildren(...next.childNodes);
    part.dispatchEvent(new CustomEvent("renewed", { bubbles: true }));
  }
}

export function follow() {
  const parts = [...document.querySelectorAll("[data-live][id]")];
  if (!parts.length || !window.EventSource) return;
  const stream = new EventSource("/v1/stream");
  const hear = () => { waiting ??= setTimeout(renew, WAIT_MS); };
  const kinds = new Set(parts.flatMap((part) => part.dataset.live.split(/\s+/)));
  for (const kind of kinds) stream.addEventListener(kind, hear);
  // Ages and clocks go on without any message.
  setInterval(hear, 60_000);
}
