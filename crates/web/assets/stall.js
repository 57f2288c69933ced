// The tally of a stall. A sale is made once, handed to the outbox and sent from there, so that selling goes on without a connection.
// Amounts are whole numbers of the currency's smallest unit: nothing here is a fraction.
import { Outbox, uuid } from "./outbox.js";
import { $, ServiceClock, UNSTORED, button, flip, make, press, read, say, signIn, stayReady } from "./phone_form.js";

const FLIP_MS = 700;
const DRAFT_MS = 15 * 60 * 1000;
const STALE_MS = 60 * 1000;
const REFRESH_MS = 10 * 60 * 1000;
// An answer that took longer says too little of the time.
const LATE_MS = 5000;
const MAX_DIGITS = 6;
// So many strokes are drawn; above, the number alone is quicker to read.
const MAX_STROKES = 60;
// So many sales are kept beside the facts: more than are made before the page is read anew.
const MAX_SINCE = 500;

let facts = read(document);
let refreshed = Date.now();
// What is being sold is of this page alone; what was sold since the facts is of the phone.
const draft = `gillbook.stall.${facts.farm}`;
const past = `gillbook.stall.since.${facts.farm}`;
// Products with packs or grams, and the price that is asked today.
const state = { day: null, lines: [] };
let showsAll = false;
// What is being typed on the pad: grams of a product, or the price of a line.
let typing = null;
let digits = "";
// The id of the sale that a touch more undoes or removes.
let asked = null;
let shown = 5;
// What was paid last, until something else is touched.
let paid = "";
// Sales that the service took since the facts were read, and those that it took back: also from before the page was opened, as the facts of a
// page out of the cache are older than they are.
const kept = new Map();
const undone = new Map();
// A page that was opened without a connection knows the time of when it was cached, and no later one.
let isCached = Boolean(document.documentElement.dataset.cached);
let clock = isCached ? null : new ServiceClock(facts.now);
const outbox = await Outbox.open(facts.farm, "/stall", heard, sentElsewhere);

const dayOf = (code) => facts.days.find((d) => d.market_day === code);
const day = () => dayOf(state.day) ?? facts.days[0] ?? null;
const offer = (code) => day()?.offers.find((o) => o.product === code);
const kg = (grams) => (grams / 1000).toFixed(3);
const money = (coins) => (coins / 10 ** facts.places).toFixed(facts.places);
const coins = (text) => Math.round(Number(text) * 10 ** facts.places);

/** A whole number divided by another, halves by the farm's rule. Both are far below 2^53. */
function divided(number, by) {
  const whole = Math.floor(number / by);
  const rest = 2 * (number - whole * by);
  const up = rest === by ? { half_up: true, half_down: false, half_even: whole % 2 === 1 }[facts.rounding] : rest > by;
  return whole + (up ? 1 : 0);
}

const amount = (line) => (line.packs ? line.price * line.packs : divided(line.grams * line.price, 1000));
const total = () => state.lines.reduce((sum, line) => sum + amount(line), 0);
const inCash = (sum) => (facts.cash_step ? divided(sum, facts.cash_step) * facts.cash_step : sum);
const named = (line) => `${line.packs ? `${line.packs} ×` : `${kg(line.grams)} kg`} ${offer(line.product)?.name ?? line.product}`;
const clockTime = (at) => new Date(at).toLocaleTimeString([], { hour: "2-digit", minute: "2-digit" });

/** What to give back of the next larger sums that people hand over: 1, 2 and 5 with noughts, as coins and notes are. */
function change(due) {
  const sums = [];
  for (let power = 1; sums.length < 3; power *= 10) {
    for (const sum of [1, 2, 5]) if (sum * power > due && sums.length < 3) sums.push(sum * power);
  }
  return `Change of ${sums.map((sum) => `${money(sum)}: ${money(sum - due)}`).join(", of ")}`;
}

function remember() {
  try {
    sessionStorage.setItem(draft, JSON.stringify({ ...state, at: Date.now() }));
    // Another page of this phone may have sold too.
    const other = JSON.parse(localStorage.getItem(past)) || {};
    const all = (rows, own) => [...new Map([...(rows || []).map((sale) => [sale.id, sale]), ...own]).values()].filter(Boolean).slice(-MAX_SINCE);
    localStorage.setItem(past, JSON.stringify({ kept: all(other.kept, kept), undone: all(other.undone, undone) }));
  } catch { /* switched off */ }
}

/** Whether these facts were read after something was written down, and have it. */
const isInFacts = (at) => Date.parse(at) < Date.parse(facts.now);

/** Of what the service took and took back, only what these facts do not have already. */
function sinceFacts() {
  const isLater = (at) => Date.parse(at) > Date.parse(facts.now);
  for (const [id, sale] of kept) if (!isLater(sale.recorded_at)) kept.delete(id);
  for (const [id, sale] of undone) if (!sale || !isLater(sale.reversed_at)) undone.delete(id);
}

/** The sale as it was left, as far as its market day and its products are still there. */
function restore() {
  let left = {};
  let since = {};
  try {
    left = JSON.parse(sessionStorage.getItem(draft)) || {};
    since = JSON.parse(localStorage.getItem(past)) || {};
  } catch { /* switched off */ }
  for (const sale of since.kept || []) kept.set(sale.id, sale);
  for (const sale of since.undone || []) undone.set(sale.id, sale);
  sinceFacts();
  if (!dayOf(left.day)) return;
  state.day = left.day;
  if (Date.now() - (left.at || 0) >= DRAFT_MS) return;
  state.lines = (left.lines || []).filter((line) => offer(line.product));
}

function show() {
  const sum = total();
  $("total").textContent = money(sum);
  $("tale").textContent = state.lines.length ? change(inCash(sum)) : paid || "Touch what they buy";
  $("cash").textContent = `Cash ${money(inCash(sum))}`;
  $("card").textContent = `Card ${money(sum)}`;
  for (const id of ["cash", "card"]) $(id).disabled = state.lines.length === 0;
  $("bought").replaceChildren(...state.lines.map(lineOf));
  remember();
}

function lineOf(line, i) {
  const item = make("li", "");
  const each = line.packs ? (line.packs > 1 ? ` at ${money(line.price)}` : "") : ` at ${money(line.price)} per kg`;
  item.append(make("span", `${named(line)}${each}, ${money(amount(line))}`));
  const choices = make("span", "");
  const less = line.packs > 1 ? "one less" : "remove";
  choices.append(button(less, () => takeOff(i), { className: "link" }), " ", button("other price", () => type({ price: i }), { className: "link" }));
  item.append(choices);
  return item;
}

function takeOff(i) {
  const line = state.lines[i];
  if (line.packs > 1) line.packs -= 1;
  else state.lines.splice(i, 1);
  show();
}

/** A touch on a product: one more pack of it, or its weight is asked for; its price too where the list has none. */
function touched({ product, pack_g, price }) {
  say("");
  paid = "";
  const same = pack_g && state.lines.find((line) => line.product === product && (price === null || line.price === price));
  if (same && same.packs < facts.max_packs) same.packs += 1;
  else if (state.lines.length >= facts.max_lines) return say(`A sale has at most ${facts.max_lines} lines. Take the money for these first.`);
  else if (!pack_g) return type({ product });
  else if (price === null) return type({ product, packs: 1 });
  else state.lines.push({ product, packs: 1, price });
  show();
}

function offers() {
  const there = day().offers.filter((o) => o.there_g > 0);
  const all = showsAll || there.length === 0;
  $("offers").replaceChildren(...(all ? day().offers : there).map((o) => {
    const choice = button(o.name, () => touched(o));
    choice.dataset.product = o.product;
    choice.append(make("small", o.price === null ? "no price on the list" : `${money(o.price)} ${o.pack_g ? "a pack" : "per kg"}`));
    return choice;
  }));
  $("all-offers").hidden = all || there.length === day().offers.length;
}

/** Opens the pad: for the weight of a product, then its price where there is none, or for the price of a line. */
function type(what) {
  typing = what;
  digits = "";
  for (const id of ["till", "book"]) $(id).hidden = true;
  $("typing").hidden = false;
  showTyped();
  $("typing-what").focus();
}

function isWeight() { return typing.product && !typing.packs && !typing.grams; }

function showTyped() {
  const number = Number(digits);
  const of = offer(typing.product ?? state.lines[typing.price].product);
  $("typing-what").textContent = isWeight() ? `${of.name}, weight` : `${of.name}, price ${of.pack_g ? "of a pack" : "per kg"}`;
  $("typed").textContent = isWeight() ? kg(number) : money(number);
  $("typed-unit").textContent = isWeight() ? " kg" : ` ${facts.currency}`;
  const known = isWeight() && of.price !== null;
  $("typing-tale").textContent = known ? `${money(divided(number * of.price, 1000))} ${facts.currency} at ${money(of.price)} per kg` : "With tax, as people pay it";
  if (isWeight() && number > of.there_g) $("typing-tale").textContent = `${kg(of.there_g)} kg of it came to the stall. Check the digits.`;
  if (isWeight() && number > facts.max_grams) $("typing-tale").textContent = `At most ${kg(facts.max_grams)} kg at once. Check the digits.`;
  $("take").textContent = isWeight() && of.price === null ? "Next" : typing.price === undefined ? "Add" : "Change the price";
  $("take").disabled = number === 0 || (isWeight() && number > facts.max_grams);
}

function closePad() {
  typing = null;
  $("typing").hidden = true;
  open();
}

function take() {
  if ($("take").disabled) return;
  const number = Number(digits);
  if (typing.price !== undefined) state.lines[typing.price].price = number;
  else if (!isWeight()) state.lines.push({ ...typing, price: number });
  else {
    const { price } = offer(typing.product);
    if (price === null) return type({ ...typing, grams: number });
    state.lines.push({ product: typing.product, grams: number, price });
  }
  closePad();
}

function digit(what) {
  if (what === "back") digits = digits.slice(0, -1);
  else if (what === "clear") digits = "";
  else if (digits.length < MAX_DIGITS) digits = (digits + what).replace(/^0+/, "");
  showTyped();
}

function saleOf(method) {
  const id = uuid();
  const ahead = clock?.skew() ?? null;
  const body = {
    id,
    lines: state.lines.map(({ product, packs, grams, price }) => ({ product, ...(packs ? { packs } : { grams_g: grams }), price: money(price) })),
    method,
    sold_at: new Date(Date.now() + (ahead ?? 0)).toISOString(),
    by: facts.by,
  };
  const path = `/api/market-days/${day().market_day}/sales`;
  const sum = total();
  return {
    id, form: "/stall", is: "sale", time: "sold_at", timed: ahead !== null, since: Date.parse(facts.now), path, look: `/api/tally-sales/${id}`, body: JSON.stringify(body),
    market_day: day().market_day, method, paid: method === "cash" ? inCash(sum) : sum, typed: { lines: state.lines },
  };
}

/** Keeps the sale on the phone and is ready for the next: it is sent beside that. */
async function pay(method) {
  if (state.lines.length === 0) return;
  const entry = saleOf(method);
  paid = method === "cash" ? `${money(entry.paid)} in cash. ${change(entry.paid)}` : `${money(entry.paid)} by card`;
  state.lines = [];
  show();
  flip(`${money(entry.paid)} ${method}`, FLIP_MS);
  if (!(await outbox.put(entry))) say(UNSTORED);
  list();
  if (navigator.storage?.persist) navigator.storage.persist().catch(() => {});
  outbox.send(true);
}

/** What came of an entry that was sent. */
function heard(entry, what) {
  if (what.is === "kept" && entry.is === "sale" && !isInFacts(what.answer.recorded_at)) kept.set(entry.id, what.answer);
  const gone = entry.is === "sale-undo" && ["/problems/already-reversed", "/problems/not-found"].includes(what.type);
  if (entry.is === "sale-undo" && (what.is === "kept" || gone)) {
    outbox.drop(entry.id);
    undone.set(entry.sale, what.is === "kept" && !isInFacts(what.answer.reversed_at) ? what.answer : null);
  } else if (what.is === "refused") say(`Not saved: ${what.detail}`);
  const [lost, link] = signIn(outbox.isStored(entry));
  // Of whichever form the entry is: nobody's are sent.
  if (what.is === "signed-out") say(`You are signed out. ${lost}`, link);
  if (what.is === "not-allowed") say(`The one who is signed in may not sell at the stall. ${lost}`, link);
  if (gone || (what.is === "kept" && isCached)) { refreshed = 0; refresh(); }
  remember();
  list();
}

/** Another page of this phone has put something, or sent it: then the service knows what this page does not. */
function sentElsewhere() {
  list();
  refreshed = 0;
  refresh();
}

const summary = (lines) => lines.map((line) => named({ ...line, grams: line.grams ?? line.grams_g })).join(", ");

async function undo(id, text, market_day) {
  asked = null;
  const path = `/api/tally-sales/${id}/reversal`;
  const stored = outbox.put({ id: uuid(), form: "/stall", timed: true, is: "sale-undo", path, body: JSON.stringify({ by: facts.by }), market_day, sale: id, text });
  list();
  await stored;
  outbox.send(true);
}

/** What a touch more does for good, behind a question. */
function behindQuestion(id, item, word, question, act) {
  if (asked !== id) {
    const ask = button(word, () => { asked = id; list(); }, { className: "link" });
    ask.setAttribute("aria-label", question);
    return item.append(ask);
  }
  item.firstChild.textContent = `${question}?`;
  item.append(button(`Yes, ${word}`, act, { className: "link" }), button("No", () => { asked = null; list(); }, { className: "link" }));
}

/** A sale with what undoes it. */
function undoable(id, text, market_day, more) {
  const item = make("li", "");
  const words = make("span", `${text}${more}`);
  item.append(words);
  if (undone.has(id)) {
    words.className = "undone";
    item.append(make("span", "undone"));
  } else if (outbox.waiting().some((entry) => entry.sale === id)) item.append(make("span", "undoing …"));
  else behindQuestion(id, item, "undo", `Undo ${text}`, () => undo(id, text, market_day));
  return item;
}

/** What waits, or was refused: then it stays until somebody says that it may go, as its money is in the box. */
function heldLine(entry) {
  const isSale = entry.is === "sale";
  const text = isSale ? `${clockTime(JSON.parse(entry.body).sold_at)} ${money(entry.paid)} ${entry.method}: ${summary(entry.typed.lines)}` : `Undoing ${entry.text}`;
  if (!entry.refused && isSale) return undoable(entry.id, text, entry.market_day, ", not confirmed yet");
  const item = make("li", "");
  item.append(make("span", `${text}${entry.refused ? `. Not saved: ${entry.refused}` : ", not confirmed yet"}`));
  if (!entry.refused) return item;
  behindQuestion(entry.id, item, "remove", `Remove ${text}`, () => { asked = null; outbox.drop(entry.id); list(); });
  return item;
}

/** Something that this phone kept and cannot read any more. */
function unreadableLine(id) {
  const item = make("li", "");
  item.append(make("span", "An entry on this phone cannot be read and was not sent. Look below which sale is missing, and enter it again."));
  item.append(button("Remove it", () => { outbox.drop(id); list(); }, { className: "link" }));
  return item;
}

/** What the day's sales come to: what the service said, what it took since, and what waits here; without what was taken back. */
function sums() {
  const products = new Map(day().tally.products.map((p) => [p.product, { ...p }]));
  const paid = { cash: day().tally.cash, card: day().tally.card };
  const add = (lines, method, sum, sign) => {
    paid[method] += sign * sum;
    for (const line of lines) {
      const of = products.get(line.product) || { product: line.product, packs: 0, grams: 0, amount: 0 };
      of.packs += sign * (line.packs || 0);
      of.grams += sign * line.grams;
      of.amount += sign * line.amount;
      products.set(line.product, of);
    }
  };
  const ofService = (sale, sign) => {
    if (sale?.market_day !== day().market_day) return;
    const lines = sale.lines.map((line) => ({ ...line, grams: line.grams_g, amount: coins(line.amount) }));
    add(lines, sale.method, coins(sale.total) + coins(sale.cash_rounding), sign);
  };
  for (const sale of kept.values()) ofService(sale, 1);
  for (const sale of undone.values()) ofService(sale, -1);
  const waiting = outbox.waiting().filter((entry) => entry.market_day === day().market_day);
  const going = new Set(waiting.map((entry) => entry.sale));
  for (const entry of waiting) {
    // Its answer may have been lost, and the facts have it all the same.
    const known = kept.get(entry.sale ?? entry.id) || day().last.find((sale) => sale.id === (entry.sale ?? entry.id));
    if (entry.is === "sale-undo" && known && !known.reversed_at) ofService(known, -1);
    if (entry.is !== "sale" || known || going.has(entry.id)) continue;
    const lines = entry.typed.lines.map((line) => ({ ...line, grams: line.grams ?? line.packs * (offer(line.product)?.pack_g ?? 0), amount: amount(line) }));
    add(lines, entry.method, entry.paid, 1);
  }
  return { products: [...products.values()].filter((p) => p.grams > 0), paid };
}

/** A ruled tally: four strokes and one across. */
function strokes(count) {
  const svg = document.createElementNS("http://www.w3.org/2000/svg", "svg");
  const path = document.createElementNS("http://www.w3.org/2000/svg", "path");
  const drawn = Math.min(count, MAX_STROKES);
  const at = (i) => Math.floor(i / 5) * 30 + (i % 5) * 5 + 3;
  const one = (i) => (i % 5 === 4 ? `M${at(i - 4) - 3} 16L${at(i - 1) + 3} 4` : `M${at(i)} 2V18`);
  path.setAttribute("d", Array.from({ length: drawn }, (_, i) => one(i)).join(""));
  const width = at(drawn - 1) + 4;
  svg.setAttribute("viewBox", `0 0 ${width} 20`);
  svg.setAttribute("width", width);
  svg.setAttribute("aria-hidden", "true");
  svg.append(path);
  return svg;
}

function tally() {
  const { products, paid: taken } = sums();
  const place = (p) => day().offers.findIndex((o) => o.product === p.product);
  $("tally").replaceChildren(...products.sort((a, b) => place(a) - place(b)).map((p) => {
    const row = make("tr", "");
    const name = make("th", offer(p.product)?.name ?? p.product, { scope: "row" });
    if (p.packs > 0 && p.packs <= MAX_STROKES) name.append(strokes(p.packs));
    const much = p.packs > 0 ? `${p.packs} × ${(p.grams / p.packs).toFixed(0)} g` : `${kg(p.grams)} kg`;
    row.append(name, make("td", much, { className: "n" }), make("td", money(p.amount), { className: "n" }));
    return row;
  }));
  $("taken").textContent = products.length ? `${money(taken.cash + taken.card)} ${facts.currency}: ${money(taken.cash)} in cash, ${money(taken.card)} by card.` : "Nothing yet.";
}

function list() {
  const held = outbox.all();
  // What is undone before it was sent stands once.
  const waiting = new Set(outbox.waiting().map((entry) => entry.id));
  const lines = [...held.filter((entry) => entry.is === "sale" || !waiting.has(entry.sale)).map(heldLine), ...outbox.unreadable().map(unreadableLine)];
  $("held").hidden = lines.length === 0;
  $("held-list").replaceChildren(...lines);
  $("unstored").textContent = held.every((entry) => outbox.isStored(entry)) ? "" : UNSTORED;
  if (!day()) return;
  const fresh = [...kept.values()].reverse().filter((sale) => sale.market_day === day().market_day);
  const last = [...fresh, ...day().last.filter((sale) => !kept.has(sale.id))];
  for (const sale of last) if (sale.reversed_at && !undone.has(sale.id)) undone.set(sale.id, null);
  $("last").replaceChildren(...last.slice(0, shown).map((sale) => {
    const text = `${clockTime(sale.sold_at)} ${money(coins(sale.total) + coins(sale.cash_rounding))} ${sale.method}: ${summary(sale.lines)}`;
    return undoable(sale.id, text, sale.market_day, "");
  }));
  $("more").hidden = last.length <= shown;
  tally();
}

function days() {
  $("days").hidden = facts.days.length < 2;
  $("days").replaceChildren(...facts.days.map((d) => {
    const choice = button(d.shown, () => {
      if (state.lines.length > 0) return say("Take the money for what is being sold first.");
      state.day = d.market_day;
      open();
    });
    press(choice, d.market_day === day().market_day);
    return choice;
  }));
  $("cash-up").href = `/market-days/${day().market_day}`;
}

/** Asks for the prices and sales of now: a page that was left open shows those of then. */
async function refresh() {
  if (document.visibilityState !== "visible" || Math.abs(Date.now() - refreshed) < STALE_MS) return;
  const begun = Date.now();
  refreshed = begun;
  try {
    const response = await fetch("/stall");
    const page = new DOMParser().parseFromString(await response.text(), "text/html");
    if (!page.getElementById("facts")) {
      if (response.redirected) say("You are signed out.", { text: "Sign in", href: "/sign-in" });
      return;
    }
    const now = read(page);
    // Two may be on their way at once, and the older come later.
    if (Date.parse(now.now) < Date.parse(facts.now)) return;
    clock = Date.now() - begun < LATE_MS ? new ServiceClock(now.now) : null;
    isCached = false;
    $("old").hidden = true;
    facts = now;
    sinceFacts();
    if (!dayOf(state.day) && (state.lines.length > 0 || typing)) {
      state.lines = [];
      if (typing) closePad();
      say("The stall was cashed up meanwhile. What was being sold is not kept.");
    }
    if (!typing) open();
  } catch { /* no connection: the next look asks again */ }
}

function open() {
  state.day = day()?.market_day ?? null;
  $("none").hidden = Boolean(day());
  for (const id of ["till", "book"]) $(id).hidden = !day();
  if (day()) {
    days();
    offers();
    show();
  }
  list();
}

function start() {
  $("pad").addEventListener("click", (event) => {
    const what = event.target.closest("button")?.dataset.digit;
    if (what) digit(what);
  });
  document.addEventListener("keydown", (event) => {
    if (!typing || event.ctrlKey || event.metaKey || event.altKey || event.repeat) return;
    const keys = { Backspace: "back", Delete: "clear" };
    if (/^[0-9]$/.test(event.key)) digit(event.key);
    else if (keys[event.key]) digit(keys[event.key]);
    else if (event.key === "Escape") closePad();
    else if (event.key === "Enter" && !event.target.closest("a, button")) take();
    else return;
    event.preventDefault();
  });
  $("take").addEventListener("click", take);
  $("untyped").addEventListener("click", closePad);
  $("cash").addEventListener("click", () => pay("cash"));
  $("card").addEventListener("click", () => pay("card"));
  $("all-offers").addEventListener("click", () => { showsAll = true; offers(); });
  $("more").addEventListener("click", () => { shown = Infinity; list(); });
  window.addEventListener("online", () => outbox.send(false));
  window.addEventListener("beforeunload", (event) => { if (!outbox.all().every((entry) => outbox.isStored(entry))) event.preventDefault(); });
  // First what waits, so that the facts that are asked for have it, as far as this page is the one that sends.
  document.addEventListener("visibilitychange", async () => { if (document.visibilityState === "visible") await outbox.send(false); refresh(); });
  setInterval(refresh, REFRESH_MS);
  stayReady();
  if (isCached) {
    $("old").hidden = false;
    $("old").textContent = `No connection. Prices and sales are those of ${facts.now_shown}, with what this phone sold since.`;
  }
  restore();
  open();
  outbox.send(false);
}

start();
