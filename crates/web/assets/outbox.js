// Entries that this phone has sent or wants to send. Each is made once, with its id, and stays in the browser's database until the server has
// said what became of it: kept, or refused. Whatever else happens, the outcome is not known, and the same entry is asked about again.
//
// The database and not the simpler storage: what that was given some seconds before the battery is pulled out is lost.

const QUICK_MS = 5000;
const PATIENT_MS = 20000;
const OPEN_MS = 3000;
const FIRST_PAUSE_MS = 2000;
const LONGEST_PAUSE_MS = 30000;
// Below this a phone's clock is right.
export const SKEW_MS = 60_000;
// The version of an entry's shape. One of a later version is left alone and told of.
const VERSION = 1;
// How a page's form is encoded; every other body is JSON.
export const FORM = "application/x-www-form-urlencoded";

/** A random UUID (RFC 9562, section 5.4). `crypto.randomUUID` is not there over plain HTTP on a farm's own network. */
export function uuid() {
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  bytes[6] = (bytes[6] & 0x0f) | 0x40;
  bytes[8] = (bytes[8] & 0x3f) | 0x80;
  const hex = Array.from(bytes, (b) => b.toString(16).padStart(2, "0")).join("");
  return hex.replace(/^(.{8})(.{4})(.{4})(.{4})(.{12})$/, "$1-$2-$3-$4-$5");
}

/** Asks the service for its time, in milliseconds. Nothing where it does not answer, or something else does. */
export async function askNow(limit) {
  try {
    const asked = { method: "HEAD", cache: "no-store", signal: AbortSignal.timeout(limit) };
    const response = await fetch("/assets/icon.svg", asked);
    const now = Date.parse(response.headers.get("Date"));
    return response.ok && response.headers.has("Service-Worker-Allowed") && Number.isFinite(now) ? now : null;
  } catch {
    return null;
  }
}

// Forms that this phone has sent: what they are about, and when, by the service's clock.
const MAX_SENT = 200;
const sentName = (farm) => `gillbook.sent.${farm}`;
function sentForms(farm) {
  try { return JSON.parse(localStorage.getItem(sentName(farm))) || []; } catch { return []; }
}

/** Whether a form about this was sent from this phone after a page was made: a page out of the cache offers it still. */
export const wasSentSince = (farm, of, at) => sentForms(farm).some((one) => one.of === of && one.at >= at);

// When this phone last sent anything, by the service's clock: a page that was made before does not show it yet.
const lastName = (farm) => `gillbook.last.${farm}`;
export function lastSent(farm) {
  try { return Number(localStorage.getItem(lastName(farm))); } catch { return 0; }
}

function noteLast(farm, at) {
  if (!Number.isFinite(at)) return;
  try { localStorage.setItem(lastName(farm), String(at)); } catch { /* switched off or full */ }
}

function noteSent(farm, of, at) {
  try { localStorage.setItem(sentName(farm), JSON.stringify([{ of, at }, ...sentForms(farm)].slice(0, MAX_SENT))); } catch { /* switched off or full */ }
}

/** What became of one sending. `look` of an entry is where it can be read once it is kept. */
async function outcome(entry, limit) {
  const stop = new AbortController();
  const timer = setTimeout(() => stop.abort(), limit);
  try {
    const headers = { "Content-Type": entry.encoding ?? "application/json", "Idempotency-Key": entry.id, Accept: "application/problem+json" };
    const response = await fetch(entry.path, { method: "POST", headers, body: entry.body, signal: stop.signal });
    const answer = await response.json();
    const at = Date.parse(response.headers.get("Date"));
    if (entry.encoding === FORM ? response.ok && typeof answer.next === "string" : response.status === 201) return { is: "kept", answer, at };
    if (!String(answer.type).startsWith("/problems/")) return { is: "unknown" };
    const detail = answer.errors && answer.errors.length ? answer.errors[0].detail : answer.detail;
    if (response.status === 401) return { is: "signed-out", detail };
    if (response.status === 403) return { is: "not-allowed", detail };
    // Out of a drawer after months the service has forgotten its answer, not the entry; and another page may have set its time right otherwise.
    if (["/problems/already-there", "/problems/key-reused"].includes(answer.type) && entry.look) {
      const there = await fetch(entry.look, { signal: stop.signal });
      if (there.ok) return { is: "kept", answer: await there.json(), at };
    }
    const passing = response.status >= 500 || [408, 425, 429].includes(response.status) || answer.type === "/problems/in-progress";
    return passing ? { is: "unknown" } : { is: "refused", type: answer.type, detail };
  } catch {
    return { is: "unknown" };
  } finally {
    clearTimeout(timer);
  }
}

/** When an entry was made, as its body says. */
const timeOf = (entry) => Date.parse(entry.encoding === FORM ? new URLSearchParams(entry.body).get(entry.time) : JSON.parse(entry.body)[entry.time]);

/** The body of an entry with another time. */
function bodyAt(entry, time) {
  if (entry.encoding !== FORM) return JSON.stringify({ ...JSON.parse(entry.body), [entry.time]: time });
  const body = new URLSearchParams(entry.body);
  body.set(entry.time, time);
  return body.toString();
}

/** Whether a row of the database is an entry that can be sent. */
function isReadable(entry) {
  if (![undefined, FORM].includes(entry.encoding)) return false;
  const sendable = [entry.id, entry.form, entry.is, entry.path, entry.body].every((member) => typeof member === "string");
  return entry.version === VERSION && sendable && Number.isFinite(entry.order) && (entry.is.endsWith("undo") || Boolean(entry.typed));
}

const done = (request) => new Promise((resolve, reject) => {
  request.onsuccess = () => resolve(request.result);
  request.onerror = () => reject(request.error);
});

/** The browser's database. It is not waited for where another page holds it up. */
async function openDatabase() {
  const request = indexedDB.open("gillbook", 1);
  request.onupgradeneeded = () => request.result.createObjectStore("outbox", { keyPath: ["farm", "id"] });
  const late = new Promise((_, reject) => setTimeout(reject, OPEN_MS, new Error("late")));
  const database = await Promise.race([done(request), late]);
  // A page of a later version of the program wants to change it.
  database.onversionchange = () => database.close();
  return database;
}

/** The entries of one farm on this phone. A form sees its own and sends all, oldest first: `heard(entry, outcome)` is called whenever
 * one of its own was sent, whatever came of it, and of any that says that nobody is signed in. */
export class Outbox {
  #farm;
  #form;
  #heard;
  #changed;
  #database = null;
  // Every entry, whether or not the browser's database took it.
  #entries = new Map();
  // Ids of those that it took, and of what it has and nobody can read.
  #stored = new Set();
  #unreadable = new Set();
  // When this page made an entry, by a clock that nobody sets.
  #made = new Map();
  #others = null;
  #sending = false;
  #pause = FIRST_PAUSE_MS;
  #timer = null;

  /** `form` is nothing for a page that shows all. `changed()` is called when another page of this phone, or the browser itself, has put or dropped something. */
  static async open(farm, form, heard, changed) {
    const outbox = new Outbox();
    outbox.#farm = farm;
    outbox.#form = form;
    outbox.#heard = heard;
    outbox.#changed = changed;
    try {
      outbox.#database = await openDatabase();
      outbox.#database.onclose = () => outbox.#lose();
      await outbox.#load();
      outbox.#others = new BroadcastChannel(`gillbook.outbox.${farm}`);
      outbox.#others.onmessage = async () => { await outbox.#load(); outbox.#changed(); };
    } catch { /* switched off or full: `isStored` says so of each entry */ }
    return outbox;
  }

  /** The browser has cleared its database: what this page knows lives as long as the page. */
  #lose() {
    this.#database = null;
    this.#stored.clear();
    this.#changed();
  }

  /** Takes what the database has; what this page alone knows stays. */
  async #load() {
    const rows = await done(this.#database.transaction("outbox").objectStore("outbox").getAll());
    const own = rows.filter((row) => row.farm === this.#farm);
    for (const id of this.#stored) this.#entries.delete(id);
    const readable = own.filter(isReadable);
    for (const entry of readable) this.#entries.set(entry.id, entry);
    this.#stored = new Set(readable.map((entry) => entry.id));
    this.#unreadable = new Set(own.filter((row) => !isReadable(row)).map((row) => row.id));
  }

  /** Does something with the database's rows, and is done when it is written down. False where it cannot be. */
  async #write(change) {
    if (!this.#database) return false;
    try {
      await new Promise((resolve, reject) => {
        const transaction = this.#database.transaction("outbox", "readwrite", { durability: "strict" });
        transaction.oncomplete = resolve;
        transaction.onabort = () => reject(transaction.error);
        change(transaction.objectStore("outbox"), transaction);
      });
      this.#others?.postMessage("changed");
      return true;
    } catch {
      return false;
    }
  }

  /** Keeps a new entry, and says whether it outlives this page. It comes after all others of this phone, whatever its clock says. */
  async put(entry) {
    const after = (entries) => 1 + Math.max(0, ...entries.map((other) => other.order || 0));
    const row = { ...entry, order: after([...this.#entries.values()]), farm: this.#farm, version: VERSION };
    this.#made.set(row.id, performance.now());
    this.#entries.set(row.id, row);
    const stored = await this.#write((rows) => {
      const all = rows.getAll();
      all.onsuccess = () => {
        row.order = after(all.result);
        rows.put(row);
      };
    });
    if (stored) this.#stored.add(row.id);
    return stored;
  }

  /** Changes an entry that is still there, and says whether it is. One that another page has sent and dropped meanwhile stays away. */
  async #change(entry) {
    if (!this.#entries.has(entry.id)) return false;
    let isThere = true;
    this.#entries.set(entry.id, entry);
    await this.#write((rows) => {
      const there = rows.getKey([this.#farm, entry.id]);
      there.onsuccess = () => {
        isThere = Boolean(there.result) || !this.#stored.has(entry.id);
        if (there.result) rows.put(entry);
      };
    });
    if (!isThere) for (const known of [this.#entries, this.#stored]) known.delete(entry.id);
    return isThere;
  }

  /** Takes an entry back that was never on its way, and says whether that could be done. */
  async takeBack(id) {
    let isFree = !this.#entries.get(id)?.tried;
    if (isFree) {
      await this.#write((rows) => {
        const there = rows.get([this.#farm, id]);
        there.onsuccess = () => {
          isFree = !there.result?.tried;
          if (isFree) rows.delete([this.#farm, id]);
        };
      });
    }
    if (isFree) for (const known of [this.#entries, this.#stored]) known.delete(id);
    return isFree;
  }

  /** Removes an entry by its id, whether or not it can be read. */
  async drop(id) {
    for (const known of [this.#entries, this.#stored, this.#unreadable]) known.delete(id);
    await this.#write((rows) => rows.delete([this.#farm, id]));
  }

  #every() {
    return [...this.#entries.values()].sort((a, b) => a.order - b.order);
  }

  #isOwn(entry) {
    return !this.#form || entry.form === this.#form;
  }

  /** The form's entries, in the order in which they were made. */
  all() {
    return this.#every().filter((entry) => this.#isOwn(entry));
  }

  /** Whether an entry outlives this page. */
  isStored(entry) {
    return this.#stored.has(entry.id);
  }

  /** Ids of what is stored and cannot be read. It stays where it is until somebody drops it. */
  unreadable() {
    return [...this.#unreadable];
  }

  waiting() { return this.all().filter((entry) => !entry.refused); }

  /** What was made while nobody knew the time: set right once the service has said it, and kept so before it is sent. */
  async #timed(entry, limit) {
    // A form is told to be on its way before it is: until then it can be taken back.
    const isOnItsWay = entry.encoding !== FORM || entry.tried;
    if (entry.timed && isOnItsWay) return entry;
    const now = await askNow(limit);
    if (now === null) return null;
    const tried = entry.encoding === FORM ? { tried: true } : {};
    if (entry.timed) return (await this.#change({ ...entry, ...tried })) ? { ...entry, ...tried } : null;
    const skew = now - Date.now();
    let at = timeOf(entry) + (Math.abs(skew) < SKEW_MS ? 0 : skew);
    // Before the page was made, or after now: the clock itself was set meanwhile.
    if (at < entry.since - SKEW_MS || at > now + SKEW_MS) {
      const made = this.#made.get(entry.id);
      at = made === undefined ? now : now - (performance.now() - made);
    }
    const right = { ...entry, ...tried, timed: true, body: bodyAt(entry, new Date(at).toISOString()) };
    return (await this.#change(right)) ? right : null;
  }

  /** Sends one entry; what came of it. */
  async #sendOne(entry, limit) {
    try {
      const timed = await this.#timed(entry, limit);
      const what = timed ? await outcome(timed, limit) : { is: "unknown" };
      if (what.is === "kept" && entry.typed?.of) noteSent(this.#farm, entry.typed.of, what.at);
      if (what.is === "kept") {
        noteLast(this.#farm, what.at);
        await this.drop(entry.id);
      }
      if (what.is === "refused") await this.#change({ ...timed, refused: what.detail });
      return what;
    } catch (error) {
      // Whatever it is, it is no reason to send no more.
      console.error(error);
      return { is: "unknown" };
    }
  }

  async #sendAll(limit) {
    // What the one who is signed in may not do waits for somebody who may, and holds up nothing of the other forms.
    const forbidden = new Set();
    const next = () => this.#every().find((entry) => !entry.refused && !forbidden.has(entry.form));
    for (let entry = next(); entry; entry = next()) {
      const what = await this.#sendOne(entry, limit);
      // Taken back meanwhile.
      if (!this.#entries.has(entry.id) && what.is === "unknown") continue;
      if (this.#isOwn(entry) || what.is === "signed-out") this.#heard(entry, what);
      if (what.is === "not-allowed") forbidden.add(entry.form);
      else if (what.is !== "kept" && what.is !== "refused") {
        this.#timer = setTimeout(() => this.send(false), this.#pause);
        this.#pause = Math.min(2 * this.#pause, LONGEST_PAUSE_MS);
        return;
      }
      if (what.is !== "not-allowed") this.#pause = FIRST_PAUSE_MS;
    }
    if (forbidden.size > 0) {
      this.#timer = setTimeout(() => this.send(false), this.#pause);
      this.#pause = Math.min(2 * this.#pause, LONGEST_PAUSE_MS);
    }
  }

  /** Sends what waits, oldest first, until one is not answered. Of several pages one sends at a time, where the browser has locks. */
  async send(quick) {
    if (this.#sending) return;
    this.#sending = true;
    clearTimeout(this.#timer);
    const all = () => this.#sendAll(quick ? QUICK_MS : PATIENT_MS);
    // Where another page has the lock it sends this page's entries too. Whether it saw the last of them is asked a little later.
    const ifFree = (lock) => {
      if (lock) return all();
      this.#timer = setTimeout(() => this.send(false), FIRST_PAUSE_MS);
    };
    try {
      const name = `gillbook.outbox.${this.#farm}`;
      await (navigator.locks ? navigator.locks.request(name, { ifAvailable: true }, ifFree) : all());
    } finally {
      this.#sending = false;
    }
  }
}
