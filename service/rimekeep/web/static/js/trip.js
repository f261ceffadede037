// A trip's deck: move a unit by mouse, keyboard, taps or the form; every place is checked as soon as it is aimed at.

import { Answer, ask, newKey, tell, word } from "./ask.js";
import { fresh, isInUse } from "./live.js";
import { verdictOf } from "./verdict.js";

const DRAGGED_PX = 6;
const RENEWED = ["part-head", "part-above", "part-key", "part-mover", "part-follows", "part-road"];

const form = () => document.querySelector("#mover");
const deck = () => document.querySelector("[data-moves]");
const verdict = document.querySelector("#verdict");
const trip = Number(form()?.dataset.trip);

let chosen = null; // { sscc, drop, row, lane }
let aimed = null; // { row, lane, trip, answer }
let asking = null;
let known = null; // every place judged for the chosen unit: a promise of a Map by "row:lane"
const ownMoves = new Set(); // as they will be announced

function optionOf(sscc) { return form().elements.unit.querySelector(`[value="${sscc}"]`); }
function spotAt(row, lane) { return document.querySelector(`#at-${row}-${lane}`); }

function unitOf(sscc) {
  const { row, lane, drop } = optionOf(sscc).dataset;
  return { sscc, drop, row: Number(row), lane: Number(lane) };
}

function mark() {
  for (const old of document.querySelectorAll(".spot.chosen, .spot.aimed, .spot.bad")) old.classList.remove("chosen", "aimed", "bad");
  if (chosen) spotAt(chosen.row, chosen.lane)?.classList.add("chosen");
  for (const spot of document.querySelectorAll(".spot[role=button]")) spot.setAttribute("aria-pressed", String(spot.classList.contains("chosen")));
  if (aimed && aimed.trip === trip) spotAt(aimed.row, aimed.lane)?.classList.add("aimed");
}

function choose(sscc) {
  chosen = unitOf(sscc);
  aimed = null;
  form().elements.unit.value = sscc;
  verdict.textContent = word("chosen", chosen);
  verdict.className = "";
  mark();
  known = judgeAll(sscc);
}

/** Have the service judge all places at once, so that each is told without waiting when it is aimed at. */
async function judgeAll(sscc) {
  const answer = await ask("GET", `/v1/trips/${trip}/places?sscc=${sscc}`);
  const moves = answer.ok ? answer.body.places.filter((one) => one.move) : [];
  return new Map(moves.map((one) => [`${one.row}:${one.lane}`, new Answer(200, one.move, null)]));
}

function letGo() {
  asking?.abort();
  if (chosen) verdict.textContent = word("let-go");
  chosen = aimed = known = null;
  verdict.className = "";
  mark();
}

function bodyOf(preview) {
  const body = { sscc: chosen.sscc, row: aimed.row, lane: aimed.lane };
  if (aimed.tier) body.tier = aimed.tier;
  if (aimed.trip !== trip) body.to_trip_id = aimed.trip;
  if (preview) body.only_preview = true;
  return body;
}

/** Aim at a place: it is judged at once, and told in words. */
async function aim(place) {
  asking?.abort();
  const own = aimed = { ...place, answer: null };
  if (place.trip === trip && place.row === chosen.row && place.lane === chosen.lane) {
    verdict.textContent = word("stays");
    verdict.className = "";
    mark();
    return;
  }
  mark();
  form().elements.place.value = `${place.trip}:${place.row}:${place.lane}${place.tier ? `:${place.tier}` : ""}`;
  let answer = place.trip === trip && !place.tier ? (await known)?.get(`${place.row}:${place.lane}`) : null;
  if (aimed !== own) return;
  if (!answer) {
    asking = new AbortController();
    try {
      answer = await ask("POST", `/v1/trips/${trip}/moves`, { body: bodyOf(true), signal: asking.signal });
    } catch { return; } // aimed elsewhere meanwhile
    if (aimed !== own) return;
  }
  own.answer = answer;
  show(answer, own, "can");
}

function show(answer, place, good) {
  const isGood = answer.ok && !answer.body.violations.length;
  verdict.className = isGood ? "right" : "wrong";
  verdict.replaceChildren(...verdictOf(answer, chosen, place, { trip, good, units: form().dataset.units }));
  if (!isGood) spotAt(place.row, place.lane)?.classList.add("bad");
}

async function move() {
  if (!chosen || !aimed || verdict.dataset.busy) return;
  if (aimed.trip === trip && aimed.row === chosen.row && aimed.lane === chosen.lane) return;
  const place = aimed;
  if (!place.answer) await aim(place);
  if (!aimed?.answer?.ok || aimed.answer.body.violations.length) return; // told why already
  verdict.dataset.busy = "yes";
  const own = `${chosen.sscc} ${place.trip}:${place.row}:${place.lane}`;
  ownMoves.add(own);
  const answer = await ask("POST", `/v1/trips/${trip}/moves`, { body: bodyOf(false), key: newKey() });
  delete verdict.dataset.busy;
  show(answer, aimed, "made");
  if (!answer.ok) { ownMoves.delete(own); return; }
  chosen = aimed = known = null;
  await renew();
  if (place.trip === trip && document.activeElement === document.body) focusOn(spotAt(place.row, place.lane));
}

/** Turn the chosen unit by 90° where it stands; a turn that breaks a rule is told and not done. */
async function turn(button) {
  if (button.dataset.busy) return;
  button.dataset.busy = "yes";
  chosen = unitOf(form().elements.unit.value);
  const { sscc, row, lane } = chosen;
  const answer = await ask("POST", `/v1/trips/${trip}/moves`, { body: { sscc, turn: true }, key: newKey() });
  delete button.dataset.busy;
  if (answer.isSignedOut) return;
  show(answer, { row, lane, trip }, "turned");
  if (!answer.ok) return;
  chosen = aimed = known = null;
  await renew();
}

/** Put what follows from a change in its place: decks, weights, cold, and how the load is held. */
async function renew() {
  const page = await fresh();
  if (!page) return;
  const fields = form()?.elements;
  const kept = [fields?.unit.value, fields?.place.value, document.activeElement.id || document.activeElement.name];
  for (const id of RENEWED) {
    const part = document.getElementById(id);
    if (!part || (id === "part-road" && isInUse(part))) continue;
    part.replaceChildren(...(page.getElementById(id)?.childNodes ?? []));
    part.dispatchEvent(new CustomEvent("renewed", { bubbles: true }));
  }
  if (form()) {
    form().elements.unit.value = kept[0];
    form().elements.place.value = kept[1];
  }
  if (kept[2] && document.activeElement === document.body) {
    const again = document.getElementById(kept[2]) ?? form()?.elements[kept[2]];
    if (again?.classList.contains("spot")) focusOn(again);
    else again?.focus();
  }
  mark();
}

// Somebody else moved a unit, or the trip went on: what is shown and what was judged is old.
document.addEventListener("announced", async ({ detail: { data } }) => {
  if (data.to && ownMoves.delete(`${data.sscc} ${data.to_trip_id}:${data.to[0]}:${data.to[1]}`)) return;
  const touched = [data.trip_id, data.to_trip_id].filter(Boolean);
  const shown = document.querySelector("[data-hears]").dataset.trips.split(" ").map(Number);
  if (touched.length && !touched.some((one) => shown.includes(one))) return;
  const [unit, place] = [chosen, aimed];
  await renew();
  if (!unit || chosen !== unit) return;
  if (!form()?.elements.unit.querySelector(`[value="${unit.sscc}"]`)) { letGo(); return; }
  choose(unit.sscc);
  if (place) await aim({ trip: place.trip, row: place.row, lane: place.lane, tier: place.tier });
});

function focusOn(spot) {
  if (!spot) return;
  for (const one of deck().querySelectorAll(".spot")) one.setAttribute("tabindex", one === spot ? "0" : "-1");
  spot.focus();
}

function placeOf(spot) {
  return { trip, row: Number(spot.dataset.row), lane: Number(spot.dataset.lane) };
}

/** Enter or a tap: choose a unit, the next one on the same place, or move the chosen one to where it is aimed. */
function press(spot) {
  const here = spot.dataset.ssccs.split(" ").filter(Boolean);
  if (!chosen) {
    if (here.length) choose(here.at(-1));
    return;
  }
  const at = here.indexOf(chosen.sscc);
  if (at > 0) choose(here[at - 1]); // below it on the same place
  else if (at === 0) letGo();
  else if (aimed?.answer && spot === spotAt(aimed.row, aimed.lane) && aimed.trip === trip) move();
  else aim(placeOf(spot));
}

const STEPS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] };

function step(spot, [along, across]) {
  let { row, lane } = placeOf(spot);
  row += along;
  lane += across;
  let next = spotAt(row, lane);
  while (!next && along && lane > 0) next = spotAt(row, --lane); // a narrower row
  if (!next) return;
  focusOn(next);
  if (chosen) aim(placeOf(next));
}

addEventListener("keydown", (event) => {
  const spot = event.target.closest?.("[data-moves] .spot");
  if (event.key === "Escape" && chosen) { letGo(); return; }
  if (!spot) return;
  if (STEPS[event.key]) step(spot, STEPS[event.key]);
  else if (event.key === "Enter" || event.key === " ") press(spot);
  else return;
  event.preventDefault();
});

// A mouse or a pen drags; a finger scrolls and taps.
let drag = null;

addEventListener("pointerdown", (event) => {
  const spot = event.target.closest?.("[data-moves] .spot");
  if (!spot || event.button !== 0) return;
  drag = { spot, x: event.clientX, y: event.clientY, isMoved: false, isFinger: event.pointerType === "touch" };
  if (!drag.isFinger) event.preventDefault();
});

addEventListener("pointermove", (event) => {
  if (!drag || drag.isFinger) return;
  if (!drag.isMoved) {
    if (Math.hypot(event.clientX - drag.x, event.clientY - drag.y) < DRAGGED_PX) return;
    const here = drag.spot.dataset.ssccs.split(" ").filter(Boolean);
    if (!here.length) { drag = null; return; }
    drag.isMoved = true;
    if (!chosen || !here.includes(chosen.sscc)) choose(here.at(-1));
    deck().classList.add("dragging");
  }
  const over = document.elementFromPoint(event.clientX, event.clientY)?.closest("[data-moves] .spot");
  if (over && !(aimed && over === spotAt(aimed.row, aimed.lane))) aim(placeOf(over));
});

addEventListener("pointerup", async (event) => {
  if (!drag) return;
  const { spot, isMoved } = drag;
  drag = null;
  deck()?.classList.remove("dragging");
  const over = document.elementFromPoint(event.clientX, event.clientY)?.closest("[data-moves] .spot");
  if (!isMoved) {
    if (over === spot) { focusOn(spot); press(spot); }
    return;
  }
  if (!over) { letGo(); return; }
  await move();
});
addEventListener("pointercancel", () => { drag = null; deck()?.classList.remove("dragging"); });

// The form: the same in words.
function fromForm() {
  const { unit, place } = form().elements;
  choose(unit.value);
  const [to, row, lane, tier = 0] = place.value.split(":").map(Number);
  return { trip: to, row, lane, tier };
}

addEventListener("click", async (event) => {
  const button = event.target.closest?.("#mover button[type=button]");
  if (!button) return;
  if (button.name === "check") { const to = form().elements.place.value; const place = fromForm(); form().elements.place.value = to; await aim(place); return; }
  if (button.name === "turn") { await turn(button); return; }
  const isPinned = button.name === "pin";
  const answer = await ask("POST", `/v1/trips/${trip}/pins`, { body: { ssccs: [form().elements.unit.value], is_pinned: isPinned } });
  if (!answer.ok) { tell(answer.words, true); return; }
  tell(word(isPinned ? "pinned" : "unpinned"));
  letGo();
  await renew();
});

addEventListener("submit", async (event) => {
  if (event.target.id !== "mover") return;
  event.preventDefault();
  await aim(fromForm());
  await move();
});

// A drop handed over, with what was refused and taken back; or what was taken back, said anew.
const decimal = (field) => Number(field.value.trim().replace(",", "."));

function emptiesOf(drop) {
  return [...drop.querySelectorAll(".back")].flatMap((row) => {
    const [pieces, mass, places] = row.querySelectorAll("input");
    if (!decimal(pieces)) return [];
    const told = { kind: row.dataset.kind, pieces: decimal(pieces) };
    if (mass.value.trim()) told.mass_kg = decimal(mass);
    if (places.value.trim()) told.places = decimal(places);
    return [told];
  });
}

function refusalsOf(drop) {
  const refusals = [];
  for (const row of drop.querySelectorAll(".refusal")) {
    const [tick, why, cases] = row.querySelectorAll("input");
    if (!tick.checked) continue;
    if (!why.value.trim()) { tell(word("why"), true); why.focus(); return null; }
    const told = { sscc: row.dataset.sscc, reason: why.value.trim() };
    if (cases.value) told.cases = Number(cases.value);
    refusals.push(told);
  }
  return refusals;
}

addEventListener("submit", async (event) => {
  const drop = event.target;
  const isCorrected = drop.classList.contains("correct");
  if (drop.id !== "deliver" && !isCorrected) return;
  event.preventDefault();
  if (drop.dataset.busy) return;
  const body = { empties: emptiesOf(drop) };
  if (isCorrected) {
    body.reason = drop.elements.reason.value.trim();
  } else {
    body.note = drop.elements.note.value.trim();
    body.refusals = refusalsOf(drop);
    if (!body.refusals) return;
  }
  const said = JSON.stringify(body);
  if (drop.said !== said) { drop.said = said; drop.key = newKey(); }
  drop.dataset.busy = "yes";
  const answer = await ask("POST", drop.dataset.path, { body, key: drop.key });
  delete drop.dataset.busy;
  if (answer.ok) {
    drop.reset(); // what was said of this drop is not to stand in the next one's form
    location.reload();
  } else if (!answer.isSignedOut) tell(answer.words, true);
});
