// The fridge page, kept up to date: whenever its store was judged anew the page is fetched again and put in its place.
"use strict";
const live = document.getElementById("live");
let waiting = false;
async function renew() {
  if (waiting) return;
  waiting = true;
  try {
    const response = await fetch(location.href, { headers: { Accept: "text/html" } });
    if (!response.ok) return;
    const page = new DOMParser().parseFromString(await response.text(), "text/html");
    const fresh = page.getElementById("live");
    if (fresh) live.replaceChildren(...fresh.childNodes);
  } finally {
    // At most one renewal every two seconds, however many readings come.
    setTimeout(() => { waiting = false; }, 2000);
  }
}
const events = new EventSource("/api/events");
events.addEventListener("judged", (event) => { if (event.data === live.dataset.place) renew(); });
