// Entries that this phone has sent or wants to send. Each is made once, with its id, and stays in the browser until the server has
// said what became of it: kept, or refused. Whatever else happens, the outcome is not known, and the same entry is asked about again.

const QUICK_MS = 5000;
const PATIENT_MS = 20000;
const FIRST_PAUSE_MS = 2000;
const LONGEST_PAUSE_MS = 30000;

/** A random UUID (RFC 9562, section 5.4). `crypto.randomUUID` is not there over plain HTTP on a farm's own network. */
export function uuid() {
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  bytes[6] = (bytes[6] & 0x0f) | 0x40;
  bytes[8] = (bytes[8] & 0x3f) | 0x80;
  const hex = Array.from(bytes, (b) => b.toString(16).padStart(2, "0")).join("");
  return hex.replace(/^(.{8})(.{4})(.{4})(.{4})(.{12})$/, "$1-$2-$3-$4-$5");
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

/** The entry that a text of the browser's storage holds; nothing where it cannot be one. */
function parsed(text) {
  try {
    const entry = JSON.parse(text);
    const sendable = [entry.id, entry.path, entry.body].every((member) => typeof member === "string");
    return sendable && Number.isFinite(entry.at) && (entry.is === "undo" || entry.typed) ? entry : null;
  } catch {
    return null;
  }
}

/** The entries of one farm on this phone. `heard(entry, outcome)` is called whenever one was sent, whatever came of it. */
export class Outbox {
  #prefix;
  #heard;
  // What this page put, whether or not the browser's storage took it.
  #memory = new Map();
  #sending = false;
  #pause = FIRST_PAUSE_MS;
  #timer = null;

  constructor(farm, heard) {
    this.#prefix = `gillbook.outbox.${farm}.`;
    this.#heard = heard;
    // What another tab has written or dropped counts from then on as it stands in the storage.
    window.addEventListener("storage", ({ key }) => {
      if (key && key.startsWith(this.#prefix)) this.#memory.delete(key.slice(this.#prefix.length));
    });
  }

  put(entry) {
    this.#memory.set(entry.id, entry);
    try { localStorage.setItem(this.#prefix + entry.id, JSON.stringify(entry)); } catch { /* full or switched off: `stored` says so */ }
  }

  drop(entry) {
    this.#memory.delete(entry.id);
    this.forget(this.#prefix + entry.id);
  }

  /** Removes an item of the browser's storage by its name. */
  forget(name) {
    try { localStorage.removeItem(name); } catch { /* switched off: nothing is stored */ }
  }

  /** Names and texts of what the browser's storage has of this farm. */
  #items() {
    try {
      const names = Object.keys(localStorage).filter((name) => name.startsWith(this.#prefix));
      return names.map((name) => [name, localStorage.getItem(name)]).filter(([, text]) => text !== null);
    } catch {
      return [];
    }
  }

  /** All entries, oldest first: those of the storage, where another tab may have put some, and those of this page. */
  all() {
    const stored = this.#items().map(([, text]) => parsed(text)).filter(Boolean);
    const entries = new Map([...stored.map((entry) => [entry.id, entry]), ...this.#memory]);
    return [...entries.values()].sort((a, b) => a.at - b.at);
  }

  /** Whether an entry outlives this page. */
  stored(entry) {
    return this.#items().some(([name, text]) => name === this.#prefix + entry.id && parsed(text));
  }

  /** Names of stored items that cannot be read. They stay where they are until somebody forgets them. */
  unreadable() {
    return this.#items().filter(([, text]) => !parsed(text)).map(([name]) => name);
  }

  waiting() { return this.all().filter((entry) => !entry.refused); }
  refused() { return this.all().filter((entry) => entry.refused); }

  /** Sends what waits, oldest first, until one is not answered. */
  async send(quick) {
    if (this.#sending) return;
    this.#sending = true;
    clearTimeout(this.#timer);
    try {
      for (let [entry] = this.waiting(); entry; [entry] = this.waiting()) {
        const what = await outcome(entry, quick ? QUICK_MS : PATIENT_MS);
        if (what.is === "kept") this.drop(entry);
        if (what.is === "refused") this.put({ ...entry, refused: what.detail });
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
