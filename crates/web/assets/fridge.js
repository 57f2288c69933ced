// The fridge page, kept up to date: whenever its store was judged anew the page is fetched again and put in its place.
"use strict";
const live = document.getElementById("live");
// At most one renewal every two seconds, however many readings come.
const PAUSE_MS = 2000;
let resting = false;
let wanted = false;
async function renew() {
  // What comes while one is on its way may be newer than what it fetched: it is renewed once more afterwards.
  wanted = true;
  if (resting) return;
  resting = true;
  wanted = false;
  try {
    const response = await fetch(location.href, { headers: { Accept: "text/html" } });
    if (!response.ok) return;
    const page = new DOMParser().parseFromString(await response.text(), "text/html");
    const fresh = page.getElementById("live");
    if (fresh) live.replaceChildren(...fresh.childNodes);
  } catch {
    // The network is away: the stream will open again when it is back.
  } finally {
    setTimeout(() => {
      resting = false;
      if (wanted) renew();
    }, PAUSE_MS);
  }
}
const events = new EventSource("/api/events");
events.addEventListener("judged", (event) => { if (event.data === live.dataset.place) renew(); });
// What was judged before the stream opened, or while it was broken, was not told.
events.addEventListener("open", renew);
events.addEventListener("missed", renew);
