// The scale form. Each weighing has an id made here and goes to one endpoint, so that sending it again counts once.
"use strict";
const facts = JSON.parse(document.getElementById("facts").textContent);
const $ = (id) => document.getElementById(id);
const state = { batch: null, flush: 1, grade: facts.grades[0].grade, digits: "", crates: facts.crate ? 1 : 0, liner: Boolean(facts.liner), wet: false, resting: false, sure: false, last: null };
const kg = (g) => (g / 1000).toFixed(2);

const gross = () => (state.digits === "" ? 0 : Number(state.digits) * (facts.implied_decimals ? 10 : 1));
function tare() {
  const of = (kind) => (kind ? (state.wet ? kind.tare_wet_g : kind.tare_dry_g) : 0);
  return state.crates * (of(facts.crate) + (state.liner ? of(facts.liner) : 0));
}

function show() {
  const net = gross() - tare();
  $("net").textContent = state.digits === "" ? "0.00" : kg(net);
  $("tale").textContent = state.digits !== "" && net <= 0
    ? `The tare of ${kg(tare())} leaves nothing of ${kg(gross())}. Check the crates.`
    : `gross ${kg(gross())}, tare ${kg(tare())}`;
  state.sure = false;
  $("keep").textContent = "Keep";
  $("keep").disabled = !(state.batch && state.digits !== "" && net > 0);
  $("source-code").textContent = state.batch ? state.batch.batch : "Choose the batch";
  $("source-about").textContent = state.batch ? `${state.batch.strain_name}, flush ${state.flush}` : "";
  $("crates").textContent = state.crates === 1 ? "1 crate" : `${state.crates} crates`;
  $("liner").setAttribute("aria-pressed", state.liner);
  $("liner").textContent = state.liner ? "liner" : "no liner";
  $("wet").setAttribute("aria-pressed", state.wet);
  $("wet").textContent = state.wet ? "wet" : "dry";
  for (const b of $("grades").children) b.setAttribute("aria-pressed", b.dataset.grade === state.grade);
}

function choose() {
  $("scale").hidden = true;
  $("chooser").hidden = false;
}

function chosen(batch) {
  if (batch) { state.batch = batch; state.flush = batch.likely_flush; }
  $("chooser").hidden = true;
  $("scale").hidden = false;
  show();
}

function flip(text, ms) {
  $("flip").textContent = text;
  $("flip").hidden = false;
  setTimeout(() => { $("flip").hidden = true; }, ms);
}

async function send(path, key, body) {
  const response = await fetch(path, { method: "POST", headers: { "Content-Type": "application/json", "Idempotency-Key": key }, body: JSON.stringify(body) });
  const answer = await response.json();
  if (!response.ok) throw new Error(answer.errors && answer.errors.length ? answer.errors[0].detail : answer.detail);
  return answer;
}

function rest(resting) {
  state.resting = resting;
  $("pad").toggleAttribute("data-resting", resting);
}

async function keep() {
  const now = Date.now();
  if (state.resting || $("keep").disabled) return;
  const same = state.last && state.last.gross === gross() && state.last.batch === state.batch.batch && now - state.last.at < 8000;
  if (same && !state.sure) {
    // A second touch keeps it: the button itself asks, where the thumb is.
    state.sure = true;
    $("keep").textContent = "The same weight again? Keep it too";
    return;
  }
  const weighing = {
    id: crypto.randomUUID(),
    sources: [{ batch: state.batch.batch, flush: state.flush }],
    grade: state.grade,
    gross_g: gross(),
    tare: { crate: facts.crate && state.crates ? facts.crate.crate : null, crates: state.crates || null, liner: state.liner && facts.liner ? facts.liner.crate : null, wet: state.wet },
    weighed_at: new Date(now).toISOString(),
  };
  if (facts.place) weighing.place = facts.place;
  if (!weighing.tare.crate) weighing.tare = { tare_g: tare() };
  rest(true);
  $("keep").disabled = true;
  try {
    const kept = await send("/api/weighings", weighing.id, weighing);
    state.last = { gross: weighing.gross_g, batch: state.batch.batch, at: now };
    state.digits = "";
    flip(`${kg(kept.net_g)} kg kept`, 350);
    if (navigator.vibrate) navigator.vibrate(80);
    facts.last.unshift(kept);
    list();
  } catch (error) {
    $("tale").textContent = `Not kept. ${error.message}`;
    $("keep").disabled = false;
    rest(false);
    return;
  }
  show();
  // Dead for half a second, so that a wet thumb that bounces types nothing.
  setTimeout(() => rest(false), 500);
}

async function undo(weighing, item) {
  try {
    await send(`/api/weighings/${weighing.id}/reversal`, crypto.randomUUID(), { reason: "Undone at the scale" });
    weighing.reversed_by = "now";
    list();
  } catch (error) {
    item.querySelector("span").textContent = error.message;
  }
}

function list() {
  $("last").replaceChildren(...facts.last.slice(0, 5).map((w) => {
    const item = document.createElement("li");
    const text = document.createElement("span");
    text.textContent = `${w.lot} ${w.grade} ${kg(w.net_g)} kg`;
    item.append(text);
    if (w.reversed_by) text.className = "undone";
    else {
      const button = document.createElement("button");
      button.type = "button";
      button.className = "link";
      button.textContent = "undo";
      button.setAttribute("aria-label", `undo ${w.lot} ${kg(w.net_g)} kg`);
      button.addEventListener("click", () => undo(w, item));
      item.append(button);
    }
    return item;
  }));
}

for (const g of facts.grades) {
  const button = document.createElement("button");
  button.type = "button";
  button.dataset.grade = g.grade;
  button.textContent = `${g.grade} ${g.name}`;
  button.addEventListener("click", () => { state.grade = g.grade; show(); });
  $("grades").append(button);
}
let strain = null;
for (const b of facts.batches) {
  if (b.strain !== strain) {
    strain = b.strain;
    const head = document.createElement("h3");
    head.textContent = b.strain_name;
    $("batches").append(head);
  }
  const button = document.createElement("button");
  button.type = "button";
  button.dataset.batch = b.batch;
  button.className = b.due ? "due" : "";
  button.textContent = b.batch;
  const about = document.createElement("small");
  about.textContent = `flush ${b.likely_flush}, ${b.standing} blocks${b.due ? ", due" : ""}`;
  button.append(about);
  button.addEventListener("click", () => chosen(b));
  $("batches").append(button);
}
$("pad").addEventListener("click", (event) => {
  const digit = event.target.closest("button")?.dataset.digit;
  if (!digit || state.resting) return;
  if (digit === "back") state.digits = state.digits.slice(0, -1);
  else if (digit === "clear") state.digits = "";
  else if (state.digits.length < 5) state.digits = (state.digits + digit).replace(/^0+/, "");
  show();
});
$("crates").addEventListener("click", () => { state.crates = state.crates % 4 + 1; show(); });
$("liner").addEventListener("click", () => { state.liner = facts.liner ? !state.liner : false; show(); });
$("wet").addEventListener("click", () => { state.wet = !state.wet; show(); });
$("source").addEventListener("click", choose);
$("unchoose").addEventListener("click", () => chosen(null));
$("keep").addEventListener("click", keep);
if (navigator.wakeLock) {
  const awake = () => { if (document.visibilityState === "visible") navigator.wakeLock.request("screen").catch(() => {}); };
  document.addEventListener("visibilitychange", awake);
  awake();
}
list();
$("scale").hidden = false;
show();
