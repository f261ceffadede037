// Reading a label well enough to tell a picker at once whether it is the right one; the service reads it again.
// GS1 General Specifications: AI 00 SSCC, 01/02 GTIN, 10 lot, and the check digit.

const GROUP = "\u001d";
// Those the service reads: what it would refuse later must not look right here.
const FIXED = { "00": 20, "01": 16, "02": 16, 11: 8, 15: 8, 17: 8 };
const VARIABLE = { 10: 20, 37: 8 };

function isNumber(digits) {
  let sum = 0;
  [...digits.slice(0, -1)].reverse().forEach((digit, place) => { sum += Number(digit) * (place % 2 ? 1 : 3); });
  return (10 - (sum % 10)) % 10 === Number(digits.at(-1));
}

/** What a label says: `{sscc}`, `{gtin, lot}`, or null where it cannot be told here. */
export function read(text) {
  let rest = text.trim().replace(/^\](C1|d2|Q3|e0)/, "").replace(/^\(00\)/, "");
  if (/^\d{18}$/.test(rest)) return isNumber(rest) ? { sscc: rest } : null;
  const found = {};
  while (rest) {
    if (rest[0] === GROUP) { rest = rest.slice(1); continue; }
    const start = rest.slice(0, 2);
    if (FIXED[start]) {
      const part = rest.slice(0, FIXED[start]);
      if (part.length < FIXED[start] || !/^\d+$/.test(part)) return null;
      found[start] = part.slice(2);
      rest = rest.slice(part.length);
    } else if (VARIABLE[start]) {
      const end = rest.indexOf(GROUP);
      const part = end < 0 ? rest : rest.slice(0, end);
      if (part.length < 3 || part.length > VARIABLE[start] + 2) return null;
      found[start] = part.slice(2);
      rest = rest.slice(part.length);
    } else return null;
  }
  if (found["00"]) return isNumber(found["00"]) ? { sscc: found["00"] } : null;
  const gtin = found["01"] ?? found["02"];
  return gtin && isNumber(gtin) ? { gtin, lot: found[10] } : null;
}

/** Whether a label is what a stop asks for: "right", "unsure" (the service must say), or a word for what is wrong. */
export function verdict(text, pick) {
  const label = read(text);
  if (!label) return "unreadable";
  if (label.sscc) return label.sscc === pick.sscc ? "right" : "other-pallet";
  if (pick.how === "pallet") return "scan-pallet";
  if (!label.lot) return "no-lot";
  // The article's number is not on the list: only the service can tell whether it is this product.
  return label.lot === pick.lot_code ? "unsure" : "other-lot";
}
