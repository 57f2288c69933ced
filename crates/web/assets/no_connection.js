// Without a connection the phone lists the pages that it has kept.
const list = document.getElementById("kept-pages");
try {
  const cache = await caches.open("gillbook-pages");
  for (const request of (await cache.keys()).reverse()) {
    const text = await (await cache.match(request)).text();
    const page = new DOMParser().parseFromString(text, "text/html");
    const words = ["h1", "main .judge"].map((part) => page.querySelector(part)?.textContent.trim()).filter(Boolean);
    const { pathname, search } = new URL(request.url);
    const link = Object.assign(document.createElement("a"), { href: pathname + search, textContent: words.join(": ") });
    const item = document.createElement("li");
    item.append(link);
    list.append(item);
  }
} catch { /* over plain HTTP no page is kept */ }
