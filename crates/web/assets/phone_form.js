// What the forms that work without a connection share: elements, the service's time, and a screen that stays awake.
import { SKEW_MS } from "./outbox.js";

export const $ = (id) => document.getElementById(id);

/** What a page knows, as the service wrote it into it. */
export const read = (page) => JSON.parse(page.getElementById("facts").textContent);

export const UNSTORED = "This phone cannot keep it: do not close this page until it is sent.";

export function make(tag, text, more) {
  const element = document.createElement(tag);
  element.textContent = text;
  return Object.assign(element, more);
}

export function button(text, touched, more) {
  const element = make("button", text, { type: "button", ...more });
  element.addEventListener("click", touched);
  return element;
}

export const press = (element, on) => element.setAttribute("aria-pressed", on);

/** The service's time beside the phone's two clocks: the one that anybody may set, and the one that runs from when the page was opened. */
export class ServiceClock {
  #skew;
  #date = Date.now();
  #running = performance.now();

  constructor(now) {
    const skew = Date.parse(now) - Date.now();
    this.#skew = Math.abs(skew) < SKEW_MS ? 0 : skew;
  }

  /** What the service's clock is ahead of the phone's; nothing where the phone's was set or slept since. */
  skew() {
    const apart = Date.now() - this.#date - (performance.now() - this.#running);
    return Math.abs(apart) < SKEW_MS ? this.#skew : null;
  }
}

/** Says something to eyes and screen readers alike, with a link where there is something to do elsewhere. */
export function say(text, link) {
  $("said").replaceChildren(...(text ? [text] : []), ...(link ? [" ", make("a", link.text, link)] : []));
  $("tale").hidden = Boolean(text);
}

/** What keeps an entry from being lost until somebody else signs in, and the link that does so without losing it. */
export function signIn(isStored) {
  if (isStored) return ["Nothing is lost: the entry is kept on this phone and sent after you sign in.", { text: "Sign in", href: "/sign-in" }];
  return [`${UNSTORED} Sign in on a second page.`, { text: "Sign in", href: "/sign-in", target: "_blank" }];
}

export function flip(text, forMs) {
  $("flip").textContent = text;
  $("flip").hidden = false;
  setTimeout(() => { $("flip").hidden = true; }, forMs);
  if (navigator.vibrate) navigator.vibrate(80);
}

/** Keeps the screen awake and the page there without a connection, where the browser can. */
export function stayReady() {
  if (navigator.wakeLock) {
    const awake = () => { if (document.visibilityState === "visible") navigator.wakeLock.request("screen").catch(() => {}); };
    document.addEventListener("visibilitychange", awake);
    awake();
  }
  if (!registerWorker()) $("plain").hidden = false;
}

/** Registers the service worker, which keeps pages for when there is no connection. False where the browser has none. */
export function registerWorker() {
  navigator.serviceWorker?.register("/assets/offline.js", { scope: "/" }).catch(() => {});
  return Boolean(navigator.serviceWorker);
}
