// Loading at the dock door: a scan, the answer in large, and what comes next.

import { ask, newKey, word } from "./ask.js";

const heard = document.querySelector("#heard");

function say(text, isRight) {
  heard.textContent = text;
  heard.className = `heard ${isRight ? "right" : "wrong"}`;
  navigator.vibrate?.(isRight ? 60 : [200, 100, 200]);
}

async function renew() {
  const response = await fetch(location.href, { credentials: "same-origin" });
  if (!response.ok || response.redirected) return;
  const fresh = new DOMParser().parseFromString(await response.text(), "text/html").querySelector("#part-next");
  if (fresh) document.querySelector("#part-next").replaceChildren(...fresh.childNodes);
}

/** What is wrong and what to do, without the names of fields: a scanner knows none. */
function trouble(answer) {
  if (answer.isAway || !answer.body?.errors?.length) return answer.words;
  const said = answer.body.errors.map((fault) => `${fault.detail} ${fault.mend}`);
  return said.join(" ");
}

function speaking(id, path, bodyOf, done) {
  const form = document.querySelector(id);
  form?.addEventListener("submit", async (event) => {
    event.preventDefault();
    const scan = form.elements.scan.value.trim();
    if (!scan || form.dataset.busy) return;
    const body = bodyOf(form, scan);
    if (!body) return;
    const said = JSON.stringify(body);
    if (form.said !== said) { form.said = said; form.key = newKey(); }
    form.dataset.busy = "yes";
    const answer = await ask("POST", `/v1/trips/${form.dataset.trip}/${path}`, { body, key: form.key });
    delete form.dataset.busy;
    if (!answer.isAway) form.said = null;
    if (answer.ok) {
      // Where the next thing is typed is for `done` to say: a scanner's next keys are under way.
      done(form, scan, answer.body);
      await renew();
      return;
    }
    if (!answer.isSignedOut) say(word("wrong", { text: trouble(answer) }), false);
    if (!answer.isAway && !answer.isSignedOut) form.elements.scan.select();
  });
}

function clear(form) { form.elements.scan.value = ""; form.elements.scan.focus(); }

speaking("#load", "load", (form, scan) => ({ scan }), (form, scan) => {
  say(word("loaded", { scan }), true);
  clear(form);
});
speaking("#unload", "unload", (form, scan) => ({ scan, zone_id: Number(form.elements.zone_id.value) }), (form, scan) => {
  say(word("off", { scan }), true);
  clear(form);
});

const asUs = (c) => c * 1.8 + 32;

function shown(c, units) {
  const number = new Intl.NumberFormat(document.documentElement.lang, { maximumFractionDigits: 1 });
  return units === "us" ? `${number.format(asUs(c))} °F` : `${number.format(c)} °C`;
}

speaking("#measured", "load-temperatures", (form, scan) => {
  const text = form.elements.temp.value.trim().replace(",", ".").replace("−", "-");
  const value = Number(text);
  if (!text || !Number.isFinite(value)) { say(word("no-number"), false); return null; }
  const celsius = form.dataset.units === "us" ? (value - 32) / 1.8 : value;
  return { scan, kind: form.elements.kind.value, temp_c: Math.round(celsius * 100) / 100, probe: form.elements.probe.value.trim() };
}, (form, scan, told) => {
  const units = form.dataset.units;
  const [temp, low, high] = [told.temp_c, told.carry_min_c, told.carry_max_c].map((one) => shown(one, units));
  say(word(told.may_load ? "may" : "may-not", { temp, low, high }), told.may_load);
  if (told.may_load) document.querySelector("#scan")?.focus();
});
