// The page at the bench. It shows what the trial folder says is due, takes entries one field at a
// time, checks them by the ranges that the folder gave, and hands them to the queue. Texts are
// always set as text, never as markup.

import { PhotoQueue, Queue } from "./queue.js";

const $ = (id) => document.getElementById(id);
const PLAIN = /^[-+−]?\d+([.,]\d+)?$/;
const DOES = { take_out: "pulled", read: "reading", bake: "bake", score: "score", mix: "mix", ball: "mix", preferment: "lot" };
const HYGIENE = "Phone and hands: wash hands after the phone and before the dough, or keep the phone in a clean bag. "
  + "Raw dough is not eaten. What was read or touched by a probe or strip is thrown away.";
let trial = null;
let view = "today";
let open = null; // the form on the screen: {action, about, id, session, ...}

function make(tag, given = {}, ...children) {
  const node = document.createElement(tag);
  for (const [name, value] of Object.entries(given)) {
    if (name === "text") node.textContent = value;
    else if (name.startsWith("on")) node.addEventListener(name.slice(2), value);
    else if (value === true) node.setAttribute(name, "");
    else if (value !== false && value !== undefined && value !== null) node.setAttribute(name, value);
  }
  node.append(...children.filter(Boolean));
  return node;
}

function newId() {
  if (crypto.randomUUID) return crypto.randomUUID(); // only where the page counts as secure
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  return [...bytes].map((b) => b.toString(16).padStart(2, "0")).join("");
}

function iso(date) {
  const pad = (n) => String(Math.trunc(Math.abs(n))).padStart(2, "0");
  const off = -date.getTimezoneOffset();
  const day = `${date.getFullYear()}-${pad(date.getMonth() + 1)}-${pad(date.getDate())}`;
  const hour = `${pad(date.getHours())}:${pad(date.getMinutes())}:${pad(date.getSeconds())}`;
  return `${day}T${hour}${off < 0 ? "-" : "+"}${pad(off / 60)}:${pad(off % 60)}`;
}

// the day is said only where it is another one
function clock(text) {
  const at = new Date(text);
  const hour = iso(at).slice(11, 16);
  const day = at.toLocaleDateString([], { weekday: "short", day: "numeric", month: "short" });
  return at.toDateString() === new Date().toDateString() ? hour : `${day} ${hour}`;
}

async function ask(path, params = {}) {
  try {
    const answer = await fetch(`${path}?${new URLSearchParams(params)}`, { cache: "no-store" });
    const found = await answer.json();
    return answer.ok ? found : { refused: found.words };
  } catch {
    return null;
  }
}

async function post(entries) {
  try {
    const answer = await fetch("entries", {
      method: "POST", headers: { "Content-Type": "application/json" },
      body: JSON.stringify({ entries, now: iso(new Date()) }),
    });
    return answer.ok ? (await answer.json()).results : null;
  } catch {
    return null;
  }
}

async function sendPhoto(photo) {
  const { id, about, at, by, blob } = photo;
  try {
    const answer = await fetch(`photo?${new URLSearchParams({ id, about, at, by })}`, { method: "POST", body: blob });
    if (!answer.ok && answer.status !== 422) return null;
    return await answer.json();
  } catch {
    return null;
  }
}

// one line says what waits on the phone, another what is in the files: neither hides the other
async function showState(news = {}) {
  const waiting = queue.pending.length + (await photos.count());
  const lost = news.kept === false ? " This phone cannot keep them: leave this page open." : "";
  $("waiting").textContent = waiting
    ? `saved on the phone, will be sent: ${waiting}${news.offline ? " (no connection)" : ""}.${lost}` : "";
  const wrong = queue.wrong.length;
  $("look").hidden = !wrong;
  $("look").textContent = wrong ? `not saved, needs a look: ${wrong}` : "";
  if (news.result?.saved) {
    const about = news.entry?.about || news.photo?.about || "";
    const more = (news.result.warnings ?? []).join(" ");
    $("saved").textContent = `${news.result.words}: ${about} ${clock(iso(new Date()))}${more ? `. Look: ${more}` : ""}`;
    await refresh();
  } else if (news.result) {
    $("saved").textContent = "";
    if (open && news.entry && open.id === news.entry.id) return showRefused(news.entry.id);
  }
  return undefined;
}

const spot = location.pathname.split("/").filter(Boolean)[0] ?? "bench";
const queue = new Queue(`doughlab.${spot}`, post, showState);
const photos = new PhotoQueue(`doughlab.${spot}`, sendPhoto, showState);

async function refresh() {
  const found = await ask("overview");
  if (found && !found.refused) {
    trial = found;
    try { localStorage.setItem(`doughlab.${spot}.trial`, JSON.stringify(found)); } catch { /* shown anyway */ }
    $("name").textContent = found.name;
    document.title = `${found.code} bench`;
  } else if (!trial) {
    try { trial = JSON.parse(localStorage.getItem(`doughlab.${spot}.trial`)); } catch { trial = null; }
  }
  if (!open && view === "today") showToday();
}

function show(...children) {
  $("view").replaceChildren(...children.filter(Boolean), make("footer", { text: HYGIENE }));
  for (const b of document.querySelectorAll("nav button")) {
    if (b.dataset.view === view) b.setAttribute("aria-current", "page");
    else b.removeAttribute("aria-current");
  }
}

function go(name) {
  open = null;
  view = name;
  ({ today: showToday, ball: showBalls, judge: showJudges, more: showMore })[name]();
  $("view").focus({ preventScroll: true });
  $("view").scrollTop = 0;
}

function showToday() {
  if (!trial) return show(make("p", { text: "No connection to the bench. What you enter is kept on the phone." }));
  const words = { late: "late", now: "now", later: "later today", missing: "missing" };
  const parts = [];
  for (const w of trial.watch) parts.push(make("p", { class: "note", text: w }));
  for (const when of ["late", "now", "later", "missing"]) {
    const steps = grouped(trial.due.filter((d) => d.when === when));
    if (!steps.length) continue;
    parts.push(make("h2", { text: words[when] }), make("ul", { class: "plain" }, ...steps.map((d) =>
      make("li", {}, make("button", {
        type: "button", class: when === "late" || when === "missing" ? "late" : "", onclick: () => start(d),
      }, make("span", { class: "tag", text: `${clock(d.at)} ${d.step.replace("_", " ")} ${d.step === "score" ? `${d.count} ${d.count > 1 ? "samples" : "sample"}` : d.item}` }),
      make("br"), [d.place, d.words].filter(Boolean).join("; "))))));
  }
  if (!trial.due.length) parts.push(make("p", { text: trial.needs_plan ? "No plan is kept yet." : "Nothing is due today." }));
  return show(...parts);
}

// what judges still owe is one line, not one for each sample; balls stay apart, each is a tap
function grouped(steps) {
  const found = new Map();
  for (const d of steps) {
    const key = d.step === "score" ? `score ${d.words}` : `${d.step} ${d.item}`;
    if (found.has(key)) found.get(key).count += 1;
    else found.set(key, { ...d, count: 1 });
  }
  return [...found.values()];
}

function start(d) {
  const action = DOES[d.step] ?? "note";
  if (action === "score") return go("judge");
  return showForm({ action, about: d.item });
}

function showBalls(said = "") {
  if (!trial) return showToday();
  const input = make("input", { id: "scan", autocomplete: "off", autocapitalize: "characters", "aria-describedby": "scan-wrong" });
  const wrong = make("p", { id: "scan-wrong", class: said ? "wrong" : "", text: said });
  const form = make("form", { onsubmit: (e) => { e.preventDefault(); openBall(input.value); } },
    make("label", { for: "scan", text: "Scan or type the ball" }), input, wrong,
    make("button", { class: "main", text: "Open" }));
  const days = new Map();
  for (const b of trial.batches) days.set(b.day, [...(days.get(b.day) ?? []), b.batch]);
  const lists = [...days].flatMap(([day, batches]) => [make("h2", { text: day }), make("div", { class: "grid" },
    ...batches.map((b) => make("button", { type: "button", text: b, onclick: () => showBatch(b) })))]);
  show(form, "BarcodeDetector" in window && navigator.mediaDevices ? make("button", { type: "button", text: "Use the camera", onclick: scan }) : null, ...lists);
  input.focus();
  return undefined;
}

function showBatch(batch) {
  show(make("h2", { text: batch }), make("div", { class: "grid" },
    ...trial.balls.filter((b) => b.batch === batch).map((b) =>
      make("button", { type: "button", onclick: () => openBall(b.ball) }, b.ball, make("br"), b.purpose === "ph" ? "pH" : b.purpose))),
  make("button", { type: "button", text: "Mix of this batch", onclick: () => showForm({ action: "mix", about: batch }) }));
}

async function scan() {
  const video = make("video", { playsinline: true, muted: true });
  show(video, make("button", { type: "button", text: "Stop", onclick: () => { stop(); showBalls(); } }));
  let stream;
  const stop = () => stream?.getTracks().forEach((t) => t.stop());
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
  const known = trial.balls.find((b) => b.ball.toUpperCase() === text.trim().toUpperCase().split("/").pop());
  if (!found && !known) return showBalls(`No connection, and ${text} is not known on this phone.`);
  const ball = found ?? { ball: known.ball, purpose: known.purpose, needs: [], given: [], place: "", session: "" };
  const act = (action, title) => make("button", { type: "button", text: title, onclick: () => showForm({ action, about: ball.ball }) });
  const pierced = ball.purpose === "ph" || ball.purpose === "pair";
  show(make("h2", { text: ball.ball }),
    make("p", { text: [ball.place, ball.session, pierced ? "for reading, then thrown away" : ball.purpose].filter(Boolean).join("; ") }),
    make("p", { class: "note", text: ball.needs.length ? `still needs: ${ball.needs.join(", ")}` : found ? "needs nothing more" : "no connection: what it needs is not known" }),
    ball.given.length ? make("p", { text: `has ${ball.given.join(", ")}` }) : null,
    make("div", { class: "row" }, act("pulled", "Taken out"), pierced ? act("reading", "Read pH") : act("bake", "Bake"),
      act("note", "Note"), act("lost", "Lost")), photoButton(ball.ball));
  return undefined;
}

function photoButton(about) {
  const id = newId();
  const input = make("input", { type: "file", id: "photo", accept: "image/*", capture: "environment", onchange: async (e) => {
    const [file] = e.target.files;
    if (!file) return;
    const wrong = $("photo-wrong");
    try {
      await photos.add({ id, about, at: iso(new Date()), by: who(), blob: await smaller(file) });
      go("today");
    } catch { wrong.textContent = "This is no photo that can be read. Take it again."; wrong.className = "wrong"; }
  } });
  return make("div", { class: "field" }, make("label", { for: "photo", text: "Photo" }), input, make("p", { id: "photo-wrong" }));
}

async function smaller(file) {
  const picture = await createImageBitmap(file);
  const scale = Math.min(1, 1600 / Math.max(picture.width, picture.height));
  const canvas = make("canvas", { width: Math.round(picture.width * scale), height: Math.round(picture.height * scale) });
  canvas.getContext("2d").drawImage(picture, 0, 0, canvas.width, canvas.height);
  return new Promise((done, fail) => canvas.toBlob((blob) => (blob ? done(blob) : fail(new Error("no picture"))), "image/jpeg", 0.85));
}

async function showJudges() {
  if (!trial?.judges.length) return show(make("p", { text: "This trial has no judges." }));
  const pick = (id, label, values, chosen) => {
    const select = make("select", { id }, ...values.map((v) => make("option", { value: v, text: v, selected: v === chosen })));
    return make("div", {}, make("label", { for: id, text: label }), select);
  };
  const today = trial.due.filter((d) => d.step === "bake" || d.step === "score");
  return show(make("form", { onsubmit: (e) => { e.preventDefault(); openCard($("judge").value, $("session").value); } },
    pick("judge", "Judge", trial.judges, localStorage.getItem(`doughlab.${spot}.judge`)),
    pick("session", "Session", trial.sessions, today[0]?.session), make("p", { class: "help", text: "The card shows three-digit codes only, in your own order." }),
    make("button", { class: "main", text: "Open the card" })));
}

async function openCard(judge, session) {
  try { localStorage.setItem(`doughlab.${spot}.judge`, judge); } catch { /* asked again next time */ }
  const key = `doughlab.${spot}.card.${judge}.${session}`;
  let card = await ask("card", { judge, session });
  if (card && !card.refused) { try { localStorage.setItem(key, JSON.stringify(card)); } catch { /* needs the wifi */ } }
  if (!card) { try { card = JSON.parse(localStorage.getItem(key)); } catch { card = null; } }
  if (!card || card.refused) return show(make("p", { class: "wrong", text: card?.refused ?? "No connection, and this card was not opened here before." }));
  const mine = new Set(queue.pending.filter((e) => e.action === "score" && e.session === session).map((e) => e.about));
  const asked = card.asked || queue.pending.some((e) => e.action === "consent" && e.about === judge);
  const askNow = () => showForm({ action: "consent", about: judge, judge, session });
  return show(make("h2", { text: `${judge}, ${session}` }),
    asked ? null : make("div", { class: "note" }, make("p", { text: "Asked once, before the first sample: which allergies do you have, and do you agree to taste?" }),
      make("button", { type: "button", text: "Write it down", onclick: askNow })),
    make("ul", {}, ...(card.told ?? []).map((text) => make("li", { text }))),
    card.codes.length ? null : make("p", { text: "No samples in this session." }),
    make("ul", { class: "plain" }, ...card.codes.map((c) => make("li", {}, make("button", {
      type: "button", text: `${c.position}. sample ${c.code}${c.done ? " (scored)" : mine.has(String(c.code)) ? " (kept on the phone)" : ""}`,
      onclick: () => showForm({ action: "score", about: String(c.code), session, judge, position: c.position }),
    })))));
}

const who = () => localStorage.getItem(`doughlab.${spot}.who`) ?? "";

function showMore() {
  if (!trial) return showToday();
  const forms = trial.forms.filter((f) => !["score", "pulled", "reading", "bake", "lost", "consent"].includes(f.action));
  const sent = queue.sent.filter((e) => e.action !== "undo").slice(0, 8);
  const name = make("input", { id: "who", value: who(), autocomplete: "name", onchange: (e) => { try { localStorage.setItem(`doughlab.${spot}.who`, e.target.value); } catch { /* asked again */ } } });
  return show(make("div", { class: "row" }, ...forms.map((f) => make("button", { type: "button", text: f.title, onclick: () => showForm({ action: f.action, about: "" }) }))),
    make("label", { for: "who", text: "Your initials" }), name,
    sent.length ? make("h2", { text: "Saved from this phone" }) : null,
    make("ul", { class: "plain" }, ...sent.map((e) => make("li", {}, make("button", { type: "button", onclick: () => askUndo(e) },
      `${title(e.action)} ${e.about} ${clock(e.at)}: take back`)))));
}

const title = (action) => trial?.forms.find((f) => f.action === action)?.title ?? action;

function askUndo(entry) {
  const id = newId();
  const reason = make("input", { id: "reason", autocomplete: "off" });
  show(make("h2", { text: `Take back ${title(entry.action)} ${entry.about}` }),
    make("p", { text: "It stays in the records, marked as taken back." }),
    make("form", { onsubmit: (e) => {
      e.preventDefault();
      queue.add({ id, action: "undo", about: entry.id, values: { action: entry.action, reason: reason.value }, at: iso(new Date()), by: who(), session: "" });
      go("more");
    } }, make("label", { for: "reason", text: "Why" }), reason, make("button", { class: "main", text: "Take it back" })));
}

function showForm(given) {
  const form = trial.forms.find((f) => f.action === given.action);
  const first = !open || open.id !== given.id;
  open = { id: newId(), values: {}, fields: {}, session: "", ...given };
  const about = form.about ? field({ name: "about", label: form.about, kind: "text" }, open.about, open.fields.about) : null;
  const fields = form.fields.filter((f) => f.name !== "judge" || !open.judge).map((f) => field(f, open.values[f.name] ?? "", open.fields[f.name]));
  if (["score", "consent"].includes(given.action) && about) about.querySelector("input").readOnly = true;
  const [shown, rest] = form.action === "mix" ? [fields.slice(0, 7), fields.slice(7)] : [fields, []];
  show(make("h2", { text: form.title }), open.words ? make("p", { class: "wrong", text: open.words, role: "alert" }) : null,
    make("form", { novalidate: true, onsubmit: (e) => { e.preventDefault(); submit(form); } }, about, ...shown,
      rest.length ? make("details", { open: rest.some((f) => f.querySelector(".wrong")) }, make("summary", { text: "water, acid, lots" }), ...rest) : null,
      make("button", { class: "main", id: "save", text: "Save" }),
      queue.wrong.some((e) => e.id === open.id) ? make("button", { type: "button", text: "Throw this entry away", onclick: () => { queue.drop(queue.refused, open.id); open = null; showState(); go("today"); } }) : null));
  if (first) $("view").scrollTop = 0;
  const empty = [...$("view").querySelectorAll("form input, form select")].find((i) => !i.readOnly && !i.value);
  ($("view").querySelector('[aria-invalid="true"]') ?? empty)?.focus();
}

function field(f, value, wrong) {
  const id = `f-${f.name.replace("#", "-")}`;
  const given = { id, name: f.name, autocomplete: "off", "aria-describedby": `${id}-wrong`, "aria-invalid": wrong ? "true" : "false" };
  let input;
  if (f.kind === "choice") {
    input = make("select", given, make("option", { value: "", text: "" }), ...f.choices.map((c) => make("option", { value: c, text: c, selected: c === value })));
  } else {
    input = make("input", { ...given, value, inputmode: f.kind === "number" ? "decimal" : "text", placeholder: f.kind === "time" ? "14:10" : "", enterkeyhint: "next" });
  }
  const now = f.kind === "time" ? make("button", { type: "button", text: "now", "aria-label": `${f.label}: now`, onclick: () => { input.value = iso(new Date()).slice(11, 16); input.dispatchEvent(new Event("input")); } }) : null;
  input.addEventListener("input", () => mark(id, ""));
  return make("div", { class: "field" }, make("label", { for: id, text: f.label }),
    f.help ? make("p", { class: "help", text: f.help }) : null,
    now ? make("div", { class: "time" }, input, now) : input,
    make("p", { id: `${id}-wrong`, class: wrong ? "wrong" : "", text: wrong ?? "" }));
}

function mark(id, words) {
  const line = $(`${id}-wrong`);
  line.textContent = words;
  line.className = words ? "wrong" : "";
  $(id).setAttribute("aria-invalid", words ? "true" : "false");
}

// the same ranges as in the tables; what carries its own unit is left to the folder to read
function check(f, text) {
  if (!text || f.kind !== "number") return "";
  if (!PLAIN.test(text)) return /\d/.test(text) && !f.help ? "" : `'${text}' is not a number.`;
  const value = Number(text.replace(",", ".").replace("−", "-"));
  const low = f.low ?? -Infinity;
  const high = f.high ?? Infinity;
  if (value >= low && value <= high) return "";
  const tenth = [value / 10, value / 100].find((v) => v >= low && v <= high);
  const ends = f.low === null || f.low === undefined ? `up to ${f.high}` : f.high === null || f.high === undefined ? `from ${f.low}` : `${f.low} to ${f.high}`;
  const f59 = f.unit === "temp_c" && trial.temperature === "C" && (value - 32) / 1.8 >= low && (value - 32) / 1.8 <= high;
  if (f59) return `${text} looks like Fahrenheit: ${((value - 32) / 1.8).toFixed(1)} °C. If so, type ${text} F; else ${ends}.`;
  return `${text} lies outside ${ends}.${tenth === undefined ? "" : ` A decimal point may be missing: ${Number(tenth.toPrecision(4))}?`}`;
}

function submit(form) {
  const values = {};
  const wrong = {};
  for (const f of form.fields) {
    const input = $(`f-${f.name.replace("#", "-")}`);
    const text = (input?.value ?? open[f.name] ?? "").trim();
    if (text) values[f.name] = text;
    const words = check(f, text);
    if (words) wrong[f.name] = words;
  }
  const about = $("f-about")?.value.trim() ?? open.about;
  if (form.about && !about) wrong.about = "Scan it or type it here.";
  for (const need of form.needs) {
    if (!Object.keys(values).some((name) => name.startsWith(need))) wrong[form.fields.find((f) => f.name.startsWith(need)).name] ??= "Still empty.";
  }
  if (Object.keys(wrong).length) {
    for (const [name, words] of Object.entries(wrong)) mark(`f-${name.replace("#", "-")}`, words);
    $("view").querySelector('[aria-invalid="true"]').focus();
    return;
  }
  $("save").disabled = true; // a second tap sends nothing; the id would be the same anyway
  $("saved").textContent = "";
  const entry = { id: open.id, action: form.action, about, values, at: iso(new Date()), by: open.judge ?? who(), session: open.session };
  const back = ["score", "consent"].includes(form.action) ? { judge: open.judge, session: open.session } : null;
  const own = open.id;
  queue.add(entry);
  setTimeout(() => { // a refusal that came at once has put the form back already
    if (open?.id !== own || queue.wrong.some((e) => e.id === own)) return;
    open = null;
    if (back) openCard(back.judge, back.session); else go("today");
  }, 400);
}

function showRefused(id) {
  const entry = queue.wrong.find((e) => e.id === id) ?? queue.wrong[0];
  if (!entry) return;
  if (entry.action === "undo") {
    open = null;
    show(make("p", { class: "wrong", text: entry.words, role: "alert" }), make("button", { type: "button", text: "Understood", onclick: () => { queue.drop(queue.refused, entry.id); showState(); go("more"); } }));
    return;
  }
  showForm({ ...entry });
}

$("look").addEventListener("click", () => showRefused());
for (const b of document.querySelectorAll("nav button")) b.addEventListener("click", () => go(b.dataset.view));
setInterval(() => { if (!open && view === "today" && document.visibilityState === "visible") refresh(); }, 60000);
await refresh();
await showState();
go("today");
queue.flush();
photos.flush();
