// once
// What the service tells once (a token, an invitation's link, a secret) is shown until somebody says it is noted.
// Forms are marked data-once with what kind of thing comes back.

import { word } from "./ask.js";

const dialog = document.querySelector("#once");
const value = document.querySelector("#once-value");
const told = document.querySelector("#once-told");

function said(kind, body) {
  if (kind === "invitation") return `${location.origin}${body.path}`;
  return kind === "secret" ? body.secret : body.token;
}

document.addEventListener("answered", (event) => {
  const kind = event.target.dataset.once;
  if (!kind || !dialog) return;
  const text = event.detail.body ? said(kind, event.detail.body) : "";
  // A mailbox has no secret.
  if (!text) { location.reload(); return; }
  for (const part of dialog.querySelectorAll("[data-for]")) part.hidden = part.dataset.for !== kind;
  value.value = text;
  told.textContent = "";
  dialog.showModal();
  value.select();
});

document.querySelector("#once-copy")?.addEventListener("click", async () => {
  value.select();
  try {
    await navigator.clipboard.writeText(value.value);
    told.textContent = word("copied");
  } catch {
    told.textContent = word("by-hand"); // not over plain HTTP
  }
});

// Also by the Escape key: what was shown is gone either way.
dialog?.addEventListener("close", () => { value.value = ""; location.reload(); });
document.querySelector("#once-close")?.addEventListener("click", () => dialog.close());
