// Caches the pages of the scale and the stall with what they need, and the last packing lists and dockets that were looked at, so that they open
// without a connection, also after the phone was switched off. It runs in the browser beside the pages (a service worker) and sends nothing
// itself: what waits is the outbox's.

const CACHE = "gillbook";
const FORMS = ["/weigh", "/stall"];
const NO_CONNECTION = "/no-connection";
const SCRIPTS = ["weigh.js", "stall.js", "phone_form.js", "outbox.js", "unsent.js", "signature.js", "no_connection.js"];
// Pages with forms that may wait.
const PAGES_CACHE = "gillbook-pages";
const PAGES = [/^\/packing-list$/, /^\/dockets\/[^/]+$/];
const MAX_PAGES = 60;
// What they need is fetched again after so long.
const PARTS_FOR_MS = 10 * 60 * 1000;
// A docket that a packing list leads to is fetched again after so long.
const PAGE_FOR_MS = 5 * 60 * 1000;
const PARTS = ["gillbook.css", "thumb.css", "lists.css", ...SCRIPTS, "icon.svg"].map((name) => `/assets/${name}`);
// A signal that is there and carries nothing is waited for so long.
const PATIENT_MS = 6000;
// How often somebody signed in or out: what is still on its way for the one before is not cached any more.
let signIns = 0;
// Pages that came out of the cache: their scripts are those of the same version.
const cachedPages = new Set();

/** Whether an answer is the service's own, all of it. A network that wants to be paid first answers everything with a page of its own. */
async function isOurs(path, response) {
  // Read to its end, as one that is not holds its connection, and a browser opens few.
  const text = await response.clone().text();
  if (!response.ok || response.redirected) return false;
  if (PARTS.includes(path)) return response.headers.has("Service-Worker-Allowed");
  return text.includes(FORMS.includes(path) ? 'id="facts"' : 'id="kept-pages"');
}

async function judged(path, response) {
  return { path, response, ours: await isOurs(path, response) };
}

async function fetched(path) {
  return judged(path, await fetch(path, { cache: "no-store", signal: AbortSignal.timeout(PATIENT_MS) }));
}

/** Caches the forms with the scripts of now: those of another version may not fit them. One that the service gave already is not asked for again. */
async function keep(given, answer) {
  const since = signIns;
  const paths = [...FORMS, NO_CONNECTION, ...PARTS];
  const all = await Promise.all(paths.map((path) => (path === given ? judged(path, answer) : fetched(path))));
  // A form that the one who is signed in may not use is left out; after any other trouble everything stays as it was.
  const isForbidden = ({ path, response }) => FORMS.includes(path) && response.status === 403;
  if (all.some((one) => !one.ours && !isForbidden(one)) || signIns !== since) return;
  const cache = await caches.open(CACHE);
  const put = ({ path, response, ours }) => (ours ? cache.put(path, response) : cache.delete(path));
  // Pages that were kept with other scripts may not fit these.
  for (const { path, response } of all.filter(({ path }) => path.endsWith(".js"))) {
    const before = await cache.match(path);
    if (before && (await before.text()) !== (await response.clone().text())) await caches.delete(PAGES_CACHE);
  }
  // The forms last: one that is there has all that it needs.
  const isForm = ({ path }) => FORMS.includes(path);
  await Promise.all(all.filter((one) => !isForm(one)).map(put));
  await Promise.all(all.filter(isForm).map(put));
  if (signIns !== since) await caches.delete(CACHE);
}

/** Caches a page while it has a form that may wait. */
async function keepPage(path, response, since) {
  const text = await response.clone().text();
  const cache = await caches.open(PAGES_CACHE);
  // Where somebody signed out, it is gone, or what it was about is done, no one needs it; what is any other trouble passes.
  const isOver = response.redirected || [403, 404].includes(response.status) || (response.ok && text.includes('id="main"') && !text.includes('id="unsent"'));
  if (isOver || signIns !== since) return cache.delete(path);
  if (!response.ok || !text.includes('id="unsent"')) return;
  await cache.delete(path);
  await cache.put(path, response);
  const known = await cache.keys();
  for (const old of known.slice(0, Math.max(0, known.length - MAX_PAGES))) await cache.delete(old);
  if (signIns !== since) await caches.delete(PAGES_CACHE);
}

/** Caches what the pages need, where that is missing or of a while ago. */
async function keepParts() {
  const known = await caches.match(PARTS[0]);
  const since = known ? Date.parse(known.headers.get("Date")) : NaN;
  if (!(Math.abs(Date.now() - since) < PARTS_FOR_MS)) await keep();
}

/** Caches pages that somebody may need on the way, one after the other: those that are not there, or of a while ago. */
async function keepPages(paths) {
  await keepParts().catch(() => {});
  for (const path of paths.filter((path) => PAGES.some((page) => page.test(new URL(path, self.location.origin).pathname))).slice(0, MAX_PAGES)) {
    const since = signIns;
    const known = await caches.match(path);
    if (known && Math.abs(Date.now() - Date.parse(known.headers.get("Date"))) < PAGE_FOR_MS) continue;
    await fetch(path, { signal: AbortSignal.timeout(PATIENT_MS) }).then((response) => keepPage(path, response, since)).catch(() => {});
  }
}

async function forget() {
  signIns += 1;
  await Promise.all([CACHE, PAGES_CACHE].map((name) => caches.delete(name)));
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

/** Forgets the forms where the service, and not the network before it, says that nobody is signed in. */
async function forgetIfSignedOut() {
  const asked = await fetch(FORMS[0]);
  if (asked.redirected && new URL(asked.url).pathname === "/sign-in") await forget();
}

async function form(event, path) {
  const isCached = Boolean(await caches.match(path));
  try {
    const response = await inTime(event.request, isCached);
    if (response.status >= 500 && isCached) return cached(path, event);
    if (response.type === "opaqueredirect") event.waitUntil(forgetIfSignedOut().catch(() => {}));
    else if (response.status === 401) event.waitUntil(forget());
    else if (response.status === 403) event.waitUntil(caches.open(CACHE).then((cache) => cache.delete(path)));
    else event.waitUntil(keep(path, response.clone()).catch(() => {}));
    return response;
  } catch {
    return (await cached(path, event)) ?? (await cached(NO_CONNECTION, event)) ?? Response.error();
  }
}

/** A page with forms that may wait. */
async function keptPage(event, path) {
  const isCached = Boolean(await caches.match(path));
  const since = signIns;
  try {
    const response = await inTime(event.request, isCached);
    if (response.status >= 500 && isCached) return cached(path, event);
    if (response.type === "opaqueredirect") event.waitUntil(forgetIfSignedOut().catch(() => {}));
    else event.waitUntil(Promise.all([keepPage(path, response.clone(), since), keepParts()]).catch(() => {}));
    return response;
  } catch {
    const today = new Date(Date.now() - new Date().getTimezoneOffset() * 60000).toISOString().slice(0, 10);
    // The packing list without a day is that of today.
    const same = path === "/packing-list" ? `${path}?day=${today}` : path;
    return (await cached(path, event)) ?? (await cached(same, event)) ?? (await cached(NO_CONNECTION, event)) ?? Response.error();
  }
}

/** Another page: without a connection, where the forms are. */
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
  event.waitUntil(keep().catch(() => {}));
});
self.addEventListener("activate", (event) => event.waitUntil(self.clients.claim()));
self.addEventListener("message", (event) => {
  if (Array.isArray(event.data?.keep)) event.waitUntil(keepPages(event.data.keep));
});
self.addEventListener("fetch", (event) => {
  const { method, mode, url } = event.request;
  const { origin, pathname, search } = new URL(url);
  if (origin !== self.location.origin) return;
  if (method === "POST" && ["/sign-in", "/sign-out", "/setup"].includes(pathname)) event.respondWith(door(event));
  if (method !== "GET") return;
  // A form asks for itself anew now and then: what it is given is cached too.
  if (FORMS.includes(pathname)) event.respondWith(mode === "navigate" ? form(event, pathname) : renewed(event, pathname));
  else if (mode === "navigate" && PAGES.some((page) => page.test(pathname))) event.respondWith(keptPage(event, pathname + search));
  else if (mode === "navigate" && !pathname.startsWith("/api/")) event.respondWith(page(event));
  else if (PARTS.includes(pathname)) event.respondWith(part(event, pathname));
});

async function renewed(event, path) {
  const response = await fetch(event.request);
  event.waitUntil(keep(path, response.clone()).catch(() => {}));
  return response;
}
