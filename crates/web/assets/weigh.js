// The scale form. A weighing is made once, handed to the outbox and sent from there, so that sending it again counts once.
import { Outbox, lastSent, uuid } from "./outbox.js";
import { $, ServiceClock, UNSTORED, button, flip, make, press, read, say, signIn, stayReady } from "./phone_form.js";

const REST_MS = 500;
const SAME_AGAIN_MS = 8000;
const DRAFT_MS = 15 * 60 * 1000;
const STALE_MS = 60 * 1000;
const REFRESH_MS = 10 * 60 * 1000;
// An answer that took longer says too little of the time.
const LATE_MS = 5000;
// A header's time has whole seconds.
const SECOND_MS = 1000;
const MAX_DIGITS = 5;
const MAX_CRATES = 4;

let facts = read(document);
let refreshed = Date.now();
const draft = `gillbook.scale.${facts.farm}`;
const state = { batch: null, flush: 1, grade: facts.grades[0].grade, digits: "", crates: 1, liner: true, wet: false, crate: null, liner_kind: null, place: null };
let resting = false;
let sure = false;
let last = null;
let asked = null;
let shown = 5;
// Ids that the service has answered with 201 since the page was opened.
const confirmed = new Set();
// A page that was opened without a connection knows the time of when it was cached, and no later one.
let isCached = Boolean(document.documentElement.dataset.cached);
let clock = isCached ? null : new ServiceClock(facts.now);
let mayBeCleared = false;
const outbox = await Outbox.open(facts.farm, "/weigh", heard, changed);
const kg = (g) => (g / 1000).toFixed(2);
const skew = () => clock?.skew() ?? null;

const crate = () => facts.crates.find((c) => c.crate === state.crate);
const liner = () => facts.liners.find((c) => c.crate === state.liner_kind);
const gross = () => Number(state.digits) * (facts.implied_decimals ? 10 : 1);
function tare() {
  const of = (kind) => (kind ? (state.wet ? kind.tare_wet_g : kind.tare_dry_g) : 0);
  return state.crates * (of(crate()) + (state.liner ? of(liner()) : 0));
}

/** What cannot be saved as it stands, in words; empty where it can. */
function trouble() {
  if (state.digits === "" || gross() === 0) return "";
  if (gross() > facts.max_gross_g) return `${kg(gross())} kg is more than one weighing takes (${kg(facts.max_gross_g)} kg). Check the digits.`;
  if (tare() >= gross()) return `Crate weighs more than the total: ${kg(tare())} kg of ${kg(gross())} kg. Check the crates.`;
  return "";
}

function show() {
  const net = gross() - tare();
  const unchosen = !state.batch && gross() > 0 ? "Choose the batch first." : "";
  $("net").textContent = kg(state.digits === "" ? 0 : Math.max(net, 0));
  $("tale").textContent = trouble() || unchosen || `gross ${kg(gross())}, tare ${kg(tare())}`;
  sure = false;
  $("keep").textContent = "Save weight";
  $("keep").disabled = resting || !state.batch || gross() === 0 || trouble() !== "";
  $("source-code").textContent = state.batch ? state.batch.batch : "Choose the batch";
  const places = facts.fridges.length > 1 && state.place ? `, to ${state.place}` : "";
  const held = state.batch?.on_hold ? ". On hold: what you weigh goes on hold" : "";
  $("source-about").textContent = state.batch ? `${state.batch.strain_name}, flush ${state.flush}${places}${held}` : "";
  const kind = facts.crates.length > 1 && crate() ? ` ${crate().name}` : "";
  $("crates").textContent = state.crates === 0 || !crate() ? "no crate" : `${state.crates}${kind} crate${state.crates === 1 ? "" : "s"}`;
  for (const b of document.querySelectorAll("[data-liner]")) {
    b.hidden = !liner();
    press(b, state.crates > 0 && (b.dataset.liner === "yes") === state.liner);
  }
  for (const b of document.querySelectorAll("[data-wet]")) press(b, (b.dataset.wet === "yes") === state.wet);
  for (const b of $("grades").children) press(b, b.dataset.grade === state.grade);
  remember();
}

function remember() {
  const { batch, ...rest } = state;
  try { localStorage.setItem(draft, JSON.stringify({ ...rest, batch: batch && batch.batch, at: Date.now() })); } catch { /* switched off */ }
}

/** The form as it was left, as far as what was chosen is still there. */
function restore() {
  let left = {};
  try { left = JSON.parse(localStorage.getItem(draft)) || {}; } catch { /* switched off */ }
  const still = (list, key, code) => (list.some((x) => x[key] === code) ? code : list.length ? list[0][key] : null);
  state.crate = still(facts.crates, "crate", left.crate);
  state.liner_kind = still(facts.liners, "crate", left.liner_kind);
  state.place = still(facts.fridges, "place", left.place);
  state.grade = still(facts.grades, "grade", left.grade);
  state.crates = state.crate ? left.crates ?? 1 : 0;
  state.liner = Boolean(state.liner_kind) && (left.liner ?? true);
  state.wet = left.wet ?? false;
  state.batch = facts.batches.find((b) => b.batch === left.batch) || null;
  state.flush = state.batch ? left.flush : 1;
  state.digits = Date.now() - (left.at || 0) < DRAFT_MS ? left.digits || "" : "";
}

function choose() {
  options();
  $("scale").hidden = true;
  $("chooser").hidden = false;
  $("choose").focus();
}

function chosen(batch) {
  if (batch) Object.assign(state, { batch, flush: batch.likely_flush });
  $("chooser").hidden = true;
  $("scale").hidden = false;
  say("");
  show();
  $("source").focus();
}

function rest(on) {
  resting = on;
  $("pad").toggleAttribute("data-resting", on);
  $("pad").setAttribute("aria-disabled", on);
  if (!on) show();
}

function weighing() {
  const id = uuid();
  const ahead = skew();
  const body = {
    id,
    sources: [{ batch: state.batch.batch, flush: state.flush }],
    grade: state.grade,
    gross_g: gross(),
    tare: state.crate && state.crates > 0
      ? { crate: state.crate, crates: state.crates, liner: state.liner ? state.liner_kind : null, wet: state.wet }
      : { tare_g: 0 },
    weighed_at: new Date(Date.now() + (ahead ?? 0)).toISOString(),
    by: facts.by,
  };
  if (state.place) body.place = state.place;
  const typed = { ...state, batch: state.batch.batch };
  return { id, form: "/weigh", timed: ahead !== null, since: Date.parse(facts.now), is: "weighing", time: "weighed_at", path: "/api/weighings", look: `/api/weighings/${id}`, body: JSON.stringify(body), net_g: gross() - tare(), typed };
}

async function keep() {
  if (resting || $("keep").disabled) return;
  const same = last && last.gross === gross() && last.batch === state.batch.batch && Date.now() - last.at < SAME_AGAIN_MS;
  if (same && !sure) {
    // A second touch keeps it: the button itself asks, where the thumb is.
    sure = true;
    $("keep").textContent = "The same weight again? Keep it too";
    return;
  }
  const entry = weighing();
  last = { gross: gross(), batch: state.batch.batch, at: Date.now() };
  rest(true);
  $("keep").disabled = true;
  const stored = await outbox.put(entry);
  say(`Saving ${kg(entry.net_g)} kg …${stored ? "" : ` ${UNSTORED}`}`);
  await outbox.send(true);
  const left = outbox.all().find((e) => e.id === entry.id);
  if (left && left.refused) {
    // The digits stay, to be corrected.
    await outbox.drop(entry.id);
    last = null;
    list();
    rest(false);
    return;
  }
  state.digits = "";
  remember();
  if (confirmed.has(entry.id)) {
    say(apart(facts.last.find((w) => w.id === entry.id)));
    flip(`${kg(entry.net_g)} kg saved`, REST_MS);
  } else if (!left) {
    say(`${kg(entry.net_g)} kg was sent from another page of this phone. Open this page again to see it below.`);
  } else if (!$("said").querySelector("a")) {
    const next = stored ? "It is kept on this phone and will be sent again by itself." : `It will be sent again by itself. ${UNSTORED}`;
    // It may have come there and only the answer was lost.
    persist();
    say(`${navigator.onLine ? "Not" : "No connection: not"} known yet whether ${kg(entry.net_g)} kg was saved. ${next}`);
  }
  // Dead for half a second, so that a wet thumb that bounces types nothing.
  setTimeout(() => rest(false), REST_MS);
}

/** What is to be done with a crate of which the lot is on hold; empty for another. */
const apart = (weighed) => (weighed?.on_hold ? `${weighed.lot} is on hold. Set this crate apart.` : "");

/** What came of an entry that was sent. */
function heard(entry, what) {
  if (what.is === "kept") confirmed.add(entry.id);
  // The connection is back: so are the batches of now.
  if (what.is === "kept" && isCached) { refreshed = 0; refresh(); }
  if (what.is === "kept" && entry.is === "weighing" && !facts.last.some((w) => w.id === what.answer.id)) facts.last.unshift(what.answer);
  if (entry.is === "undo" && (what.is === "kept" || what.type === "/problems/already-reversed")) undone(entry);
  else if (what.is === "refused") say(`Not saved: ${what.detail}`);
  if (what.is === "kept" && what.answer.on_hold && !resting) say(apart(what.answer));
  else if (what.is === "kept" && outbox.waiting().length === 0 && !resting) say(outbox.unreadable().length ? "Everything on this phone that can be read is saved." : "Everything on this phone is saved.");
  const [lost, link] = signIn(outbox.isStored(entry));
  if (what.is === "signed-out") say(`You are signed out. ${lost}`, link);
  if (what.is === "not-allowed") say(`The one who is signed in may not weigh. ${lost}`, link);
  // What is typed meanwhile, and why it cannot be saved, stays in sight; what waits stands below.
  if (what.is === "unknown" && !resting && state.digits === "") say(navigator.onLine ? `Not known yet, asking again: ${outbox.waiting().length} on this phone.` : `No connection: ${outbox.waiting().length} kept on this phone, will be sent.`);
  list();
}

/** Another page of this phone has put, sent or dropped something. */
function changed() {
  list();
  catchUp();
}

/** Asks for the last weighings where this phone has sent one since they were read: Today sends too, and goes away with the answer. */
function catchUp() {
  if (isCached || lastSent(facts.farm) + SECOND_MS < Date.parse(facts.now)) return;
  refreshed = 0;
  refresh();
}

/** Asks the browser not to clear what waits when the phone runs out of room, and says where it may all the same. */
async function persist() {
  if (!navigator.storage?.persist || outbox.all().length === 0) return;
  mayBeCleared = !(await navigator.storage.persist());
  list();
}

function undone(entry) {
  outbox.drop(entry.id);
  const weighed = facts.last.find((w) => w.id === entry.weighing);
  if (weighed) weighed.reversed_by = entry.id;
}

async function undo(weighed) {
  asked = null;
  const entry = { id: uuid(), form: "/weigh", timed: true, is: "undo", path: `/api/weighings/${weighed.id}/reversal`, body: JSON.stringify({ reason: "Undone at the scale" }), weighing: weighed.id, net_g: weighed.net_g };
  const stored = outbox.put(entry);
  list();
  await stored;
  outbox.send(true);
}

function lineOf(weighed) {
  const text = `${weighed.lot} ${weighed.grade} ${kg(weighed.net_g)} kg${weighed.on_hold ? ", on hold" : ""}`;
  const item = make("li", "");
  const words = make("span", text);
  item.append(words);
  const going = outbox.waiting().some((e) => e.weighing === weighed.id);
  if (weighed.reversed_by) words.className = "undone";
  else if (going) item.append(make("span", "undoing …"));
  else if (asked === weighed.id) {
    words.textContent = `Undo ${kg(weighed.net_g)} kg?`;
    const yes = button("Yes, undo", () => undo(weighed), { className: "link" });
    item.append(yes, button("No", () => { asked = null; list(); }, { className: "link" }));
  } else {
    const ask = button("undo", () => { asked = weighed.id; list(); $("last").querySelector("button.link").focus(); }, { className: "link" });
    ask.setAttribute("aria-label", `undo ${text}`);
    item.append(ask);
  }
  return item;
}

/** Puts a refused weighing back onto the scale, to be corrected. */
function correct(entry) {
  outbox.drop(entry.id);
  const { batch, ...typed } = entry.typed;
  Object.assign(state, typed, { batch: facts.batches.find((b) => b.batch === batch) || null });
  say("");
  list();
  show();
}

function heldLine(entry) {
  const item = make("li", "");
  const what = entry.is === "undo" ? "undo of " : `${entry.typed.batch} ${entry.typed.grade} `;
  item.append(make("span", `${what}${kg(entry.net_g)} kg${entry.refused ? `. Not saved: ${entry.refused}` : ", not known yet"}`));
  if (entry.refused && entry.is === "weighing") item.append(button("Correct it", () => correct(entry), { className: "link" }));
  else if (entry.refused) item.append(button("OK", () => { outbox.drop(entry.id); list(); }, { className: "link" }));
  return item;
}

/** Something that this phone kept and cannot read any more, until somebody has looked into it. */
function unreadableLine(id) {
  const item = make("li", "");
  item.append(make("span", "An entry on this phone cannot be read and was not sent. Look below which weighing is missing, and weigh it again."));
  item.append(button("Remove it", () => { outbox.drop(id); list(); }, { className: "link" }));
  return item;
}

function list() {
  $("last").replaceChildren(...facts.last.slice(0, shown).map(lineOf));
  $("more").hidden = facts.last.length <= shown;
  const held = outbox.all();
  const lines = [...held.map(heldLine), ...outbox.unreadable().map(unreadableLine)];
  $("held").hidden = lines.length === 0;
  $("held-list").replaceChildren(...lines);
  $("unstored").textContent = held.every((entry) => outbox.isStored(entry)) ? "" : UNSTORED;
  $("cleared").hidden = !mayBeCleared;
}

function options() {
  const row = (id, rows, on, pick) => {
    $(id).parentElement.hidden = rows.length < 2;
    $(id).replaceChildren(...rows.map(([code, text]) => {
      const b = button(text, () => { pick(code); options(); $(id).querySelector("[aria-pressed=true]").focus(); });
      press(b, code === on);
      return b;
    }));
  };
  const flushes = state.batch ? Array.from({ length: Math.max(state.batch.likely_flush, state.flush) }, (_, i) => [i + 1, String(i + 1)]) : [];
  row("flushes", flushes, state.flush, (n) => { state.flush = n; });
  row("crate-kinds", facts.crates.map((c) => [c.crate, c.name]), state.crate, (c) => { state.crate = c; });
  row("liner-kinds", facts.liners.map((c) => [c.crate, c.name]), state.liner_kind, (c) => { state.liner_kind = c; });
  row("fridges", facts.fridges.map((p) => [p.place, p.name]), state.place, (p) => { state.place = p; });
}

function batches() {
  let strain = null;
  $("batches").replaceChildren();
  $("none").hidden = facts.batches.length > 0;
  for (const b of facts.batches) {
    if (b.strain !== strain) {
      strain = b.strain;
      $("batches").append(make("h3", b.strain_name));
    }
    const choice = button(b.batch, () => chosen(b), { className: b.due ? "due" : "" });
    choice.dataset.batch = b.batch;
    choice.append(make("small", `flush ${b.likely_flush}, ${b.standing} blocks${b.on_hold ? ", on hold" : b.due ? ", due" : ""}`));
    $("batches").append(choice);
  }
}

/** Asks for the batches of now: a page that was left open shows those of yesterday. */
async function refresh() {
  if (document.visibilityState !== "visible" || Math.abs(Date.now() - refreshed) < STALE_MS) return;
  refreshed = Date.now();
  try {
    const response = await fetch("/weigh");
    const page = new DOMParser().parseFromString(await response.text(), "text/html");
    if (!page.getElementById("facts")) {
      if (response.redirected) say("You are signed out.", { text: "Sign in", href: "/sign-in" });
      return;
    }
    facts = read(page);
    clock = Date.now() - refreshed < LATE_MS ? new ServiceClock(facts.now) : null;
    isCached = false;
    $("old").hidden = true;
    if (state.batch) state.batch = facts.batches.find((b) => b.batch === state.batch.batch) || null;
    batches();
    list();
    if (!resting && !sure) show();
  } catch { /* no connection: the next look asks again */ }
}

function digit(what) {
  if (resting) return say("Wait until the weight is saved, then type the next.");
  say("");
  if (what === "back") state.digits = state.digits.slice(0, -1);
  else if (what === "clear") state.digits = "";
  else if (state.digits.length < MAX_DIGITS) state.digits = (state.digits + what).replace(/^0+/, "");
  else say(`The scale shows at most ${MAX_DIGITS} digits. Delete some first.`);
  show();
}

/** A keyboard or a USB keypad types as the pad does; Enter on the keypad saves. */
function typed(event) {
  if ($("scale").hidden || event.ctrlKey || event.metaKey || event.altKey || event.repeat) return;
  const keys = { Backspace: "back", Delete: "clear", Escape: "clear" };
  // The batch was chosen, and its button has the focus still: with digits typed, Enter saves.
  const chose = event.target.id === "source" && gross() > 0;
  const elsewhere = event.target.closest("a, button") && event.code !== "NumpadEnter" && !chose;
  if (/^[0-9]$/.test(event.key)) digit(event.key);
  else if (keys[event.key]) digit(keys[event.key]);
  else if (event.key === "Enter" && !elsewhere) keep();
  else return;
  event.preventDefault();
}

for (const g of facts.grades) {
  const choice = button(`${g.grade} ${g.name}`, () => { state.grade = g.grade; show(); });
  choice.dataset.grade = g.grade;
  $("grades").append(choice);
}
$("pad").addEventListener("click", (event) => {
  const what = event.target.closest("button")?.dataset.digit;
  if (what) digit(what);
});
document.addEventListener("keydown", typed);
$("crates").addEventListener("click", () => { state.crates = crate() ? (state.crates + 1) % (MAX_CRATES + 1) : 0; show(); });
for (const b of document.querySelectorAll("[data-liner]")) b.addEventListener("click", () => { state.liner = b.dataset.liner === "yes"; show(); });
for (const b of document.querySelectorAll("[data-wet]")) b.addEventListener("click", () => { state.wet = b.dataset.wet === "yes"; show(); });
$("source").addEventListener("click", choose);
$("unchoose").addEventListener("click", () => chosen(null));
$("keep").addEventListener("click", keep);
$("more").addEventListener("click", () => { shown = facts.last.length; list(); });
window.addEventListener("online", () => outbox.send(false));
window.addEventListener("beforeunload", (event) => { if (!outbox.all().every((entry) => outbox.isStored(entry))) event.preventDefault(); });
document.addEventListener("visibilitychange", () => { refresh(); if (document.visibilityState === "visible") outbox.send(false); });
setInterval(refresh, REFRESH_MS);
stayReady();
if (isCached) {
  $("old").hidden = false;
  $("old").textContent = `No connection. Batches and tares are those of ${facts.now_shown}.`;
}
restore();
batches();
list();
$("scale").hidden = false;
show();
catchUp();
outbox.send(false);
persist();
