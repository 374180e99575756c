// What was entered and is not in the files yet. Each entry has a place of its own in the phone's
// storage, so that two open pages never write over each other; the server stores an id once.
// Only an entry that the folder refuses leaves the queue unsaved, and then onto a list of its own.

const EVERY_MS = 4000;
const NO_WORDS = "The bench could not take this and did not say why. Write it on paper too, look at the fields, then save again.";
const MOVED = new Set([403, 404]); // another bench answers here: no fault of the entry

export class Queue {
  constructor(name, post, changed) {
    this.waiting = `${name}.waiting.`;
    this.refused = `${name}.refused.`;
    this.done = `${name}.done`;
    this.post = post;
    this.changed = changed;
    this.busy = false;
    this.size = 20;
    this.kept = new Map(); // where the phone refuses to store, the page at least remembers
    setInterval(() => this.flush(), EVERY_MS);
    addEventListener("online", () => this.flush());
    addEventListener("storage", () => this.changed({})); // another page of this phone was at it
    document.addEventListener("visibilitychange", () => this.flush());
  }

  list(head) {
    const found = new Map([...this.kept].filter(([key]) => key.startsWith(head)));
    try {
      for (let i = 0; i < localStorage.length; i++) {
        const key = localStorage.key(i);
        if (key.startsWith(head)) found.set(key, JSON.parse(localStorage.getItem(key)));
      }
    } catch { /* a phone without storage still has what this page remembers */ }
    return [...found.values()].sort((a, b) => (a.order < b.order ? -1 : 1));
  }

  put(head, entry) {
    try {
      localStorage.setItem(head + entry.id, JSON.stringify(entry));
      this.kept.delete(head + entry.id);
      return true;
    } catch {
      this.kept.set(head + entry.id, entry);
      return false;
    }
  }

  drop(head, id) {
    this.kept.delete(head + id);
    try { localStorage.removeItem(head + id); } catch { /* nothing was stored */ }
  }

  add(entry) {
    const stored = this.put(this.waiting, { ...entry, order: new Date().toISOString() });
    this.drop(this.refused, entry.id);
    this.changed({ kept: stored });
    this.flush();
  }

  get pending() { return this.list(this.waiting); }
  get wrong() { return this.list(this.refused); }

  get sent() {
    try { return JSON.parse(localStorage.getItem(this.done)) ?? []; } catch { return []; }
  }

  // what was saved from here and not taken back since
  get standing() {
    const gone = new Set([...this.sent, ...this.pending].filter((e) => e.action === "undo").map((e) => e.about));
    return this.sent.filter((e) => e.action !== "undo" && !gone.has(e.id));
  }

  remember(entry, rows) {
    const list = [{ ...entry, rows }, ...this.sent.filter((e) => e.id !== entry.id)].slice(0, 30);
    try { localStorage.setItem(this.done, JSON.stringify(list)); } catch { /* only for undo */ }
  }

  async flush() {
    if (this.busy || !this.pending.length) return;
    this.busy = true;
    try {
      while (this.pending.length) {
        const batch = this.pending.slice(0, this.size);
        const answer = await this.post(batch);
        if (!answer) return this.changed({ offline: true });
        if (answer.status && MOVED.has(answer.status)) return this.changed({ moved: true });
        if (answer.status && batch.length > 1) {
          this.size = 1; // one of them is at fault: send them one by one, so that it stops no other
          continue;
        }
        const results = answer.results ?? [{ id: batch[0].id, saved: false, words: NO_WORDS }];
        const held = results.find((r) => r.wait);
        for (const r of results) if (!r.wait) this.settle(batch.find((e) => e.id === r.id), r);
        if (held) return this.changed({ wait: held.words });
        if (!results.some((r) => batch.some((e) => e.id === r.id))) return undefined;
      }
      this.size = 20;
    } finally {
      this.busy = false;
    }
    return undefined;
  }

  settle(entry, result) {
    if (!entry) return;
    if (result.saved) {
      this.remember(entry, result.rows);
    } else {
      this.put(this.refused, { ...entry, words: result.words, fields: result.fields ?? {} });
    }
    this.drop(this.waiting, entry.id);
    this.changed({ result, entry });
  }
}

// Photos are too large for the small storage: they wait in the phone's database. One leaves it only
// when the files have it, or when somebody throws it away.
export class PhotoQueue {
  constructor(name, send, changed) {
    this.name = `${name}.photos`;
    this.send = send;
    this.changed = changed;
    this.busy = false;
    setInterval(() => this.flush(), EVERY_MS);
    addEventListener("online", () => this.flush());
  }

  open() {
    return new Promise((resolve, reject) => {
      const request = indexedDB.open(this.name, 1);
      request.onupgradeneeded = () => request.result.createObjectStore("photos", { keyPath: "id" });
      request.onsuccess = () => resolve(request.result);
      request.onerror = () => reject(request.error);
    });
  }

  async run(mode, act) {
    const db = await this.open();
    try {
      return await new Promise((resolve, reject) => {
        const request = act(db.transaction("photos", mode).objectStore("photos"));
        request.onsuccess = () => resolve(request.result);
        request.onerror = () => reject(request.error);
      });
    } finally {
      db.close();
    }
  }

  async put(photo) {
    await this.run("readwrite", (store) => store.put(photo));
    this.changed({ kept: true });
  }

  async add(photo) {
    await this.put(photo);
    await this.flush();
  }

  async all() {
    try { return await this.run("readonly", (store) => store.getAll()); } catch { return []; }
  }

  async drop(id) {
    await this.run("readwrite", (store) => store.delete(id));
    this.changed({});
  }

  async again(photo) {
    const { words, ...rest } = photo;
    await this.add(rest);
  }

  async flush() {
    if (this.busy) return;
    this.busy = true;
    try {
      for (const photo of await this.all()) {
        if (photo.words) continue; // refused: somebody has to look at it
        const answer = await this.send(photo);
        if (!answer) { this.changed({ offline: true }); return; }
        if (MOVED.has(answer.status)) { this.changed({ moved: true }); return; }
        if (answer.wait) { this.changed({ wait: answer.words }); return; }
        if (answer.saved) await this.run("readwrite", (store) => store.delete(photo.id));
        else await this.run("readwrite", (store) => store.put({ ...photo, words: answer.words ?? NO_WORDS }));
        this.changed({ result: answer, photo });
      }
    } catch { /* the next turn tries again */ } finally {
      this.busy = false;
    }
  }
}
