// import
// A file is sent once to be looked at and, once somebody has seen what would be stored, once more to be stored.

import { ask, newKey, word } from "./ask.js";

const SHOWN = 200; // faults a person reads on a page; the CSV has all
const form = document.querySelector("#import");
const found = document.querySelector("#found");
const storing = document.querySelector("#store");
const download = document.querySelector("#download");
const number = new Intl.NumberFormat(document.documentElement.lang);
let chosen = null;

function cell(kind, text, isNumber = false) {
  const made = document.createElement(kind);
  made.textContent = text ?? "–";
  if (isNumber) made.className = "n";
  return made;
}

function line(...cells) {
  const row = document.createElement("tr");
  row.append(...cells);
  return row;
}

function say(title, text, isWrong) {
  found.hidden = false;
  document.querySelector("#found-title").textContent = title;
  const told = document.querySelector("#found-told");
  told.textContent = text;
  told.className = isWrong ? "wrong" : "";
  for (const part of ["#faults", "#rows"]) document.querySelector(part).hidden = true;
  storing.hidden = download.hidden = true;
}

// A cell that a spreadsheet would reckon with is written as text.
function quoted(text) {
  const safe = /^[=+\-@]/.test(String(text)) ? `'${text}` : String(text);
  return `"${safe.replaceAll('"', '""')}"`;
}

function showFaults(faults) {
  if (!faults.length) return;
  document.querySelector("#faults").hidden = false;
  document.querySelector("#faults tbody").replaceChildren(...faults.slice(0, SHOWN).map((one) =>
    line(cell("td", one.line, true), cell("th", one.column || "–"), cell("td", one.detail), cell("td", one.mend))));
  if (faults.length > SHOWN) {
    const more = document.createElement("td");
    more.colSpan = 4;
    more.textContent = word("many", { shown: number.format(SHOWN), faults: number.format(faults.length) });
    document.querySelector("#faults tbody").append(line(more));
  }
  const rows = faults.map((one) => [one.line, one.column, one.detail, one.mend].map(quoted).join(","));
  const text = ["line,column,what is wrong,what to do", ...rows, ""].join("\r\n");
  URL.revokeObjectURL(download.href);
  download.href = URL.createObjectURL(new Blob(["\ufeff", text], { type: "text/csv" }));
  download.hidden = false;
}

function showRows(told) {
  if (!told.first_rows.length) return;
  const names = told.columns.filter((one) => one.is_there).map((one) => one.name);
  document.querySelector("#rows").hidden = false;
  const heads = [word("row"), ...names].map((name) => { const head = cell("th", name); head.scope = "col"; return head; });
  document.querySelector("#rows thead").replaceChildren(line(...heads));
  document.querySelector("#rows tbody").replaceChildren(...told.first_rows.map((row) =>
    line(cell("td", row.line, true), ...names.map((name) => cell("td", row.values[name])))));
}

function show(told) {
  const counts = Object.fromEntries([["rows", told.rows], ["good", told.good_rows], ["created", told.created],
    ["amended", told.amended], ["unchanged", told.unchanged]].map(([name, count]) => [name, number.format(count)]));
  const isBad = told.faults.length > 0;
  const title = told.is_stored ? word("stored") : isBad ? word("bad", { faults: number.format(told.faults.length) })
    : told.rows ? word("good") : word("nothing");
  const absent = isBad || told.is_stored ? [] : told.columns.filter((one) => !one.is_there).map((one) => one.name);
  const left = absent.length && told.rows ? ` ${word("left-out", { names: absent.join(", ") })}` : "";
  say(title, word(isBad ? "faulty" : "counts", counts) + left, isBad);
  if (told.is_stored) return;
  showFaults(told.faults);
  showRows(told);
  storing.hidden = isBad || !told.rows;
}

/** A refused file: its faults say "line 3, cases"; a file that is none says so as a whole. */
function refused(answer) {
  const faults = answer.faults.map((one) => {
    const [, at, column] = /^line (\d+)(?:, (.*))?$/.exec(one.field) ?? [null, "", one.field];
    return { line: at, column: column ?? "", detail: one.detail, mend: one.mend };
  });
  say(word("broken"), answer.isAway || !faults.length ? answer.words : answer.body.detail, true);
  if (!answer.isAway) showFaults(faults);
}

async function send(isDry, key) {
  const query = new URLSearchParams();
  if (isDry) query.set("dry_run", "true");
  if (form.elements.encoding.value) query.set("encoding", form.elements.encoding.value);
  if (form.elements.amend?.checked) query.set("amend", "true");
  say(word(isDry ? "reading" : "storing"), "", false);
  const answer = await ask("POST", `/v1/imports/${form.dataset.kind}?${query}`, { file: chosen, key });
  if (answer.isSignedOut) { found.hidden = true; return answer; }
  if (answer.ok) show(answer.body);
  else refused(answer);
  found.focus();
  return answer;
}

async function once(work) {
  if (form.dataset.busy) return; // a double tap
  form.dataset.busy = "yes";
  try { await work(); } finally { delete form.dataset.busy; }
}

form.addEventListener("submit", (event) => {
  event.preventDefault();
  once(async () => {
    const file = form.elements.file.files[0];
    if (file.size > Number(form.dataset.most)) {
      say(word("broken"), word("large", { most: number.format(Number(form.dataset.most) / 1e6) }), true);
      return;
    }
    // What is looked at is what is stored, even if the file changes on the disk meanwhile.
    try {
      chosen = new Blob([await file.arrayBuffer()]);
    } catch {
      say(word("broken"), word("changed-file"), true); // browsers refuse a file that was saved after it was chosen
      return;
    }
    form.key = newKey();
    await send(true);
  });
});

// The same file chosen once more is another one: it was mended.
form.elements.file.addEventListener("click", () => { form.elements.file.value = ""; });
// Another file, or the same read otherwise, must be looked at first.
form.addEventListener("change", () => { found.hidden = true; });

storing.addEventListener("click", () => once(async () => {
  // The key stays until there is an answer, so that nothing is stored twice after a lost one.
  const answer = await send(false, form.key);
  if (answer.isAway) storing.hidden = false;
}));
