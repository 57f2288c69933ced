// Caches the page of the scale with what it needs, so that it opens without a connection, also after the phone was switched off. It runs in
// the browser beside the pages (a service worker) and sends nothing itself: what waits is the outbox's.

const CACHE = "gillbook";
const SCALE = "/weigh";
const NO_CONNECTION = "/no-connection";
const PARTS = ["/assets/gillbook.css", "/assets/weigh.js", "/assets/outbox.js", "/assets/icon.svg"];
// A signal that is there and carries nothing is waited for so long.
const PATIENT_MS = 6000;
// How often somebody signed in or out: what is still on its way for the one before is not cached any more.
let signIns = 0;
// Pages that came out of the cache: their scripts are those of the same version.
const cachedPages = new Set();

/** Whether an answer is the service's own. A network that wants to be paid first answers everything with a page of its own. */
async function isOurs(path, response) {
  if (!response.ok || response.redirected) return false;
  if (PARTS.includes(path)) return response.headers.has("Service-Worker-Allowed");
  const text = await response.clone().text();
  return text.includes(path === SCALE ? 'id="facts"' : `href="${SCALE}"`);
}

async function fetched(path) {
  const response = await fetch(path, { cache: "no-store", signal: AbortSignal.timeout(PATIENT_MS) });
  return [path, response];
}

/** Caches a page of the scale with the scripts of now: those of another version may not fit it. */
async function keep(page) {
  const since = signIns;
  const all = [[SCALE, page], ...(await Promise.all([NO_CONNECTION, ...PARTS].map(fetched)))];
  const ours = await Promise.all(all.map(([path, response]) => isOurs(path, response)));
  if (!ours.every(Boolean) || signIns !== since) return;
  const cache = await caches.open(CACHE);
  await Promise.all(all.map(([path, response]) => cache.put(path, response)));
  if (signIns !== since) await caches.delete(CACHE);
}

async function forget() {
  signIns += 1;
  await caches.delete(CACHE);
}

/** A page out of the cache, which is told that it is. */
async function cached(path, event) {
  const response = await caches.match(path);
  if (!response) return null;
  cachedPages.add(event.resultingClientId);
  const text = await response.text();
  return new Response(text.replace("<html", '<html data-cached="yes"'), { headers: response.headers });
}

/** Fetches, but for no longer than the patience where there is something in the cache. */
function inTime(request, isCached) {
  const late = new Promise((_, reject) => setTimeout(reject, PATIENT_MS));
  return isCached ? Promise.race([fetch(request), late]) : fetch(request);
}

/** Forgets the scale where the service, and not the network before it, says that nobody is signed in. */
async function forgetIfSignedOut() {
  const asked = await fetch(SCALE);
  if (asked.redirected && new URL(asked.url).pathname === "/sign-in") await forget();
}

async function scale(event) {
  const isCached = Boolean(await caches.match(SCALE));
  try {
    const response = await inTime(event.request, isCached);
    if (response.status >= 500 && isCached) return cached(SCALE, event);
    if (response.type === "opaqueredirect") event.waitUntil(forgetIfSignedOut().catch(() => {}));
    else if ([401, 403].includes(response.status)) event.waitUntil(forget());
    else event.waitUntil(keep(response.clone()).catch(() => {}));
    return response;
  } catch {
    return (await cached(SCALE, event)) ?? (await cached(NO_CONNECTION, event)) ?? Response.error();
  }
}

/** Another page: without a connection, where the scale is. */
async function page(event) {
  try {
    return await fetch(event.request);
  } catch {
    return (await cached(NO_CONNECTION, event)) ?? Response.error();
  }
}

/** Somebody signs in or out: once the service has said so, nothing of the one before stays but what waits. */
async function door(event) {
  const response = await page(event);
  if (response.type === "opaqueredirect") await forget();
  return response;
}

async function part(event, path) {
  const known = await caches.match(path);
  if (known && cachedPages.has(event.clientId)) return known;
  try {
    const response = await inTime(event.request, Boolean(known));
    return response.ok || !known ? response : known;
  } catch {
    return known ?? Response.error();
  }
}

self.addEventListener("install", (event) => {
  self.skipWaiting();
  event.waitUntil(fetched(SCALE).then(([, response]) => keep(response)).catch(() => {}));
});
self.addEventListener("activate", (event) => event.waitUntil(self.clients.claim()));
self.addEventListener("fetch", (event) => {
  const { method, mode, url } = event.request;
  const { origin, pathname } = new URL(url);
  if (origin !== self.location.origin) return;
  if (method === "POST" && ["/sign-in", "/sign-out"].includes(pathname)) event.respondWith(door(event));
  if (method !== "GET") return;
  // The scale's page asks for itself anew now and then: what it is given is cached too.
  if (pathname === SCALE) event.respondWith(mode === "navigate" ? scale(event) : renewed(event));
  else if (mode === "navigate" && !pathname.startsWith("/api/")) event.respondWith(page(event));
  else if (PARTS.includes(pathname)) event.respondWith(part(event, pathname));
});

async function renewed(event) {
  const response = await fetch(event.request);
  event.waitUntil(keep(response.clone()).catch(() => {}));
  return response;
}
