// Asking the service: one way for every page, with the session's token, one key for each change that stays the
// same when it is asked again, and problems told in words.

let csrf = document.querySelector("meta[name=csrf]")?.content ?? "";

/** A sentence of the page's language; the page carries them in its template "words". */
export function word(name, values = {}) {
  const found = document.querySelector("#words")?.content.querySelector(`[value="${name}"]`);
  let text = found ? found.textContent : name;
  for (const [key, value] of Object.entries(values)) text = text.replaceAll(`{${key}}`, value);
  return text;
}

/** What was answered: `ok`, `status`, the `body`, and an `etag` to change it by. */
export class Answer {
  constructor(status, body, etag) {
    this.status = status;
    this.body = body;
    this.etag = etag;
  }
  get ok() { return this.status >= 200 && this.status < 300; }
  get isAway() { return this.status === 0; }
  get isSignedOut() { return this.status === 401; }
  /** The faults of a problem: field, detail, mend. */
  get faults() { return this.body?.errors ?? []; }
  /** What went wrong, as sentences. */
  get words() {
    if (this.isAway) return word("away");
    const faults = this.faults.map((fault) => `${fault.field}: ${fault.detail} ${fault.mend}`);
    return [this.body?.detail ?? word("failed"), ...faults].join(" ");
  }
}

async function once(method, path, options) {
  const headers = { Accept: "application/json" };
  if (method !== "GET") headers["X-CSRF-Token"] = csrf;
  if (options.key) headers["Idempotency-Key"] = options.key;
  if (options.etag) headers["If-Match"] = options.etag;
  if (options.reason) headers["Change-Reason"] = options.reason;
  if (options.prefer) headers.Prefer = options.prefer;
  let body;
  if (options.body !== undefined) {
    headers["Content-Type"] = "application/json";
    body = JSON.stringify(options.body);
  } else if (options.file) {
    headers["Content-Type"] = "application/octet-stream";
    body = options.file;
  }
  try {
    const response = await fetch(path, { method, headers, body, signal: options.signal, credentials: "same-origin" });
    const type = response.headers.get("content-type") ?? "";
    const told = type.includes("json") ? await response.json() : await response.text();
    return new Answer(response.status, told, response.headers.get("etag"));
  } catch (error) {
    if (error.name === "AbortError") throw error;
    return new Answer(0, null, null);
  }
}

/**
 * Ask the service. `options`: body (to be JSON), file (as it is), key (for a change; the same when asked again), etag, reason,
 * prefer (as RFC 7240 has it), signal. Never throws for what the service or the network does.
 */
export async function ask(method, path, options = {}) {
  const key = options.key ?? (method === "POST" ? newKey() : undefined);
  const asked = { ...options, key };
  let answer = await once(method, path, asked);
  if (answer.status === 403 && answer.body?.type?.endsWith("csrf-token-missing")) {
    // Signed in anew in another window: the session is another one.
    const me = await once("GET", "/v1/me", {});
    if (me.ok && me.body.csrf_token) {
      csrf = me.body.csrf_token;
      answer = await once(method, path, asked);
    }
  }
  if (answer.isSignedOut) {
    const dialog = document.querySelector("#signed-out");
    if (dialog && !dialog.open) dialog.showModal();
  }
  return answer;
}

/** A key for one change. */
export function newKey() {
  if (crypto.randomUUID) return crypto.randomUUID();
  // Pages over plain HTTP on a local network have no randomUUID.
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  bytes[6] = (bytes[6] & 0x0f) | 0x40;
  bytes[8] = (bytes[8] & 0x3f) | 0x80;
  const hex = [...bytes].map((byte) => byte.toString(16).padStart(2, "0")).join("");
  return hex.replace(/^(.{8})(.{4})(.{4})(.{4})(.{12})$/, "$1-$2-$3-$4-$5");
}

/** Tell something in the page's status line, for screen readers too. */
export function tell(text, isWrong = false) {
  const place = document.querySelector("#told");
  if (!place) return;
  place.textContent = text;
  place.className = isWrong ? "wrong" : "right";
}
