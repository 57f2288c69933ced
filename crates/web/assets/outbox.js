// Entries that this phone has sent or wants to send. Each is made once, with its id, and stays in the browser's database until the server has
// said what became of it: kept, or refused. Whatever else happens, the outcome is not known, and the same entry is asked about again.
//
// The database and not the simpler storage: what that was given some seconds before the battery is pulled out is lost.

const QUICK_MS = 5000;
const PATIENT_MS = 20000;
const FIRST_PAUSE_MS = 2000;
const LONGEST_PAUSE_MS = 30000;
// Below this a phone's clock is right.
const SKEW_MS = 60_000;
// The form of an entry. One of a later form is left alone and told of.
const FORM = 1;

/** A random UUID (RFC 9562, section 5.4). `crypto.randomUUID` is not there over plain HTTP on a farm's own network. */
export function uuid() {
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  bytes[6] = (bytes[6] & 0x0f) | 0x40;
  bytes[8] = (bytes[8] & 0x3f) | 0x80;
  const hex = Array.from(bytes, (b) => b.toString(16).padStart(2, "0")).join("");
  return hex.replace(/^(.{8})(.{4})(.{4})(.{4})(.{12})$/, "$1-$2-$3-$4-$5");
}

/** What the server's clock is ahead of this phone's, in milliseconds; 0 where it is right enough. */
export const skewOf = (instant) => {
  const skew = new Date(instant).getTime() - Date.now();
  return Math.abs(skew) < SKEW_MS ? 0 : skew;
};

/** Asks the server for its time. Nothing where it does not answer. */
async function askSkew() {
  try {
    const response = await fetch("/assets/icon.svg", { method: "HEAD", cache: "no-store" });
    return skewOf(response.headers.get("Date"));
  } catch {
    return null;
  }
}

/** What became of one sending. `look` of an entry is where it can be read once it is kept. */
async function outcome(entry, limit) {
  const stop = new AbortController();
  const timer = setTimeout(() => stop.abort(), limit);
  try {
    const headers = { "Content-Type": "application/json", "Idempotency-Key": entry.id };
    const response = await fetch(entry.path, { method: "POST", headers, body: entry.body, signal: stop.signal });
    const answer = await response.json();
    if (response.status === 201) return { is: "kept", answer };
    if (!String(answer.type).startsWith("/problems/")) return { is: "unknown" };
    const detail = answer.errors && answer.errors.length ? answer.errors[0].detail : answer.detail;
    if (response.status === 401) return { is: "signed-out", detail };
    if (response.status === 403) return { is: "not-allowed", detail };
    // Out of a drawer after months: the service has forgotten its answer, not the entry.
    if (answer.type === "/problems/already-there" && entry.look) {
      const there = await fetch(entry.look, { signal: stop.signal });
      if (there.ok) return { is: "kept", answer: await there.json() };
    }
    const passing = response.status >= 500 || [408, 425, 429].includes(response.status) || answer.type === "/problems/in-progress";
    return passing ? { is: "unknown" } : { is: "refused", type: answer.type, detail };
  } catch {
    return { is: "unknown" };
  } finally {
    clearTimeout(timer);
  }
}

/** Whether a row of the database is an entry that can be sent. */
function isReadable(entry) {
  const sendable = [entry.id, entry.path, entry.body].every((member) => typeof member === "string");
  return entry.form === FORM && sendable && Number.isFinite(entry.order) && (entry.is === "undo" || Boolean(entry.typed));
}

const done = (request) => new Promise((resolve, reject) => {
  request.onsuccess = () => resolve(request.result);
  request.onerror = () => reject(request.error);
});

function open() {
  const request = indexedDB.open("gillbook", 1);
  request.onupgradeneeded = () => request.result.createObjectStore("outbox", { keyPath: ["farm", "id"] });
  return done(request);
}

/** The entries of one farm on this phone. `heard(entry, outcome)` is called whenever one was sent, whatever came of it. */
export class Outbox {
  #farm;
  #heard;
  #changed;
  #database = null;
  // Every entry, whether or not the browser's database took it.
  #entries = new Map();
  // Ids of those that it took, and of what it has and nobody can read.
  #stored = new Set();
  #unreadable = new Set();
  #others = null;
  #sending = false;
  #pause = FIRST_PAUSE_MS;
  #timer = null;

  /** `changed()` is called when another page of this phone has put or dropped something. */
  static async open(farm, heard, changed) {
    const outbox = new Outbox();
    outbox.#farm = farm;
    outbox.#heard = heard;
    outbox.#changed = changed;
    try {
      outbox.#database = await open();
      await outbox.#load();
      outbox.#others = new BroadcastChannel(`gillbook.outbox.${farm}`);
      outbox.#others.onmessage = async () => { await outbox.#load(); outbox.#changed(); };
    } catch { /* switched off or full: `isStored` says so of each entry */ }
    return outbox;
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

  /** Does something with the database's rows, and is done when it outlives a battery that is pulled out. False where it cannot be. */
  async #write(change) {
    if (!this.#database) return false;
    try {
      await new Promise((resolve, reject) => {
        const transaction = this.#database.transaction("outbox", "readwrite", { durability: "strict" });
        transaction.oncomplete = resolve;
        transaction.onabort = () => reject(transaction.error);
        change(transaction.objectStore("outbox"));
      });
      this.#others?.postMessage("changed");
      return true;
    } catch {
      return false;
    }
  }

  /** Keeps an entry, and says whether it outlives this page. A new one comes after all others, whatever the phone's clock says. */
  async put(entry) {
    const order = entry.order ?? 1 + Math.max(0, ...[...this.#entries.values()].map((other) => other.order));
    const row = { ...entry, order, farm: this.#farm, form: FORM };
    this.#entries.set(entry.id, row);
    const stored = await this.#write((rows) => rows.put(row));
    if (stored) this.#stored.add(entry.id);
    return stored;
  }

  drop(entry) {
    return this.forget(entry.id);
  }

  /** Removes a row by its id, whether or not it can be read. */
  async forget(id) {
    for (const known of [this.#entries, this.#stored, this.#unreadable]) known.delete(id);
    await this.#write((rows) => rows.delete([this.#farm, id]));
  }

  /** All entries, in the order in which they were made. */
  all() {
    return [...this.#entries.values()].sort((a, b) => a.order - b.order);
  }

  /** Whether an entry outlives this page. */
  isStored(entry) {
    return this.#stored.has(entry.id);
  }

  /** Ids of what is stored and cannot be read. It stays where it is until somebody forgets it. */
  unreadable() {
    return [...this.#unreadable];
  }

  waiting() { return this.all().filter((entry) => !entry.refused); }
  refused() { return this.all().filter((entry) => entry.refused); }

  /** What was made while nobody knew the time: set right once the server has said it, and kept so before it is sent. */
  async #timed(entry) {
    if (entry.timed) return entry;
    const skew = await askSkew();
    if (skew === null) return null;
    const body = JSON.parse(entry.body);
    const timed = new Date(new Date(body.weighed_at).getTime() + skew).toISOString();
    const right = { ...entry, timed: true, body: JSON.stringify({ ...body, weighed_at: timed }), by_phone: body.weighed_at };
    await this.put(right);
    return right;
  }

  /** Sends what waits, oldest first, until one is not answered. */
  async send(quick) {
    if (this.#sending) return;
    this.#sending = true;
    clearTimeout(this.#timer);
    try {
      for (let [entry] = this.waiting(); entry; [entry] = this.waiting()) {
        const timed = await this.#timed(entry);
        const what = timed ? await outcome(timed, quick ? QUICK_MS : PATIENT_MS) : { is: "unknown" };
        if (what.is === "kept") await this.drop(entry);
        if (what.is === "refused") await this.put({ ...timed, refused: what.detail });
        this.#heard(entry, what);
        if (what.is !== "kept" && what.is !== "refused") {
          this.#timer = setTimeout(() => this.send(false), this.#pause);
          this.#pause = Math.min(2 * this.#pause, LONGEST_PAUSE_MS);
          return;
        }
        this.#pause = FIRST_PAUSE_MS;
      }
    } finally {
      this.#sending = false;
    }
  }
}
