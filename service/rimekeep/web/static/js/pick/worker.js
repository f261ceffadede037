// Keeps the picker's page on the phone. Calls to the service (/v1) are left alone: what cannot be sent waits in
// the page's own queue. FILES, the addresses of the page's files, stands before this text as it is served.

const PAGE = "/pick";
const KEPT = `pick ${FILES.join(" ")}`;
const WAIT_MS = 3000; // a network that is there but does not answer must not hold a picker up

async function keepPage() {
  const response = await fetch(PAGE, { credentials: "same-origin" });
  // Led to the sign-in page: that is not what is to be kept.
  if (!response.ok || response.redirected) throw new Error("not signed in");
  const kept = await caches.open(KEPT);
  await kept.put(PAGE, response.clone());
  return response;
}

self.addEventListener("install", (event) => {
  event.waitUntil((async () => {
    const kept = await caches.open(KEPT);
    await kept.addAll(FILES);
    await keepPage();
    await self.skipWaiting();
  })());
});

self.addEventListener("activate", (event) => {
  event.waitUntil((async () => {
    const old = (await caches.keys()).filter((name) => name.startsWith("pick ") && name !== KEPT);
    await Promise.all(old.map((name) => caches.delete(name)));
    await self.clients.claim();
  })());
});

async function page(request) {
  const kept = await (await caches.open(KEPT)).match(PAGE);
  const fresh = fetch(request).then(async (response) => {
    if (response.ok && !response.redirected) await (await caches.open(KEPT)).put(PAGE, response.clone());
    return response;
  });
  if (!kept) return fresh;
  const late = new Promise((resolve) => { setTimeout(() => resolve(kept), WAIT_MS); });
  return Promise.race([fresh.catch(() => kept), late]);
}

self.addEventListener("fetch", (event) => {
  const address = new URL(event.request.url);
  if (event.request.method !== "GET" || address.origin !== self.location.origin) return;
  if (event.request.mode === "navigate" && address.pathname === PAGE) event.respondWith(page(event.request));
  else if (FILES.includes(address.pathname)) {
    event.respondWith(caches.match(event.request).then((kept) => kept ?? fetch(event.request)));
  }
});
