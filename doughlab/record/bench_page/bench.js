// The page at the bench: what the trial folder says is due, the balls, everything else. Forms stand
// in form.js, the judges' cards in judge.js, what waits on the phone in queue.js.

import { PhotoQueue, Queue } from "./queue.js";
import { $, app, ask, button, cameraButton, clock, iso, line, make, newId, post, recall, remember, send, sendPhoto, show, smaller, spot, who } from "./page.js";
import { drafts, showForm } from "./form.js";
import { openCard, showJudges } from "./judge.js";

const DOES = { take_out: "pulled", read: "reading", bake: "bake", score: "score", mix: "mix", ball: "mix", preferment: "lot" };
const STEPS = { take_out: "take out" };
const VERSION = /\/v([0-9a-f]{8})\//.exec(import.meta.url)?.[1];
const ASK_PHOTOS = "doughlab: photos";
const BUFFERS = /no buffers recorded|do the buffers|do them again|failed/;
const KEEPS = " It stays here when the page is closed; open the same address again.";

// one line says what waits on the phone, another what is in the files: neither hides the other
app.showState = async (news = {}) => {
  const pictures = await app.photos.all();
  app.pictures = pictures.length;
  const waiting = app.queue.pending.length + pictures.filter((p) => !p.words).length;
  const lost = news.kept === false ? " This phone cannot keep them: leave this page open." : "";
  const why = news.moved ? " (another trial answers here: scan the code at the laptop again)" : news.offline ? " (no connection)" : "";
  $("waiting").replaceChildren(waiting ? `saved on the phone, will be sent: ${waiting}${why}.${news.wait ? ` ${news.wait}` : ""}${lost || (news.offline ? KEEPS : "")}` : "");
  if (waiting && (news.offline || news.moved)) $("waiting").append(" ", button("Hand them over", () => app.go("hand"), { class: "small" }));
  const wrong = app.queue.wrong.length + pictures.filter((p) => p.words).length;
  $("look").hidden = !wrong;
  $("look").textContent = wrong ? `not saved, needs a look: ${wrong}` : "";
  $("elsewhere").replaceChildren(...elsewhere());
  if (news.result?.saved) {
    const about = news.entry?.label ?? news.entry?.about ?? news.photo?.about ?? "";
    $("saved").textContent = `${news.result.words}: ${[about, clock(iso(new Date()))].filter(Boolean).join(" ")}`;
    app.looks = [...new Set([...app.looks, ...(news.result.warnings ?? [])])];
    app.judged = news.entry?.action === "score";
    if (app.looks.length && !app.open) redraw();
    await refresh();
  } else if (news.result) {
    $("saved").textContent = "";
    if (app.open && news.entry && app.open.id === news.entry.id) showRefused(news.entry.id);
  }
};

app.queue = new Queue(`doughlab.${spot}`, post, app.showState);
app.photos = new PhotoQueue(`doughlab.${spot}`, sendPhoto, app.showState);
app.openCard = openCard;

// entries of another trial wait under the same host and port
function elsewhere() {
  const others = new Map();
  try {
    for (let i = 0; i < localStorage.length; i++) {
      const found = /^doughlab\.([\w-]{16,})\.(waiting|refused)\./.exec(localStorage.key(i));
      if (found && found[1] !== spot) others.set(found[1], (others.get(found[1]) ?? 0) + 1);
    }
  } catch { /* nothing is known */ }
  return [...others].map(([key, count]) => {
    let name = "another trial";
    try { name = JSON.parse(recall(`doughlab.${key}.trial`)).name; } catch { /* not opened here */ }
    return make("span", { class: "note", text: `${count} more wait on this phone for ${name}: open its bench at this laptop to send them.` });
  });
}

async function refresh() {
  const found = await ask("overview");
  if (found && !found.refused) {
    app.trial = found;
    app.lead = Math.round((Date.now() - Date.parse(found.now)) / 1000);
    remember(`doughlab.${spot}.trial`, JSON.stringify(found));
    if (found.old) setTimeout(refresh, 5000); // worked out before the last entries: ask again
    if (VERSION && found.version !== VERSION && !app.open && !sessionStorage.getItem(found.version)) {
      sessionStorage.setItem(found.version, "loaded");
      location.reload(); // the laptop has another version of the page
    }
  } else if (!app.trial) {
    try { app.trial = JSON.parse(recall(`doughlab.${spot}.trial`)); } catch { app.trial = null; }
  }
  if (app.trial) {
    $("name").textContent = app.trial.name;
    document.title = `${app.trial.code} bench`;
  }
  if (!app.open && app.view === "today") showToday();
}

const VIEWS = { today: showToday, ball: () => showBalls(), judge: () => showJudges(), more: showMore, who: showWho, hand: showHand };

app.go = (name) => {
  app.open = null;
  app.view = name;
  VIEWS[name]();
  $("view").focus({ preventScroll: true });
};

function redraw() {
  if (["today", "more"].includes(app.view)) VIEWS[app.view]();
}

function showWho() {
  const known = [...new Set([...(app.trial?.people ?? [])])];
  const keep = (name) => { if (name.trim()) { remember("doughlab.who", name.trim().slice(0, 40)); app.go("today"); } };
  const input = make("input", { id: "who", value: who(), autocomplete: "name", maxlength: 40 });
  show(make("h2", { text: "Whose phone is this?" }),
    line("Asked once. Each entry carries these initials."),
    known.length ? make("div", { class: "row" }, ...known.map((p) => button(p, () => keep(p)))) : null,
    make("form", { onsubmit: (e) => { e.preventDefault(); keep(input.value); } },
      make("label", { for: "who", text: "Initials" }), input, make("button", { class: "main", text: "These are mine" })));
}

function showToday() {
  const { trial } = app;
  if (!trial) return show(line("No connection to the bench. What you entered is kept on the phone, and goes when the bench is open again."));
  const words = { late: "late", now: "now", later: "later today", missing: "missing" };
  const parts = drafts().map((d) => button("", () => showForm({ action: d.action, about: d.about, fixed: d.fixed, session: d.session, judge: d.judge }), { class: "note watch draft" }));
  drafts().forEach((d, i) => parts[i].append(make("span", { text: `not saved yet: ${[title(d.action), d.about].filter(Boolean).join(" ")}, typed ${clock(d.at)}` })));
  parts.push(...trial.watch.flatMap((text) => [watching(text), BUFFERS.test(text) ? button("Buffers", () => showForm({ action: "calibration", about: "" }), { class: "buffers" }) : null]));
  for (const when of ["late", "now", "later", "missing"]) {
    const groups = grouped(trial.due.filter((d) => d.when === when));
    if (!groups.length) continue;
    parts.push(make("h2", { text: words[when] }), make("ul", { class: "plain" }, ...groups.map((g) => {
      const [d] = g;
      const what = d.step === "score" ? "" : g.length > 1 ? `${g.length} balls` : d.item;
      const more = g.length > 1 ? g.map((b) => b.item).join(", ") : [d.place, d.words].filter(Boolean).join("; ");
      return make("li", {}, make("button", { type: "button", class: when === "late" || when === "missing" ? "late" : "", onclick: () => (g.length > 1 ? showGroup(g) : start(d)) },
        make("span", { class: "tag", text: `${clock(d.at)} ${STEPS[d.step] ?? d.step} ${what}` }), make("br"), more));
    })));
  }
  if (!trial.due.length) parts.push(line(trial.needs_plan ? "No plan is kept yet." : `Nothing is due today${trial.idle ? `; ${trial.idle}` : ""}.`));
  return show(...parts);
}

// two lines of what to watch, the rest with a tap: what is due stays in view
function watching(text) {
  const made = button("", () => made.setAttribute("aria-expanded", String(made.getAttribute("aria-expanded") !== "true")), { class: "note watch", "aria-expanded": "false" });
  made.append(make("span", { text }));
  return made;
}

// balls of one step at one time are one line; a tap lists them
function grouped(steps) {
  const found = new Map();
  for (const d of steps) {
    const one = ["mix", "ball", "preferment", "score"].includes(d.step);
    const key = `${d.step} ${clock(d.at)} ${one ? d.item : ""}`;
    found.set(key, [...(found.get(key) ?? []), d]);
  }
  return [...found.values()];
}

function showGroup(group) {
  const [d] = group;
  const out = () => {
    for (const b of group) app.queue.add({ id: newId(), action: "pulled", about: b.item, values: {}, at: iso(new Date()), by: who(), session: "", lead: app.lead });
    app.go("today");
  };
  show(make("h2", { text: `${clock(d.at)} ${STEPS[d.step] ?? d.step}` }),
    d.step === "take_out" ? make("button", { class: "main", type: "button", text: `All ${group.length} are out now`, onclick: out }) : null,
    make("ul", { class: "plain" }, ...group.map((b) => make("li", {}, make("button", { type: "button", onclick: () => start(b) },
      make("span", { class: "tag", text: b.item }), make("br"), [b.place, b.words].filter(Boolean).join("; "))))));
}

function start(d) {
  const action = DOES[d.step] ?? "note";
  if (action === "score") return app.go("judge");
  return showForm({ action, about: d.item, fixed: true });
}

function showBalls(said = "") {
  const { trial } = app;
  if (!trial) return showToday();
  const input = make("input", { id: "scan", autocomplete: "off", autocapitalize: "characters", "aria-describedby": "scan-wrong", placeholder: "B03-2" });
  const soon = new Set(trial.due.map((d) => d.item.split("-")[0]));
  const days = new Map();
  for (const b of trial.batches) {
    const name = soon.has(b.batch) ? "Due today" : b.day;
    days.set(name, [...(days.get(name) ?? []), b.batch]);
  }
  const lists = [...days].sort(([a], [b]) => (b === "Due today") - (a === "Due today")).flatMap(([day, batches]) => [make("h2", { text: day }),
    make("div", { class: "grid" }, ...batches.map((b) => button(b, () => showBatch(b))))]);
  const live = "BarcodeDetector" in window && navigator.mediaDevices;
  return show(
    make("form", { onsubmit: (e) => { e.preventDefault(); openBall(input.value); } },
      make("label", { for: "scan", text: "Tap the batch, or type the ball" }), make("div", { class: "time" }, input, make("button", { text: "Open" })),
      line(said, { id: "scan-wrong", class: said ? "wrong" : "", role: "alert" })),
    live ? button("Scan with the camera", scan) : cameraButton("label", "Photo of the label", scanPhoto),
    ...lists);
}

function showBatch(batch) {
  show(make("h2", { text: batch }), make("div", { class: "grid wide" },
    ...app.trial.balls.filter((b) => b.batch === batch).map((b) =>
      make("button", { type: "button", onclick: () => openBall(b.ball) }, b.ball, make("br"), b.lost ? "lost" : b.purpose === "ph" ? "pH" : b.purpose))),
  button("Mix of this batch", () => showForm({ action: "mix", about: batch, fixed: true })),
  button("Note", () => showForm({ action: "note", about: batch, fixed: true })),
  button("Whole batch lost", () => showForm({ action: "lost", about: batch, fixed: true })));
}

// a page over the wifi may not use the live camera: the phone takes a photo, the laptop reads it
async function scanPhoto(file) {
  const wrong = $("label-wrong");
  wrong.className = "";
  wrong.textContent = "Reading the photo …";
  let blob;
  try { blob = await smaller(file); } catch { blob = file; }
  const found = await send("scan", blob);
  if (found?.text) return openBall(found.text);
  return showBalls(found?.words ?? "No connection, so the photo cannot be read. Choose the ball below.");
}

async function scan() {
  const video = make("video", { playsinline: true, muted: true });
  let stream;
  const stop = () => stream?.getTracks().forEach((t) => t.stop());
  show(video, button("Stop", () => { stop(); showBalls(); }));
  try {
    stream = await navigator.mediaDevices.getUserMedia({ video: { facingMode: "environment" } });
    video.srcObject = stream;
    await video.play();
    const reader = new BarcodeDetector({ formats: ["qr_code"] });
    while (stream.active && document.contains(video)) {
      const [found] = await reader.detect(video);
      if (found) { stop(); openBall(found.rawValue); return; }
      await new Promise((r) => setTimeout(r, 150));
    }
    stop();
  } catch {
    stop();
    showBalls("The camera cannot be used here. Type the ball, or choose it below.");
  }
}

async function openBall(text) {
  const found = await ask("ball", { id: text });
  if (found?.refused) return showBalls(found.refused);
  if (found?.batch && !found.ball) return showBatch(found.batch);
  const known = app.trial.balls.find((b) => b.ball.toUpperCase() === text.trim().toUpperCase().split("/").pop());
  if (!found && !known) return showBalls(`No connection, and ${text} is not known on this phone.`);
  const ball = found ?? { ball: known.ball, is: "", pierced: ["ph", "pair"].includes(known.purpose), needs: [], entries: [], place: "", session: "", lost: "" };
  const act = (action, words) => button(words, () => showForm({ action, about: ball.ball, fixed: true }));
  const needs = ball.needs.length ? `still needs: ${ball.needs.join(", ")}` : found ? "needs nothing more" : "no connection: what it needs is not known";
  show(make("h2", { text: ball.ball }),
    line([ball.place, ball.session, ball.is].filter(Boolean).join("; ")),
    line(ball.lost || needs, { class: "note" }),
    ball.lost ? act("note", "Note") : make("div", { class: "row" }, act("pulled", "Taken out"), ball.pierced ? act("reading", "Read pH") : act("bake", "Bake"),
      act("note", "Note"), act("lost", "Lost")),
    ball.lost ? null : cameraButton("photo", "Photo of the ball", (file) => keepPhoto(file, ball.ball)),
    ball.entries.length ? make("h2", { text: "Written down" }) : null,
    make("ul", { class: "plain" }, ...ball.entries.map((e) => make("li", {}, button(
      `${[title(e.action), e.values, e.clock, e.by].filter(Boolean).join(", ")}: take back`,
      () => askUndo({ id: e.id, action: e.action, about: ball.ball }),
    )))));
  return undefined;
}

async function keepPhoto(file, about) {
  try {
    await app.photos.add({ id: newId(), about, at: iso(new Date()), by: who(), blob: await smaller(file) });
    app.go("today");
  } catch {
    const wrong = $("photo-wrong");
    wrong.textContent = "This is no photo that can be read. Take it again.";
    wrong.className = "wrong";
  }
}

function showMore() {
  if (!app.trial) return showToday();
  const forms = app.trial.forms.filter((f) => !["score", "pulled", "reading", "bake", "lost"].includes(f.action));
  const sent = app.queue.standing.slice(0, 8);
  return show(make("div", { class: "row" }, ...forms.map((f) => button(f.title, () => showForm({ action: f.action, about: "" })))),
    button(`This phone: ${who() || "nobody yet"}`, () => app.go("who")),
    app.queue.pending.length + app.queue.wrong.length + app.pictures ? button("Hand over to another address", () => app.go("hand")) : null,
    sent.length ? make("h2", { text: "Saved from this phone" }) : null,
    make("ul", { class: "plain" }, ...sent.map((e) => make("li", {}, button(`${title(e.action)} ${e.about} ${clock(e.at)}: take back`, () => askUndo(e))))));
}

const title = (action) => app.trial?.forms.find((f) => f.action === action)?.title ?? action;

function askUndo(entry) {
  const id = newId();
  const label = `${title(entry.action)} ${entry.about}`;
  const reason = make("input", { id: "reason", autocomplete: "off", maxlength: 200 });
  show(make("h2", { text: `Take back ${label}` }),
    line("It stays in the records, marked as taken back."),
    make("form", { onsubmit: (e) => {
      e.preventDefault();
      app.queue.add({ id, action: "undo", about: entry.id, label, values: { action: entry.action, reason: reason.value }, at: iso(new Date()), by: who(), session: "", lead: app.lead });
      app.go("more");
    } }, make("label", { for: "reason", text: "Why" }), reason, make("button", { class: "main", text: "Take it back" })));
}

// the laptop has another address now: what waits here goes there with the link, nothing by itself
async function showHand() {
  const pending = [...app.queue.pending, ...app.queue.wrong].slice(0, 60);
  const pictures = await app.photos.all();
  if (app.view !== "hand") return;
  const input = make("input", { id: "to", autocomplete: "off", inputmode: "url", placeholder: "http://" });
  const wrong = line("", { id: "to-wrong", role: "alert" });
  const parts = [[pending.length, "entry", "entries"], [pictures.length, "photo", "photos"]];
  const what = parts.filter(([n]) => n).map(([n, one, many]) => `${n} ${n === 1 ? one : many}`).join(" and ") || "nothing";
  const say = (text) => { wrong.textContent = text; wrong.className = "wrong"; };
  show(make("h2", { text: "Hand them over" }),
    line(`Here ${pending.length + pictures.length === 1 ? "waits" : "wait"} ${what}. If no bench answers any more and the laptop shows another address now, type it here, with its last part. Nothing is stored twice.${pictures.length ? " A second page opens: leave both open until this one says that the photos are over." : ""}`),
    make("form", { onsubmit: (e) => {
      e.preventDefault();
      if (!/^http:\/\/[^/]+\/[\w-]{16,}\/?$/.test(input.value.trim())) {
        say("Type the whole address as the laptop shows it: http://, numbers, and the word at the end.");
        return;
      }
      const bytes = new TextEncoder().encode(JSON.stringify(pending));
      const packed = btoa(Array.from(bytes, (b) => String.fromCharCode(b)).join("")).replace(/\+/g, "-").replace(/\//g, "_");
      const to = `${input.value.trim().replace(/\/?$/, "/")}#hand=${packed}`;
      if (!pictures.length) location.href = to;
      else if (!givePhotos(to, pictures)) say("The phone does not let a second page open. Allow pop-ups for this page, then hand them over again.");
    } }, make("label", { for: "to", text: "Address at the laptop" }), input, wrong, make("button", { class: "main", text: "Hand them over" })));
}

// photos are too large for a link: the page at the new address asks this one for them, takes each
// into the phone's storage of its own, and says which; only then does it leave this one, and so do
// the entries that came with the link
function givePhotos(to, pictures) {
  const page = window.open(to);
  if (!page) return false;
  const home = new URL(to).origin;
  addEventListener("message", async (e) => {
    if (e.source !== page || e.origin !== home) return;
    if (e.data === ASK_PHOTOS) page.postMessage({ photos: pictures.map(({ words, ...photo }) => photo) }, home);
    const taken = Array.isArray(e.data?.taken) ? pictures.filter((p) => e.data.taken.includes(p.id)) : [];
    for (const p of taken) await app.photos.drop(p.id);
    for (const id of Array.isArray(e.data?.entries) ? e.data.entries : []) {
      app.queue.drop(app.queue.waiting, id);
      app.queue.drop(app.queue.refused, id);
    }
    app.showState();
    if (taken.length) show(make("h2", { text: "Handed over" }), line(`The photos are over: ${taken.length}. Go on at the other page; this one can be closed.`));
  });
  return true;
}

// the other side: only a page that was opened with what is handed over asks, and only once
function askPhotos(entries) {
  const giver = window.opener;
  if (!giver) return;
  addEventListener("message", async function take(e) {
    if (e.source !== giver || !Array.isArray(e.data?.photos)) return;
    removeEventListener("message", take);
    const taken = [];
    for (const { id, about, at, by, blob } of e.data.photos) {
      if (!/^[A-Za-z0-9-]{8,48}$/.test(id) || !(blob instanceof Blob) || blob.size > 4e6) continue;
      try {
        await app.photos.put({ id, about: String(about), at: String(at ?? ""), by: String(by ?? ""), blob });
        taken.push(id);
      } catch { /* it stays where it is */ }
    }
    const kept = new Set([...app.queue.pending, ...app.queue.wrong, ...app.queue.sent].map(({ id }) => id));
    giver.postMessage({ taken, entries: entries.filter((id) => kept.has(id)) }, e.origin);
    app.looks = [...app.looks, `Photos taken over: ${taken.length} of ${e.data.photos.length}.`];
    redraw();
    app.photos.flush();
  });
  giver.postMessage(ASK_PHOTOS, "*"); // says nothing: whose page it is shows by who answers
}

// entries that came with the link; each has its id, so that one stored already is not stored again
function takeOver() {
  const packed = /^#hand=([\w=-]+)$/.exec(location.hash)?.[1];
  if (!packed) return;
  history.replaceState(null, "", location.pathname);
  try {
    const text = atob(packed.replace(/-/g, "+").replace(/_/g, "/"));
    const entries = JSON.parse(new TextDecoder().decode(Uint8Array.from(text, (c) => c.charCodeAt(0))));
    const whole = entries.filter((e) => /^[A-Za-z0-9-]{8,48}$/.test(e?.id) && typeof e.action === "string" && typeof e.values === "object");
    const by = whole.find((e) => e.by && e.action !== "score")?.by;
    if (by && !who()) remember("doughlab.who", by);
    for (const e of whole) app.queue.add(e);
    app.looks = [`Taken over from the other address: ${whole.length}.`];
    askPhotos(whole.map(({ id }) => id));
  } catch {
    app.looks = ["What the link carried cannot be read. Go back to the old page and hand it over again."];
  }
}

function showRefused(id) {
  const entry = app.queue.wrong.find((e) => e.id === id) ?? app.queue.wrong[0];
  if (!entry) return showPhotos();
  if (entry.action !== "undo" && app.trial.forms.some((f) => f.action === entry.action)) return showForm({ ...entry, fixed: ["score", "consent"].includes(entry.action) });
  app.open = null;
  return show(line(entry.words, { class: "wrong", role: "alert" }),
    button("Understood", () => { app.queue.drop(app.queue.refused, entry.id); app.showState(); app.go("more"); }));
}

async function showPhotos() {
  const wrong = (await app.photos.all()).filter((p) => p.words);
  app.open = null;
  show(...wrong.flatMap((p) => [make("h2", { text: `Photo of ${p.about}` }), line(p.words, { class: "wrong" }),
    make("img", { src: URL.createObjectURL(p.blob), alt: `Photo of ${p.about}` }),
    button("Send it again", async () => { await app.photos.again(p); app.go("today"); }),
    button("Throw it away", async () => { await app.photos.drop(p.id); app.go("today"); })]));
}

$("look").addEventListener("click", () => showRefused());
for (const b of document.querySelectorAll("nav button")) b.addEventListener("click", () => app.go(b.dataset.view));
setInterval(() => { if (!app.open && app.view === "today" && document.visibilityState === "visible") refresh(); }, 60000);
takeOver();
await refresh();
await app.showState();
app.go(who() ? "today" : "who");
app.queue.flush();
app.photos.flush();
