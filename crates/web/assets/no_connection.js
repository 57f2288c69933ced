// Without a connection the phone lists the pages that it has kept, and goes on to the one that was asked for once the service answers.
import { Outbox, askNow } from "./outbox.js";

const RETRY_MS = 5000;
const list = document.getElementById("kept-pages");

async function again() {
  if (document.visibilityState === "visible" && (await askNow(RETRY_MS)) !== null) location.reload();
}

/** The kept pages: packing lists first, then dockets in the order of their list. */
async function keptPages() {
  const cache = await caches.open("gillbook-pages");
  const pages = [];
  for (const request of await cache.keys()) {
    const page = new DOMParser().parseFromString(await (await cache.match(request)).text(), "text/html");
    const words = ["h1", "main .judge"].map((part) => page.querySelector(part)?.textContent.trim()).filter(Boolean);
    const { pathname, search } = new URL(request.url);
    pages.push({ path: pathname + search, words: words.join(": "), farm: Number(page.getElementById("unsent")?.dataset.farm) });
  }
  return pages.sort((a, b) => Number(b.path.startsWith("/packing-list")) - Number(a.path.startsWith("/packing-list")));
}

try {
  const pages = await keptPages();
  const outbox = pages.length ? await Outbox.open(pages[0].farm, null, () => {}, () => {}) : null;
  for (const { path, words } of pages) {
    const waiting = outbox.all().filter((entry) => entry.is === "form" && entry.typed.page === path).length;
    const item = document.createElement("li");
    item.append(Object.assign(document.createElement("a"), { href: path, textContent: words }));
    if (waiting) item.append(` ${waiting} kept on this phone, not sent yet.`);
    list.append(item);
  }
  document.getElementById("kept-heading").hidden = pages.length === 0;
} catch { /* over plain HTTP no page is kept */ }
if (document.documentElement.dataset.cached) {
  setInterval(again, RETRY_MS);
  window.addEventListener("online", again);
}
