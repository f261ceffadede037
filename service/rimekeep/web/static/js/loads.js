// The day's loads: asking for a plan, and following how far it is.

import { ask, newKey, tell, word } from "./ask.js";
import { renew } from "./live.js";

const LOOK_MS = 1000;

const followed = new Set();

function asked(form) {
  const field = (name) => form.elements.namedItem(name).value.trim();
  const body = { ship_on: form.dataset.day };
  const boxes = [...form.querySelectorAll("[name=vehicle_ids]")];
  const chosen = boxes.filter((box) => box.checked && !box.disabled).map((box) => Number(box.value));
  if (chosen.length) body.vehicle_ids = chosen;
  if (field("max_stops_per_trip")) body.max_stops_per_trip = Number(field("max_stops_per_trip"));
  if (!form.elements.stacks.checked) body.stacks = false;
  if (!form.elements.divide.checked) body.divide = false;
  const decimal = (name) => Number(field(name).replace(",", "."));
  if (field("latitude") || field("longitude")) {
    body.roads = {
      latitude: decimal("latitude"), longitude: decimal("longitude"), leaves_at_time: field("leaves"),
      speed_kmh: decimal("speed_kmh"), service_s: Math.round(decimal("unloading") * 60),
    };
  }
  if (Number(field("trips")) > 1) {
    const shift = { trips: Number(field("trips")), starts_at_time: field("starts"), ends_at_time: field("ends") };
    // How long a trip takes follows from the roads where they are known.
    body.shifts = [body.roads ? shift : { ...shift, trip_s: Number(field("lasts")) * 60 }];
  }
  return body;
}

document.addEventListener("submit", async (event) => {
  const form = event.target;
  if (form.id !== "ask-plan") return;
  event.preventDefault();
  if (form.dataset.busy) return; // a double tap
  form.dataset.busy = "yes";
  const body = asked(form);
  const said = JSON.stringify(body);
  if (form.said !== said) { form.said = said; form.key = newKey(); }
  const answer = await ask("POST", "/v1/load-plans", { body, key: form.key, prefer: "respond-async" });
  delete form.dataset.busy;
  if (answer.ok) await renew("part-jobs");
  else if (!answer.isSignedOut) tell(answer.words, true);
});

async function follow(part) {
  if (!part.isConnected) return;
  const said = part.querySelector("[data-part=said]");
  const answer = await ask("GET", `/v1/planning-jobs/${part.dataset.job}`);
  if (answer.ok) {
    const job = answer.body;
    if (!["waiting", "running"].includes(job.state)) {
      await renew("part-jobs");
      tell(word("over"));
      return;
    }
    const parts = [word("planning", { stage: job.stage })];
    if (job.vehicles) parts.push(word("best", { vehicles: job.vehicles, bound: job.lower_bound ?? 1 }));
    if (job.wants_stop) parts.push(word("stopping"));
    said.textContent = parts.join(" ");
  }
  setTimeout(follow, LOOK_MS, part);
}

function followAll() {
  for (const part of document.querySelectorAll("[data-job]")) {
    if (followed.has(part)) continue;
    followed.add(part);
    follow(part);
  }
}
document.addEventListener("renewed", followAll);
followAll();

document.addEventListener("click", async (event) => {
  const button = event.target.closest?.("[data-stop]");
  if (!button) return;
  const answer = await ask("POST", `/v1/planning-jobs/${button.dataset.stop}/stop`);
  tell(answer.ok ? word("stopping") : answer.words, !answer.ok);
});

// A reason leads to a field, also to one that is folded away.
function unfold() {
  const found = location.hash ? document.getElementById(location.hash.slice(1)) : null;
  found?.closest("details")?.setAttribute("open", "");
}
addEventListener("hashchange", unfold);
unfold();
