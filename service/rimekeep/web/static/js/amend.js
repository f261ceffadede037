// A plan brought up to date: what it would come to is told first, if asked, and then what it came to.

import { ask, newKey, tell, word } from "./ask.js";
import { renew } from "./live.js";

function linesOf(answer, hasNew) {
  if (!answer.ok) return answer.body?.data?.reasons ?? [answer.words];
  const { added, removed, moved, straightened, are_new_first: isFirst, vehicle_id: vehicle, reasons } = answer.body;
  if (reasons.length) return reasons;
  const lines = [["added", added], ["removed", removed], ["moved", moved], ["straightened", straightened]]
    .filter(([, ssccs]) => ssccs.length)
    .map(([name, ssccs]) => word(`amend-${name}`, { ssccs: ssccs.join(", ") }));
  if (!lines.length) return [word("amend-same")];
  if (!moved.length) lines.push(word("amend-unmoved"));
  if (isFirst) lines.push(word("amend-first"));
  else if (hasNew) lines.push(word("amend-last"));
  if (vehicle) lines.push(word("amend-vehicle"));
  return lines;
}

function show(place, head, lines) {
  const said = document.createElement("p");
  said.textContent = head;
  const list = document.createElement("ul");
  list.append(...lines.map((text) => Object.assign(document.createElement("li"), { textContent: text })));
  place.replaceChildren(said, list);
}

addEventListener("submit", async (event) => {
  const form = event.target;
  if (!form.classList.contains("amend")) return;
  event.preventDefault();
  if (form.dataset.busy) return; // a double tap
  form.dataset.busy = "yes";
  const isLook = event.submitter?.name === "look";
  const place = form.querySelector(".came");
  place.textContent = word("seeking");
  place.classList.remove("wrong");
  const orders = [...form.querySelectorAll("[name=orders]:checked")].map((box) => Number(box.value));
  const body = isLook ? { orders, only_preview: true } : { orders };
  const said = JSON.stringify(body);
  if (form.said !== said) { form.said = said; form.key = newKey(); }
  const answer = await ask("POST", `/v1/load-plans/${form.dataset.plan}/amend`, { body, key: form.key });
  delete form.dataset.busy;
  if (!answer.isAway) form.said = null; // heard: what is asked next is asked anew
  if (answer.isSignedOut) { place.textContent = ""; return; }
  const isGood = answer.ok && !answer.body.reasons.length;
  const lines = linesOf(answer, orders.length > 0);
  const head = word(isGood ? (isLook ? "amend-can" : "amend-done") : "amend-cannot");
  place.classList.toggle("wrong", !isGood);
  show(place, head, lines);
  if (!isGood || isLook) return;
  form.reset();
  await renew("part-plans");
  tell(`${head} ${lines.join(" ")}`);
});
