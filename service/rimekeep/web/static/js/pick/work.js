// What the picker has to do and has said. Everything said is put into the queue on the phone first and sent from
// there, with a network or without: so there is one way only, and each thing is counted once, by its key.

import { ask, newKey, word } from "../ask.js";
import { keep, kept, sent, waiting } from "./store.js";

const AGAIN_MS = 4000;
const RENEW_MS = 60_000; // well within the time a silent device keeps its list
const MOST = 200; // calls in one request
const CLOSING = ["bring", "hand_back"];

export const work = { me: null, list: null, step: null, queue: [], notes: [], isAway: !navigator.onLine };

let changed = () => {};
let isSending = false;
let number = 0;

const own = () => work.queue.filter((entry) => entry.owner === work.me?.id);
/** What somebody else said on this phone and has not been sent. */
export const others = () => work.queue.filter((entry) => entry.owner !== work.me?.id);

/** The stops still to do: those open on the list of which nothing waits in the queue. */
export function openPicks() {
  const said = new Set(work.queue.map((entry) => entry.call.pick_id));
  return (work.list?.picks ?? []).filter((pick) => pick.state === "open" && !said.has(pick.id));
}

export async function begin(onChange) {
  changed = onChange;
  [work.me, work.list, work.step, work.notes, work.queue] = [
    await kept("me"), await kept("list"), await kept("step"), (await kept("notes")) ?? [], await waiting(),
  ];
  number = Math.max(0, ...work.queue.map((entry) => entry.number));
  changed();
  window.addEventListener("online", () => wake());
  window.addEventListener("offline", () => { work.isAway = true; changed(); });
  document.addEventListener("visibilitychange", () => { if (!document.hidden) wake(); });
  setInterval(() => { if (work.queue.length || work.isAway) wake(false); }, AGAIN_MS);
  setInterval(() => wake(), RENEW_MS);
  await wake();
}

async function wake(isRenewing = true) {
  if (!await knowMe()) { changed(); return; }
  await send();
  if (isRenewing) await renew();
  changed();
}

/** Learn who is signed in; the list of whoever was before is not shown to another. */
async function knowMe() {
  const answer = await ask("GET", "/v1/me");
  work.isAway = answer.isAway;
  if (!answer.ok) return false;
  const me = { id: answer.body.id, name: answer.body.name };
  if (work.me && work.me.id !== me.id) Object.assign(work, { list: null, step: null, notes: [] });
  work.me = me;
  await keep({ me, list: work.list, step: work.step, notes: work.notes });
  return true;
}

export async function note(text, isWrong) {
  work.notes.push({ text, isWrong });
  await keep({ notes: work.notes });
}

export async function understood() {
  work.notes = [];
  await keep({ notes: [] });
  changed();
}

export async function setStep(step) {
  work.step = step;
  await keep({ step });
}

/** Say something: it is on the phone when this returns, and sent as soon as there is a network. */
export async function say(call) {
  number += 1;
  const entry = {
    number, owner: work.me.id, by: work.me.name,
    call: { key: newKey(), at: new Date().toISOString(), ...call },
  };
  const isClosing = CLOSING.includes(call.call);
  const list = isClosing ? null : work.list;
  await keep({ step: null, list }, entry);
  Object.assign(work, { step: null, list });
  work.queue.push(entry);
  changed();
  send();
}

export async function takeNext() {
  const answer = await ask("POST", "/v1/pick-lists/next");
  work.isAway = answer.isAway;
  if (answer.ok) await hold(answer.body);
  return answer;
}

async function hold(list) {
  const step = list && list.picks.some((pick) => pick.id === work.step?.pick) ? work.step : null;
  Object.assign(work, { list, step });
  await keep({ list, step });
  changed();
}

async function send() {
  if (isSending || !own().length) return;
  isSending = true;
  try {
    while (own().length) {
      const entries = own().slice(0, MOST);
      let answer = await post(entries);
      if (answer.status === 422 && entries.length > 1) {
        // One that cannot be read must not hold up the others.
        for (const entry of entries) {
          answer = await post([entry]);
          if (!await settle([entry], answer)) return;
        }
      } else if (!await settle(entries, answer)) return;
    }
  } finally {
    isSending = false;
    changed();
  }
}

async function post(entries) {
  const body = { calls: entries.map((entry) => entry.call), sent_at: new Date().toISOString() };
  return ask("POST", "/v1/pick-queue", { body });
}

/** Take what was answered out of the queue and tell what did not go as said; false: try again later. */
async function settle(entries, answer) {
  work.isAway = answer.isAway;
  if (!answer.ok && answer.status !== 422) return false;
  const told = answer.ok
    ? answer.body.calls
    : entries.map((entry) => ({ key: entry.call.key, call: entry.call.call, outcome: "refused", line: answer.words }));
  const byKey = new Map(entries.map((entry) => [entry.call.key, entry.call]));
  let isStale = false;
  let listId = work.list?.id;
  for (const one of told) {
    const call = byKey.get(one.key);
    const first = one.outcome === "repeated" ? one.first ?? "done" : one.outcome;
    if (first === "done" && call.pick_id) {
      const pick = work.list?.picks.find((stop) => stop.id === call.pick_id);
      if (pick) Object.assign(pick, { state: "done", picked_cases: call.cases });
    } else if (first !== "done") {
      isStale = true;
      if (!["heartbeat", "take"].includes(call.call) || first === "over") {
        const isWrong = ["refused", "over"].includes(first);
        work.notes.push({ text: isWrong ? word("not-done", { line: one.line }) : one.line, isWrong });
      }
      if (call.call === "bring" && first === "refused") listId ??= call.list_id;
    }
  }
  if (answer.ok && answer.body.clock_line) work.notes.push({ text: answer.body.clock_line, isWrong: false });
  // The list first, then the queue: a stop that was done must not look open in between.
  if (isStale && listId) await reload(listId);
  await keep({ list: work.list, notes: work.notes });
  await sent(told.map((one) => one.key));
  work.queue = work.queue.filter((entry) => !byKey.has(entry.call.key));
  changed();
  return true;
}

async function reload(listId) {
  const answer = await ask("GET", `/v1/pick-lists/${listId}`);
  if (answer.ok) await hold(answer.body.device_id === work.me.id ? answer.body : null);
}

/** Tell that one is still at work, and learn what changed on the list meanwhile. */
async function renew() {
  if (!work.list || work.list.state !== "taken" || own().length) return;
  const answer = await ask("POST", `/v1/pick-lists/${work.list.id}/heartbeat`);
  if (answer.ok) {
    if (work.list?.id === answer.body.id && !own().length) await hold(answer.body);
  } else if (answer.body?.type?.endsWith("list-not-taken")) {
    // Silent for too long, and nobody else has it: as the queue does, it is taken again.
    await say({ call: "take", list_id: work.list.id });
  } else if (answer.status === 409) {
    await note(answer.words, true);
    await hold(null);
  }
}
