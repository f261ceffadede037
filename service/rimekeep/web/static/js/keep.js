// What somebody typed outlives a reload, a lost session and a server that is away: forms marked data-keep.

const PREFIX = "rimekeep-form ";

function fieldsOf(form) {
  return [...form.elements].filter((field) => field.name && !["password", "hidden", "file", "submit"].includes(field.type));
}

function place(form) {
  return `${PREFIX}${location.pathname} ${form.dataset.keep}`;
}

export function forget(form) {
  sessionStorage.removeItem(place(form));
}

function store(form) {
  const values = fieldsOf(form).map((field) => ["checkbox", "radio"].includes(field.type) ? field.checked : field.value);
  sessionStorage.setItem(place(form), JSON.stringify(values));
}

function restore(form) {
  const kept = sessionStorage.getItem(place(form));
  if (!kept) return;
  const values = JSON.parse(kept);
  fieldsOf(form).forEach((field, number) => {
    if (number >= values.length) return;
    if (["checkbox", "radio"].includes(field.type)) field.checked = values[number];
    else field.value = values[number];
  });
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
