// The picker's page: one task on the screen, one step of it at a time.

import { ask, word } from "../ask.js";
import { draw } from "./picture.js";
import { read, verdict } from "./labels.js";
import { hasCamera, hearKeys, look } from "./scanner.js";
import { signal } from "./signal.js";
import { begin, openPicks, others, say, setStep, takeNext, understood, work } from "./work.js";

const at = (id) => document.getElementById(id);
const SCREENS = ["idle", "stop", "bring"];
const day = new Intl.DateTimeFormat(document.documentElement.lang, { dateStyle: "medium", timeZone: "UTC" });
const amount = new Intl.NumberFormat(document.documentElement.lang);

let shown = ""; // what the screen shows, so that it is not drawn anew under a finger
let isBusy = false; // a double tap
let stagingBay = null;
let turn = Promise.resolve();

function tell(text, isRight) {
  const place = at("outcome");
  place.textContent = text;
  place.className = isRight === undefined ? "" : isRight ? "right" : "wrong";
  if (isRight !== undefined) signal(isRight);
}

const pick = () => openPicks()[0] ?? null;

function stepOf(stop) {
  if (work.step?.pick === stop.id) return work.step;
  return { pick: stop.id, at: stop.bay_code ? "bay" : "scan", code: null, scan: null };
}

function fill(values) {
  for (const [name, value] of Object.entries(values)) {
    for (const place of document.querySelectorAll(`[data-fill="${name}"]`)) place.textContent = value ?? "";
  }
}

function howMany(stop) {
  if (stop.how === "pallet") return word("how-pallet");
  const layers = word(stop.layers === 1 ? "how-layer" : "how-layers", { n: amount.format(stop.layers) });
  const cases = word(stop.loose_cases === 1 ? "how-case" : "how-cases", { n: amount.format(stop.loose_cases) });
  if (!stop.layers) return cases;
  return stop.loose_cases ? word("how-both", { layers, cases }) : layers;
}

function showStop(stop) {
  const step = stepOf(stop);
  const bay = stop.bay_code ?? work.list.zone_code;
  fill({
    stop: word("stop", { n: stop.stop, all: work.list.picks.length }), bay, product: stop.product_name,
    sku: stop.sku, lot: stop.lot_code, before: day.format(new Date(stop.best_before_on)),
    cases: amount.format(stop.cases), how: howMany(stop), pallet: stop.sscc.slice(-6), note: stop.note,
    onto: stop.to_number ? word("onto", { n: stop.to_number, end: (stop.to_planned_sscc ?? "").slice(-6) }) : word("as-it-is"),
    order: stop.order_code,
  });
  at("stop-note").hidden = !stop.note;
  draw(at("how-picture"), stop);
  const isTake = step.at === "take";
  at("entry").hidden = isTake;
  at("take").hidden = !isTake;
  at("take").textContent = stop.how === "pallet"
    ? word("took-pallet", { n: amount.format(stop.cases) }) : word("took", { n: amount.format(stop.cases) });
  askFor(step.at === "bay" ? word("ask-bay", { bay }) : word("ask-scan", { end: stop.sscc.slice(-6) }), step.at === "bay");
}

function askFor(text, isCode) {
  at("entry-label").textContent = text;
  at("said").value = "";
  at("said").inputMode = isCode ? "numeric" : "text";
}

function refresh() {
  const stop = pick();
  const screen = !work.list ? "idle" : stop ? "stop" : "bring";
  const unsent = work.queue.length;
  at("unsent").textContent = unsent ? word("unsent", { n: unsent }) : work.isAway ? word("away-sign") : word("all-sent");
  at("unsent").className = unsent ? "waiting" : work.isAway ? "away" : "sent";
  const strange = others();
  const notes = [...work.notes];
  if (work.me && strange.length) notes.push({ text: word("others", { n: strange.length, name: strange[0].by }), isWrong: true });
  at("notes").hidden = !notes.length;
  at("notes-list").replaceChildren(...notes.map((one) => {
    const line = document.createElement("li");
    line.textContent = one.text;
    line.className = one.isWrong ? "wrong" : "";
    return line;
  }));
  at("list-menu").hidden = screen === "idle";
  const state = JSON.stringify([screen, stop, stop && stepOf(stop), work.list?.picks.length, screen === "bring" && stagingBay]);
  if (state === shown) return;
  shown = state;
  for (const name of SCREENS) at(name).hidden = name !== screen;
  if (screen === "stop") showStop(stop);
  if (screen === "bring") {
    fill({ list: work.list.id });
    at("bring-label").textContent = stagingBay ? word("ask-bay", { bay: stagingBay }) : word("ask-staging");
    at("bring-said").value = "";
  }
}

async function goOn(stop, step, text) {
  await setStep(step);
  refresh();
  tell(text, true);
}

/** Ask the service about what is at hand, where there is a network; it changes nothing. */
async function check(stop, said) {
  const answer = await ask("POST", `/v1/picks/${stop.id}/check`, { body: said });
  return answer.status === 422 || answer.status === 409 ? answer : null;
}

async function heardCode(stop, step, text) {
  if (read(text)) { tell(word("not-a-code"), false); return; }
  await goOn(stop, { ...step, at: "scan", code: text }, word("right-bay"));
  // Nobody waits for the answer: the next scan may come before it.
  if (!work.isAway) checkCode(stop, step, text);
}

async function checkCode(stop, step, text) {
  const against = await check(stop, { bay_check_code: text });
  // Only while nothing was said of the stop: afterwards the service's own answer counts.
  if (!against || pick()?.id !== stop.id || work.step?.code !== text) return;
  await setStep({ ...step, at: "bay", code: null });
  refresh();
  tell(against.words, false);
}

async function heardScan(stop, step, text) {
  let found = verdict(text, stop);
  if (found === "unsure" && !work.isAway) {
    const against = await check(stop, { bay_check_code: step.code ?? undefined, scan: text });
    if (against) { tell(against.words, false); return; }
  }
  if (found === "unsure") found = "right";
  if (found !== "right") {
    tell(word(found, { end: stop.sscc.slice(-6), lot: stop.lot_code }), false);
    return;
  }
  await goOn(stop, { ...step, at: "take", scan: text }, word("right-scan", { n: amount.format(stop.cases), how: howMany(stop) }));
}

async function hear(text) {
  const stop = pick();
  if (trouble.open) { fillTrouble(text); return; }
  if (!work.list) return;
  if (!stop) { await heardStaging(text); return; }
  const step = stepOf(stop);
  if (step.at === "bay") await heardCode(stop, step, text);
  else if (step.at === "scan") await heardScan(stop, step, text);
  else tell(word(text === step.scan ? "again" : "scanned-already", { n: amount.format(stop.cases) }), text === step.scan);
}

/** One scan after the other: none is lost because the one before is still being kept. */
function heard(raw) {
  const text = raw.trim();
  if (text) turn = turn.then(() => hear(text)).catch(() => tell(word("failed"), false));
  return turn;
}

async function heardStaging(text) {
  if (!stagingBay) {
    stagingBay = text.toUpperCase();
    refresh();
    tell(word("right-staging", { bay: stagingBay }), true);
    return;
  }
  const bay = stagingBay;
  stagingBay = null;
  await say({ call: "bring", list_id: work.list.id, bay, bay_check_code: text });
  tell(word("brought", { bay }), true);
}

async function took(event) {
  event.preventDefault();
  const stop = pick();
  if (isBusy || !stop || stepOf(stop).at !== "take") return;
  isBusy = true;
  try {
    const { code, scan } = work.step;
    await say({ call: "confirm", pick_id: stop.id, scan, bay_check_code: code ?? undefined, cases: stop.cases });
    tell(word(pick() ? "done-next" : "done-last", { n: amount.format(stop.cases), stop: stop.stop }), true);
  } finally {
    isBusy = false;
  }
}

const trouble = at("trouble");
const form = trouble.querySelector("form");
const asked = (name) => form.elements.namedItem(name);

function openTrouble() {
  const step = stepOf(pick());
  form.reset();
  asked("code").value = step.code ?? "";
  asked("scan").value = step.scan ?? "";
  at("trouble-wrong").textContent = "";
  showNeeded();
  trouble.showModal();
}

function showNeeded() {
  const kind = asked("kind").value;
  for (const place of form.querySelectorAll("[data-for]")) place.hidden = !place.dataset.for.split(" ").includes(kind);
}

function fillTrouble(text) {
  asked(read(text) ? "scan" : "code").value = text;
}

async function report(event) {
  if (event.submitter?.value !== "report") return;
  event.preventDefault();
  const stop = pick();
  if (isBusy || !stop) return;
  const kind = asked("kind").value;
  const number = (name) => (asked(name).value.trim() === "" ? null : Number(asked(name).value));
  const said = {
    call: kind, pick_id: stop.id, reason: asked("reason").selectedOptions[0].value,
    bay_check_code: asked("code").value.trim() || undefined,
  };
  let missing = stop.bay_code && !said.bay_check_code ? "need-code" : "";
  if (kind !== "not_found") {
    said.cases = number("taken");
    said.scan = asked("scan").value.trim() || undefined;
    if (!Number.isInteger(said.cases) || said.cases < 0) missing ||= "need-cases";
    else if (said.cases > stop.cases) missing ||= "need-fewer";
    else if (kind === "short" && said.cases >= stop.cases) missing ||= "need-fewer";
    if (!said.scan && !(kind === "short" && said.cases === 0)) missing ||= "need-scan";
    else if (kind !== "substitute" && said.scan && !["right", "unsure"].includes(verdict(said.scan, stop))) missing ||= "need-scan";
  }
  if (kind === "damaged") {
    said.cases_damaged = number("broken");
    if (!Number.isInteger(said.cases_damaged) || said.cases_damaged < 1) missing ||= "need-broken";
  }
  if (kind === "substitute" && !said.cases) missing ||= "need-cases";
  if (missing) {
    at("trouble-wrong").textContent = word(missing, { n: amount.format(stop.cases) });
    signal(false);
    return;
  }
  isBusy = true;
  try {
    await say(said);
    trouble.close();
    tell(word("reported", { stop: stop.stop }), true);
  } finally {
    isBusy = false;
  }
}

async function offers() {
  const place = at("offers");
  const answer = await ask("GET", `/v1/picks/${pick().id}/substitutes`);
  place.textContent = !answer.ok ? answer.words : answer.body.length
    ? answer.body.map((one) => word("offer", { bay: one.bay_code ?? "–", end: one.sscc.slice(-6), lot: one.lot_code, n: one.cases })).join(" ")
    : word("no-offer");
}

async function next() {
  if (isBusy) return;
  isBusy = true;
  at("next").setAttribute("aria-disabled", "true");
  try {
    const answer = await takeNext();
    if (answer.ok) tell(answer.body ? word("taken", { n: answer.body.id }) : word("no-work"), Boolean(answer.body) || undefined);
    else if (!answer.isSignedOut) tell(answer.isAway ? word("no-network") : answer.words, false);
    refresh();
  } finally {
    isBusy = false;
    at("next").removeAttribute("aria-disabled");
  }
}

function typed(event) {
  event.preventDefault();
  const field = event.target.querySelector("input");
  const text = field.value;
  field.value = "";
  // Scanners type outside of fields; a field keeps no focus, or the next scan would open the keyboard.
  field.blur();
  heard(text);
}

at("next").addEventListener("click", next);
at("entry").addEventListener("submit", typed);
at("bring-entry").addEventListener("submit", typed);
at("take").addEventListener("click", took);
at("understood").addEventListener("click", understood);
at("not-right").addEventListener("click", openTrouble);
at("offers-ask").addEventListener("click", offers);
form.addEventListener("change", showNeeded);
form.addEventListener("submit", report);
// A scan typed into a field ends with Enter; a report is sent by its button alone.
form.addEventListener("keydown", (event) => {
  if (event.key === "Enter" && event.target.matches("input[type=text]")) event.preventDefault();
});
at("hand-back").addEventListener("click", async () => {
  if (isBusy || !work.list) return;
  const { id } = work.list;
  await say({ call: "hand_back", list_id: id });
  tell(word("handed-back", { n: id }), true);
});
at("another-bay").addEventListener("click", () => { stagingBay = null; refresh(); });
for (const button of document.querySelectorAll("[data-camera]")) {
  button.hidden = !hasCamera;
  button.addEventListener("click", async () => {
    try {
      const code = await look(at("camera"));
      if (code) await heard(code);
    } catch { tell(word("no-camera"), false); }
  });
}
hearKeys(heard);
begin(refresh);
if ("serviceWorker" in navigator) navigator.serviceWorker.register("/pick/worker.js", { scope: "/pick" });
