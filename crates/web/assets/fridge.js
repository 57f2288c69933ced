// The fridge page, kept up to date: whenever its store was judged anew, and at least every minute, the page is fetched again and put in
// its place.
"use strict";
const live = document.getElementById("live");
// At most one renewal every two seconds, however many readings come.
const PAUSE_MS = 2000;
const MINUTE_MS = 60000;
const AGAIN_MS = 5000;
let resting = false;
let wanted = false;
let fetched = Date.now();
async function renew() {
  // What comes while one is on its way may be newer than what it fetched: it is renewed once more afterwards.
  wanted = true;
  if (resting) return;
  resting = true;
  wanted = false;
  try {
    const response = await fetch(location.href, { headers: { Accept: "text/html" } });
    const page = new DOMParser().parseFromString(await response.text(), "text/html");
    const fresh = response.ok ? page.getElementById("live") : null;
    if (fresh) {
      // Whoever is walking through it by keyboard goes on from the same link.
      const held = live.contains(document.activeElement) ? document.activeElement.getAttribute("href") : null;
      live.replaceChildren(...fresh.childNodes);
      if (held) live.querySelector(`[href="${CSS.escape(held)}"]`)?.focus({ preventScroll: true });
      fetched = Date.now();
    }
  } catch {
    // The network is away; the next minute tries again.
  } finally {
    setTimeout(() => {
      resting = false;
      if (wanted) renew();
    }, PAUSE_MS);
  }
}
function listen() {
  const events = new EventSource("/api/events");
  events.addEventListener("judged", (event) => { if (event.data === live.dataset.place) renew(); });
  // What was judged before the stream opened, or while it was broken, was not told.
  events.addEventListener("open", renew);
  events.addEventListener("missed", renew);
  events.addEventListener("error", () => {
    // A stream that was refused, as by a proxy while the service starts, is closed for good: open another.
    if (events.readyState === EventSource.CLOSED) setTimeout(listen, AGAIN_MS);
  });
}
listen();
setInterval(() => {
  // Old figures must not pass for new ones.
  document.getElementById("stale").hidden = Date.now() - fetched < 3 * MINUTE_MS;
  renew();
}, MINUTE_MS);
