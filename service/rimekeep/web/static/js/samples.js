// A file of samples goes into the field beside it, where it can be read and mended before it is sent.

import { tell, word } from "./ask.js";

/** The columns asked for, found by the file's first line; a file without names is taken as it is. */
function columnsOf(text, names) {
  const lines = text.split(/\r?\n/).filter((line) => line.trim());
  // With ";" between cells a comma is the decimal point.
  const mark = [";", "\t", ","].find((one) => lines[0]?.includes(one)) ?? ",";
  const split = (line) => line.split(mark).map((cell) => cell.trim().replace(/^"|"$/g, ""));
  const places = names.map((name) => split(lines[0] ?? "").indexOf(name));
  if (places.includes(-1)) return lines.join("\n");
  return lines.slice(1).map((line) => places.map((place) => split(line)[place]).join(`${mark} `)).join("\n");
}

document.addEventListener("change", async (event) => {
  const field = event.target;
  if (!field.dataset.into || !field.files?.length) return;
  const into = document.getElementById(field.dataset.into);
  try {
    into.value = columnsOf(await field.files[0].text(), into.dataset.columns.split(" "));
    into.dispatchEvent(new Event("input", { bubbles: true }));
  } catch {
    tell(word("failed"), true);
  }
});
