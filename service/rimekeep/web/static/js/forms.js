// Forms that speak to the service: <form data-ask="POST /v1/…">. Fields become a JSON body by their names
// ("a.b" nests, "a[0].b" makes a list), typed by data-as (number, whole, minutes told in seconds, flag, list, ids, json, moment, rows, line);
// empty ones are left out unless data-as is line or ends in "?". Boxes of one name with data-as "member" become the
// list of those ticked ("members": of numbers). {name} in the address is taken from the field of that name.
// data-then: "reload", an address to go to, or nothing; {name} there is taken from the answer's body.

import { ask, newKey, tell, word } from "./ask.js";
import { forget } from "./keep.js";

function valueOf(field) {
  const kind = field.dataset.as ?? (field.type === "checkbox" ? "flag" : "text");
  if (kind === "flag") return field.checked;
  const text = field.value.trim();
  if (kind === "line") return text;
  if (text === "") return kind.endsWith("?") ? null : undefined;
  switch (kind.replace("?", "")) {
    case "number": case "whole": return Number.isFinite(Number(text.replace(",", "."))) ? Number(text.replace(",", ".")) : text;
    case "minutes": return Number.isFinite(Number(text.replace(",", "."))) ? Math.round(Number(text.replace(",", ".")) * 60) : text;
    case "list": return text.split(/[\s,;]+/);
    case "ids": return text.split(/[\s,;]+/).map(Number);
    case "json": return JSON.parse(text);
    case "rows": return rowsOf(text, field.dataset.columns.split(" "));
    case "moment": return new Date(text).toISOString();
    default: return text;
  }
}

// One object a line, numbers parted by ";", a tab, blanks, or a comma; with ";" a comma is the decimal point.
function rowsOf(text, names) {
  return text.split(/\r?\n/).filter((line) => line.trim()).map((line) => {
    const cells = line.includes(";") ? line.replaceAll(",", ".").split(";") : line.split(/[\s,]+/);
    return Object.fromEntries(names.map((name, place) => {
      const cell = (cells[place] ?? "").trim();
      return [name, cell === "" || Number.isNaN(Number(cell)) ? cell : Number(cell)];
    }));
  });
}

// Fields named "turns[0].weekday" become a list of objects; a row whose field marked data-key is empty is no row.
export function bodyOf(form, used = new Set()) {
  const fields = [...form.elements].filter((field) => field.name && !used.has(field.name) && !field.disabled
    && !(field.type === "radio" && !field.checked));
  const rowOf = (field) => field.name.slice(0, field.name.lastIndexOf("."));
  const blank = new Set(fields.filter((field) => "key" in field.dataset && valueOf(field) === undefined).map(rowOf));
  const body = {};
  for (const field of fields) {
    const names = field.name.match(/[^.[\]]+/g);
    const isBlank = blank.has(rowOf(field));
    const isMember = field.dataset.as?.startsWith("member");
    const value = isMember ? undefined : valueOf(field);
    if (value === undefined && !isMember && !isBlank) continue;
    let place = body;
    for (const [depth, name] of names.slice(0, -1).entries()) {
      if (isBlank && Array.isArray(place)) break; // the list is sent, this row of it is not
      place = place[name] ??= /^\d+$/.test(names[depth + 1]) ? [] : {};
    }
    if (isBlank) continue;
    const last = names.at(-1);
    if (!isMember) place[last] = value;
    else if (field.checked) (place[last] ??= []).push(field.dataset.as === "members" ? Number(field.value) : field.value);
    else place[last] ??= [];
  }
  return packed(body);
}

// Lists without the rows that were left out.
function packed(value) {
  if (Array.isArray(value)) return value.filter(() => true).map(packed);
  if (value === null || typeof value !== "object") return value;
  return Object.fromEntries(Object.entries(value).map(([name, one]) => [name, packed(one)]));
}

function showFaults(form, answer) {
  for (const old of form.querySelectorAll(".fault")) old.remove();
  for (const field of form.elements) field.removeAttribute("aria-invalid");
  const isOutdated = answer.status === 412;
  let rest = [isOutdated ? word("changed") : answer.isAway || !answer.faults.length ? answer.words : answer.body.detail];
  let first = null;
  for (const fault of isOutdated ? [] : answer.faults) {
    const name = fault.field.replace(/^body\./, "");
    const field = form.elements.namedItem(name);
    if (!field || !field.id) { rest.push(`${name}: ${fault.detail} ${fault.mend}`); continue; }
    const note = document.createElement("p");
    note.className = "fault wrong";
    note.id = `${field.id}-fault`;
    note.textContent = `${fault.detail} ${fault.mend}`;
    field.after(note);
    field.setAttribute("aria-invalid", "true");
    field.setAttribute("aria-describedby", note.id);
    first ??= field;
  }
  const summary = document.createElement("p");
  summary.className = "fault wrong";
  summary.setAttribute("role", "alert");
  summary.textContent = rest.join(" ");
  form.prepend(summary);
  if (isOutdated) {
    const look = document.createElement("button");
    look.type = "button";
    look.className = "fault";
    look.textContent = word("look");
    look.addEventListener("click", () => location.reload());
    summary.after(look);
    look.focus();
    return;
  }
  (first ?? form.querySelector("button"))?.focus();
}

function filled(address, source, used) {
  return address.replace(/\{(\w+)\}/g, (_, name) => {
    used?.add(name);
    return encodeURIComponent(source(name));
  });
}

async function send(form, event) {
  event.preventDefault();
  if (form.dataset.busy) return; // a double tap
  form.dataset.busy = "yes";
  const button = event.submitter;
  button?.setAttribute("aria-disabled", "true");
  const [method, address] = form.dataset.ask.split(" ");
  const used = new Set();
  const path = filled(address, (name) => form.elements.namedItem(name).value.trim(), used);
  let body;
  try {
    body = bodyOf(form, used);
  } catch (error) {
    tell(error.message, true);
    delete form.dataset.busy;
    return;
  }
  if (button?.name) body[button.name] = button.value;
  // The key stays while the same is asked again, so that nothing happens twice after a lost answer.
  const said = JSON.stringify([path, body]);
  if (form.said !== said) { form.said = said; form.key = newKey(); }
  const hasBody = method !== "DELETE" && (Object.keys(body).length > 0 || form.dataset.empty !== undefined);
  const answer = await ask(method, path, {
    body: hasBody ? body : undefined, key: method === "POST" ? form.key : undefined,
    etag: form.dataset.etag, reason: form.elements.namedItem("change-reason")?.value,
  });
  delete form.dataset.busy;
  button?.removeAttribute("aria-disabled");
  if (!answer.ok) {
    if (answer.status >= 400 && answer.status < 500 && !answer.isSignedOut) form.said = null;
    if (!answer.isSignedOut) showFaults(form, answer);
    return;
  }
  form.said = null;
  forget(form);
  form.dispatchEvent(new CustomEvent("answered", { bubbles: true, detail: answer }));
  const then = form.dataset.then;
  if (then === "reload") {
    form.reset(); // or the browser puts what was said of this one into the form for the next
    location.reload();
  } else if (then) location.assign(filled(then, (name) => answer.body[name]));
  else tell(form.dataset.told ?? word("done"));
}

/** Also for forms that come into the page later, with parts that are renewed. */
export function speakingForms() {
  document.addEventListener("submit", (event) => {
    if (event.target.matches("form[data-ask]")) send(event.target, event);
  });
}
