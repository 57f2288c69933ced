// Forms of a page that may wait. Whatever is filled in goes through the outbox, so that a signal which ends half-way loses nothing and doubles nothing:
// where the farm's service answers, the page goes on at once; where it does not, what was filled in waits on this phone.
import { FORM, Outbox, askNow, wasSentSince } from "./outbox.js";
import { UNSTORED, button, make, registerWorker, signIn } from "./phone_form.js";

// How long a press is waited for before the page says that it waits.
const PATIENT_MS = 6000;
const QUICK_MS = 3000;

const place = document.getElementById("unsent");
const { farm, madeAt, made } = place.dataset;
const isCached = Boolean(document.documentElement.dataset.cached);
const forms = [...document.querySelectorAll("form[data-offline]")];
// What each form is about, whatever key it has: its address, and what the page itself has put into it. A page that is made again has other keys.
const about = new Map(forms.map((form) => [form, aboutOf(form)]));
let outbox = null;
let notice = null;
// The form that was pressed, while its answer is waited for.
let pressed = null;
let isAnswered = false;
const opened = Outbox.open(Number(farm), null, heard, show).then((open) => { outbox = open; });

function aboutOf(form) {
  const isOwn = (field) => field.type === "hidden" && field.name !== "key" && field.name !== form.dataset.time && !field.closest(".drawing");
  return [form.getAttribute("action"), ...[...form.elements].filter(isOwn).map((field) => `${field.name}=${field.value}`)].join("&");
}

const kept = () => outbox.all().filter((entry) => entry.is === "form");
const entryOf = (form) => kept().find((entry) => entry.typed.of === about.get(form));
const formOf = (entry) => forms.find((form) => about.get(form) === entry.typed.of);

function heard(entry, what) {
  const [lost, link] = signIn(outbox.isStored(entry));
  notice = null;
  isAnswered ||= what.is !== "unknown";
  if (what.is === "signed-out") notice = [`You are signed out. ${lost} It is sent as the one who signs in.`, link];
  if (what.is === "not-allowed") notice = [`The one who is signed in may not do this. ${lost}`, link];
  const form = entry.is === "form" ? formOf(entry) : null;
  if (form && form === pressed) {
    pressed = null;
    if (what.is === "kept") return leave(what.answer.next);
    // The service says what is wrong beside each field.
    if (what.is === "refused") return correct(form, { ...entry, refused: what.detail });
  } else if (form && what.is === "kept" && kept().every((other) => other.refused) && !forms.some(isTouched)) location.reload();
  show();
}

/** Goes on to where the act is to be seen: on this very page, where somebody looks at it already. */
function leave(next) {
  const { pathname, search } = new URL(next, location.href);
  if (pathname + search === location.pathname + location.search) location.reload();
  else location.assign(next);
}

/** Whether somebody has typed into a form that is to be sent yet. */
function isTouched(form) {
  const differs = (field) => (["radio", "checkbox"].includes(field.type) ? field.checked !== field.defaultChecked : field.type !== "hidden" && "defaultValue" in field && field.value !== field.defaultValue);
  return !form.hidden && [...form.elements].some(differs);
}

/** Fills a form in again with what was kept of it. */
function fill(form, entry) {
  for (const [name, value] of new URLSearchParams(entry.body)) {
    const field = form.elements.namedItem(name);
    if (!field || name === "key" || name === form.dataset.time || field.value === value) continue;
    field.value = value;
    if (field.closest) {
      field.dispatchEvent(new Event("change"));
      const fold = field.closest("details");
      if (fold && value) fold.open = true;
    }
  }
}

/** Gives back a form that was refused: with what is wrong beside its fields where the service answers, with its reason above it where not. */
async function correct(form, entry) {
  await outbox.drop(entry.id);
  fill(form, entry);
  show();
  if ((await askNow(QUICK_MS)) === null) return form.before(make("p", `Not saved: ${entry.refused}`, { className: "wrong" }));
  HTMLFormElement.prototype.submit.call(form);
}

async function takeBack(form, entry) {
  if (await outbox.takeBack(entry.id)) fill(form, entry);
  show();
}

/** A button that removes an entry for good, once it is pressed a second time. */
function forget(entry) {
  const away = button("Forget it", () => {
    if (away.dataset.sure) return outbox.drop(entry.id).then(show);
    away.dataset.sure = "yes";
    away.textContent = "Yes, forget what was filled in";
  }, { className: "link" });
  return away;
}

const stateOf = (entry) => (entry.refused ? `Not saved: ${entry.refused}` : outbox.isStored(entry) ? "Not sent yet." : UNSTORED);

/** What became of a form, in its place. */
function inPlace(form, entry) {
  const shown = make("p", `${entry.typed.words.split(": ").pop()}. ${stateOf(entry)} `, { className: "done", tabIndex: -1 });
  shown.setAttribute("role", "status");
  if (entry.refused) shown.append(button("Correct it", () => correct(form, entry), { className: "link" }), forget(entry));
  else if (!entry.tried) shown.append(button("Take it back", () => takeBack(form, entry), { className: "link" }));
  if (form.matches(".sheet")) shown.append(" ", make("a", "What is kept on this phone", { href: "/no-connection" }));
  return shown;
}

/** What waits and has no form here, folded away so that nobody else's name stands in the way. */
function elsewhere(entries) {
  const list = make("details", "", { open: entries.some((entry) => entry.refused) });
  const refused = entries.filter((entry) => entry.refused).length;
  list.append(make("summary", `${entries.length} more on this phone${refused ? `, ${refused} not saved` : ", not sent yet"}`));
  for (const entry of entries) {
    const shown = make("p", "", { className: "done" });
    shown.append(make("a", entry.typed.words, { href: entry.typed.page }), `. ${stateOf(entry)} `);
    if (entry.refused) shown.append(forget(entry));
    list.append(shown);
  }
  return list;
}

function top() {
  const lines = [];
  if (pressed) lines.push(make("p", "Sending …", { className: "judge" }));
  if (notice) {
    lines.push(make("p", `${notice[0]} `, { className: "wrong" }));
    lines.at(-1).append(make("a", notice[1].text, notice[1]));
  }
  if (isCached && isAnswered) {
    lines.push(make("p", `This page is as it was on ${made}. `, { className: "done" }));
    lines.at(-1).append(button("Show it as it is now", () => location.reload(), { className: "link" }));
  } else if (isCached) lines.push(make("p", `No connection. This page is as it was on ${made}${kept().length ? ", without what waits on this phone" : ""}.`, { className: "done" }));
  const others = kept().filter((entry) => !formOf(entry));
  if (others.length) lines.push(elsewhere(others));
  return lines;
}

function show() {
  if (!outbox) return;
  for (const form of forms) {
    const entry = entryOf(form);
    const isSent = isCached && wasSentSince(farm, about.get(form), Date.parse(madeAt));
    form.hidden = form !== pressed && (isSent || Boolean(entry && !entry.refused));
    form.ariaBusy = form === pressed;
    if (form.nextElementSibling?.matches(".done")) form.nextElementSibling.remove();
    if (form === pressed) continue;
    if (entry) form.after(inPlace(form, entry));
    else if (isSent) form.after(make("p", "Sent.", { className: "done" }));
  }
  place.replaceChildren(...top());
}

async function keep(form) {
  const body = new URLSearchParams(new FormData(form));
  const { time } = form.dataset;
  if (time) body.set(time, new Date().toISOString());
  const words = form.dataset.offline.replace(/\{([\w.]+)\}/g, (whole, name) => form.elements.namedItem(name)?.value ?? whole);
  const path = form.getAttribute("action");
  const typed = { words, of: about.get(form), page: location.pathname + location.search };
  // One that the signed-in person may not send holds up its like alone.
  const entry = { id: form.elements.key.value, form: path.split("/").pop(), is: "form", encoding: FORM, path, body: body.toString(), typed };
  await outbox.put({ ...entry, time, timed: !time, since: Date.parse(madeAt) });
  navigator.storage?.persist?.();
}

async function send(event) {
  event.preventDefault();
  const form = event.currentTarget;
  if (pressed) return;
  pressed = form;
  form.previousElementSibling?.matches(".wrong") && form.previousElementSibling.remove();
  await opened;
  const earlier = entryOf(form);
  if (earlier) await outbox.drop(earlier.id);
  await keep(form);
  show();
  const late = setTimeout(() => settle(form), PATIENT_MS);
  await outbox.send(true);
  // Sent from another page of this phone meanwhile.
  if (pressed === form && !entryOf(form)) leave(location.href);
  if (entryOf(form) && !entryOf(form).tried) {
    clearTimeout(late);
    settle(form);
  }
}

/** The answer is not waited for any longer. */
function settle(form) {
  if (pressed !== form) return;
  pressed = null;
  show();
  form.nextElementSibling?.focus();
}

for (const form of forms) form.addEventListener("submit", send);
window.addEventListener("online", () => outbox?.send(false));
document.addEventListener("visibilitychange", () => { if (document.visibilityState === "visible") outbox?.send(false); });
window.addEventListener("beforeunload", (event) => { if (outbox && !kept().every((entry) => outbox.isStored(entry))) event.preventDefault(); });
await opened;
show();
outbox.send(false);
if (registerWorker() && !isCached) {
  const links = [...document.querySelectorAll('main a[href^="/dockets/"]')].map((link) => link.getAttribute("href"));
  // A page that the worker did not see go by is asked for once more.
  const own = navigator.serviceWorker.controller ? [] : [location.pathname + location.search];
  navigator.serviceWorker.ready.then(({ active }) => active.postMessage({ keep: [...own, ...new Set(links)] }));
}
