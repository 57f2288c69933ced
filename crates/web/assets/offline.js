// Keeps the page of the scale with what it needs, so that it opens without a connection, also after the phone was switched off. It runs in the
// browser beside the pages (a service worker) and sends nothing itself: what waits is the outbox's.

const CACHE = "gillbook";
const SCALE = "/weigh";
const NO_CONNECTION = "/no-connection";
const PARTS = [NO_CONNECTION, "/assets/gillbook.css", "/assets/weigh.js", "/assets/outbox.js", "/assets/icon.svg"];
// A signal that is there and carries nothing is waited for so long.
const PATIENT_MS = 6000;

async function fetched(path) {
  const response = await fetch(path, { cache: "no-store" });
  // Nobody is signed in: there is no scale to keep.
  if (!response.ok || response.redirected) throw new Error(path);
  return [path, response];
}

/** Keeps a page of the scale with the scripts of now: those of another version may not fit it. */
async function keep(page) {
  const parts = await Promise.all(PARTS.map(fetched));
  const cache = await caches.open(CACHE);
  await Promise.all([[SCALE, page], ...parts].map(([path, response]) => cache.put(path, response)));
}

/** A page as it was kept, which is told that it is. */
async function kept(path) {
  const response = await caches.match(path);
  if (!response) return null;
  const text = await response.text();
  return new Response(text.replace("<html", '<html data-kept="yes"'), { headers: response.headers });
}

/** The page that was asked for; without a connection the scale as it was kept, and for any other page where the scale is. */
async function page(event) {
  const isScale = new URL(event.request.url).pathname === SCALE;
  const late = new Promise((_, reject) => setTimeout(reject, PATIENT_MS));
  const asked = fetch(event.request);
  try {
    const known = isScale && (await caches.match(SCALE));
    const response = await (known ? Promise.race([asked, late]) : asked);
    if (!isScale) return response;
    // Whoever is signed out, or was taken off the farm, leaves nothing of it on the phone but what waits.
    if (response.type === "opaqueredirect") event.waitUntil(caches.delete(CACHE));
    else if (response.ok) event.waitUntil(keep(response.clone()).catch(() => {}));
    else if (response.status > 500 && known) return kept(SCALE);
    return response;
  } catch {
    return (isScale && (await kept(SCALE))) || (await kept(NO_CONNECTION)) || Response.error();
  }
}

self.addEventListener("install", (event) => {
  self.skipWaiting();
  event.waitUntil(fetched(SCALE).then(([, scale]) => keep(scale)).catch(() => {}));
});
self.addEventListener("activate", (event) => event.waitUntil(self.clients.claim()));
self.addEventListener("fetch", (event) => {
  const { method, mode, url } = event.request;
  const { origin, pathname } = new URL(url);
  if (origin !== self.location.origin) return;
  if (method === "POST" && pathname === "/sign-out") event.waitUntil(caches.delete(CACHE));
  if (method !== "GET") return;
  if (mode === "navigate" && !pathname.startsWith("/api/")) event.respondWith(page(event));
  else if (PARTS.includes(pathname)) event.respondWith(fetch(event.request).catch(async () => (await caches.match(pathname)) ?? Response.error()));
});
