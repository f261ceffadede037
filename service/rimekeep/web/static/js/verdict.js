// What a move came to, in words: what it breaks, and what gets better or worse.

import { word } from "./ask.js";

const LB_PER_KG = 2.2046226218487757;

function mass(margin, units) {
  if (!margin) return word("any");
  const [value, unit] = units === "us" ? [margin.kg * LB_PER_KG, "lb"] : [margin.kg, "kg"];
  return `${new Intl.NumberFormat(document.documentElement.lang, { maximumFractionDigits: 0 }).format(value)} ${unit}`;
}

function element(name, text, css = "") {
  const made = document.createElement(name);
  made.textContent = text;
  made.className = css;
  return made;
}

function changesOf(change, units) {
  const lines = change.limits.filter((one) => one.verdict !== "same").map((one) => {
    const name = one.words.charAt(0).toUpperCase() + one.words.slice(1);
    const text = word("limit", { limit: name, before: mass(one.before, units), after: mass(one.after, units) });
    return `${one.verdict === "better" ? "△" : "▼"} ${text} (${word(one.verdict)})`;
  });
  if (change.order_verdict !== "same") lines.push(word(`order-${change.order_verdict}`));
  if (change.temperature_verdict !== "same") lines.push(word(`cold-${change.temperature_verdict}`));
  const rows = change.bulkheads_after.map((row) => row + 1);
  if (String(change.bulkheads_before) !== String(change.bulkheads_after)) {
    lines.push(rows.length ? word("bulkhead", { row: rows.join(", ") }) : word("whole"));
  }
  return lines;
}

/** The elements to show. `good` is the word for a legal one: can, or made. */
export function verdictOf(answer, unit, place, { trip, good, units }) {
  const where = word("there", { row: place.row + 1, lane: place.lane + 1 });
  const head = word("head", { sscc: unit.sscc, drop: unit.drop, place: where });
  if (!answer.ok) {
    const broken = answer.body?.data?.violations?.map((one) => one.text);
    const lines = broken?.length ? broken : [answer.words];
    return [element("p", `${head} ${word("cannot")}`, "said"), list(lines)];
  }
  const { violations, mended, swapped_with: other, changes } = answer.body;
  const made = [element("p", `${head} ${word(violations.length ? "cannot" : good)}`, "said")];
  const lines = violations.map((one) => one.text);
  if (other) lines.push(word("swaps", { sscc: other }));
  lines.push(...mended.map((one) => word("mended", { text: one.text })));
  for (const change of changes) {
    const told = changesOf(change, units);
    lines.push(...(change.trip_id === trip ? told : told.map((text) => `${word("other")}: ${text}`)));
  }
  if (!lines.length) lines.push(word("nothing"));
  made.push(list(lines));
  if (!violations.length && good === "can") made.push(element("p", word("again"), "hint"));
  return made;
}

function list(lines) {
  const made = document.createElement("ul");
  made.append(...lines.map((text) => element("li", text)));
  return made;
}
