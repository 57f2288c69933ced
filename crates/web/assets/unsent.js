// Forms of a page that may wait. Where the farm's service answers, the browser sends them as it would without this script; where it does not, what
// was filled in is kept on this phone and sent by itself later.
import { FORM, Outbox, askNow } from "./outbox.js";
import { UNSTORED, button, keepPages, make, signIn } from "./phone_form.js";

const OWN = "/forms";
const QUICK_MS = 3000;
const MAX_SENT = 200;

const place = document.getElementById("unsent");
const { farm, madeAt, made } = place.dataset;
const isCached = Boolean(document.documentElement.dataset.cached);
const forms = [...document.querySelectorAll("form[data-offline]")];
const keyOf = (form) => form.elements.key.value;
// Keys of forms that were sent from here: a page out of the cache has them still.
const sentKey = `gillbook.sent.${farm}`;
let sent = [];
try { sent = JSON.parse(localStorage.getItem(sentKey)) || []; } catch { /* switched off */ }
let notice = null;
let isBusy = false;
const outbox = await Outbox.open(Number(farm), OWN, heard, show);

function heard(entry, what) {
  const [lost, link] = signIn(outbox.isStored(entry));
  notice = null;
  if (what.is === "signed-out") notice = [`You are signed out. ${lost}`, link];
  if (what.is === "not-allowed") notice = [`The one who is signed in may not do this. ${lost}`, link];
  if (what.is === "kept" && entry.form === OWN) {
    sent = [entry.id, ...sent].slice(0, MAX_SENT);
    try { localStorage.setItem(sentKey, JSON.stringify(sent)); } catch { /* switched off or full */ }
    // The page as it is now, but for what is being typed.
    if (outbox.waiting().length === 0 && !forms.some(isTouched)) location.reload();
  }
  show();
}

/** Whether somebody has typed into a form that is to be sent yet. */
function isTouched(form) {
  const differs = (field) => (["radio", "checkbox"].includes(field.type) ? field.checked !== field.defaultChecked : field.type !== "hidden" && "defaultValue" in field && field.value !== field.defaultValue);
  return !form.hidden && [...form.elements].some(differs);
}

/** What was filled in, in words. */
function wordsOf(form) {
  return form.dataset.offline.replace(/\{([\w.]+)\}/g, (whole, name) => form.elements.namedItem(name)?.value ?? whole);
}

function line(text, entry) {
  const shown = make("p", text, { className: "done" });
  if (entry?.refused) shown.append(" ", button("Remove it", () => { outbox.drop(entry.id); show(); }, { className: "link" }));
  return shown;
}

function stateOf(entry) {
  if (entry.refused) return `${entry.typed.words}. Not saved: ${entry.refused}`;
  return `${entry.typed.words}. ${outbox.isStored(entry) ? "Kept on this phone, not sent yet." : UNSTORED}`;
}

function show() {
  for (const form of forms) {
    const entry = outbox.get(keyOf(form));
    const isSent = isCached && sent.includes(keyOf(form));
    form.hidden = isSent || Boolean(entry && !entry.refused);
    if (form.nextElementSibling?.matches(".done")) form.nextElementSibling.remove();
    if (entry) form.after(line(stateOf(entry), entry));
    else if (isSent) form.after(line("Saved since this page was kept."));
  }
  const elsewhere = outbox.all().filter((entry) => !forms.some((form) => keyOf(form) === entry.id));
  const lines = elsewhere.map((entry) => line(stateOf(entry), entry));
  if (isCached) lines.unshift(make("p", `No connection. This page is as it was on ${made}.`, { className: "judge" }));
  if (notice) {
    lines.unshift(make("p", `${notice[0]} `, { className: "wrong" }));
    lines[0].append(make("a", notice[1].text, notice[1]));
  }
  place.replaceChildren(...lines);
}

async function keep(form) {
  const body = new URLSearchParams(new FormData(form));
  const { time } = form.dataset;
  if (time) body.set(time, new Date().toISOString());
  const entry = { id: keyOf(form), form: OWN, is: "form", encoding: FORM, path: form.getAttribute("action"), body: body.toString() };
  const when = { time, timed: !time, since: Date.parse(madeAt) };
  await outbox.put({ ...entry, ...when, typed: { words: wordsOf(form) } });
  navigator.storage?.persist?.();
  show();
  outbox.send(true);
}

async function send(event) {
  event.preventDefault();
  const form = event.currentTarget;
  if (isBusy) return;
  isBusy = true;
  try {
    if (navigator.onLine && (await askNow(QUICK_MS)) !== null) {
      await outbox.drop(keyOf(form));
      HTMLFormElement.prototype.submit.call(form);
    } else await keep(form);
  } finally {
    isBusy = false;
  }
}

for (const form of forms) form.addEventListener("submit", send);
window.addEventListener("online", () => outbox.send(false));
document.addEventListener("visibilitychange", () => { if (document.visibilityState === "visible") outbox.send(false); });
window.addEventListener("beforeunload", (event) => { if (!outbox.all().every((entry) => outbox.isStored(entry))) event.preventDefault(); });
show();
outbox.send(false);
if (keepPages() && !isCached) {
  const links = [...document.querySelectorAll('main a[href^="/dockets/"]')].map((link) => link.getAttribute("href"));
  navigator.serviceWorker.ready.then(({ active }) => active.postMessage({ keep: [location.pathname + location.search, ...new Set(links)] }));
}
