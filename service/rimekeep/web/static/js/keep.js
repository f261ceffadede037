// What somebody typed outlives a reload, a lost session and a server that is away: forms marked data-keep. Only what
// differs from what the page came with is kept, so that whatever somebody else changed meanwhile is seen, not undone.

import { word } from "./ask.js";

const PREFIX = "rimekeep-form ";

function fieldsOf(form) {
  return [...form.elements].filter((field) => field.name && !["password", "hidden", "file", "submit"].includes(field.type));
}

const isSwitch = (field) => ["checkbox", "radio"].includes(field.type);
const nameOf = (field) => isSwitch(field) ? `${field.name}=${field.value}` : field.name;
const nowOf = (field) => isSwitch(field) ? field.checked : field.value;

/** What the page came with. */
function givenOf(field) {
  if (isSwitch(field)) return field.defaultChecked;
  if (field.options) return ([...field.options].find((one) => one.defaultSelected) ?? field.options[0])?.value ?? "";
  return field.defaultValue;
}

function place(form) {
  return `${PREFIX}${location.pathname} ${form.dataset.keep}`;
}

export function forget(form) {
  sessionStorage.removeItem(place(form));
}

function store(form) {
  const changed = fieldsOf(form).filter((field) => nowOf(field) !== givenOf(field));
  const kept = changed.map((field) => [nameOf(field), { now: nowOf(field), given: givenOf(field) }]);
  sessionStorage.setItem(place(form), JSON.stringify(Object.fromEntries(kept)));
}

/** Say beside a field what somebody else made of it meanwhile. */
function showTheirs(field, given) {
  const note = document.createElement("p");
  note.className = "fault theirs";
  note.id = `${field.id}-theirs`;
  const shown = field.options ? [...field.options].find((one) => one.value === given)?.textContent : given;
  note.textContent = isSwitch(field) ? word("theirs-switch") : word("theirs", { value: shown || "–" });
  field.after(note);
  field.setAttribute("aria-describedby", note.id);
}

function restore(form) {
  const kept = JSON.parse(sessionStorage.getItem(place(form)) ?? "null");
  if (!kept || !Object.keys(kept).length) return;
  for (const field of fieldsOf(form)) {
    const mine = kept[nameOf(field)];
    if (!mine) continue;
    const given = givenOf(field);
    if (isSwitch(field)) field.checked = mine.now;
    else field.value = mine.now;
    if (given !== mine.given && given !== mine.now) showTheirs(field, given);
  }
  form.closest("details")?.setAttribute("open", "");
}

/** Also for forms that come into the page later, with parts that are renewed. */
export function keepForms() {
  const restoreIn = (root) => root.querySelectorAll("form[data-keep]").forEach(restore);
  const form = (event) => event.target.closest?.("form[data-keep]");
  restoreIn(document);
  document.addEventListener("renewed", (event) => restoreIn(event.target));
  document.addEventListener("input", (event) => { if (form(event)) store(form(event)); });
  document.addEventListener("submit", (event) => { if (form(event) && !event.target.dataset.ask) forget(event.target); });
}
