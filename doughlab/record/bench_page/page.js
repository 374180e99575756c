// What every part of the page needs: elements, times, what the phone remembers, asking the server.
// Texts are always set as text, never as markup.

export const $ = (id) => document.getElementById(id);
export const spot = location.pathname.split("/").filter(Boolean)[0] ?? "bench";

// what is on the screen: the trial as last heard of, the view, the form that is open
export const app = { trial: null, view: "who", open: null, looks: [], judged: false, lead: null, session: "" };

export function make(tag, given = {}, ...children) {
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

export const button = (text, onclick, given = {}) => make("button", { type: "button", text, onclick, ...given });
export const line = (text, given = {}) => make("p", { text, ...given });

export function remember(name, value) {
  try { localStorage.setItem(name, value); } catch { /* asked again next time */ }
}

export function recall(name) {
  try { return localStorage.getItem(name) ?? ""; } catch { return ""; }
}

// whose phone this is: asked once, whichever trial
export const who = () => recall("doughlab.who");

export function newId() {
  if (crypto.randomUUID) return crypto.randomUUID(); // only where the page counts as secure
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  return [...bytes].map((b) => b.toString(16).padStart(2, "0")).join("");
}

export function iso(date) {
  const pad = (n) => String(Math.trunc(Math.abs(n))).padStart(2, "0");
  const off = -date.getTimezoneOffset();
  const day = `${date.getFullYear()}-${pad(date.getMonth() + 1)}-${pad(date.getDate())}`;
  const hour = `${pad(date.getHours())}:${pad(date.getMinutes())}:${pad(date.getSeconds())}`;
  return `${day}T${hour}${off < 0 ? "-" : "+"}${pad(off / 60)}:${pad(off % 60)}`;
}

// hours and days are those of the place of the trial, as on paper and in the files, whatever zone
// the phone is set to: date as 2026-03-05, hour as 14:10
export function place(date) {
  const given = { year: "numeric", month: "2-digit", day: "2-digit", hour: "2-digit", minute: "2-digit", hourCycle: "h23" };
  try {
    const parts = new Intl.DateTimeFormat("en-GB", { ...given, timeZone: app.trial.timezone }).formatToParts(date);
    const p = Object.fromEntries(parts.map(({ type, value }) => [type, value]));
    return { day: `${p.year}-${p.month}-${p.day}`, hour: `${p.hour}:${p.minute}` };
  } catch { // before the trial is known, or a zone that the phone does not know
    return { day: iso(date).slice(0, 10), hour: iso(date).slice(11, 16) };
  }
}

export const today = () => place(new Date()).day;

export function dayWords(day) {
  return new Date(`${day}T12:00Z`).toLocaleDateString("en-GB", { weekday: "short", day: "numeric", month: "short", timeZone: "UTC" });
}

// the day is said only where it is another one
export function clock(text) {
  const { day, hour } = place(new Date(text));
  return day === today() ? hour : `${dayWords(day)} ${hour}`;
}

export async function ask(path, params = {}) {
  try {
    const answer = await fetch(`${path}?${new URLSearchParams(params)}`, { cache: "no-store" });
    const found = await answer.json();
    return answer.ok ? found : { refused: found.words };
  } catch {
    return null;
  }
}

// null without a connection; {status} where the server answered and could not say more
export async function send(path, body, headers = {}) {
  try {
    const answer = await fetch(path, { method: "POST", headers, body });
    let found = {};
    try { found = await answer.json(); } catch { /* the status says enough */ }
    return answer.ok ? found : { ...found, status: answer.status };
  } catch {
    return null;
  }
}

export const post = (entries) => send("entries", JSON.stringify({ entries, now: iso(new Date()) }), { "Content-Type": "application/json" });

export const sendPhoto = ({ id, about, at, by, blob }) => send(`photo?${new URLSearchParams({ id, about, at, by })}`, blob);

// a photo as small as it can be and still be read
export async function smaller(file, most = 1600) {
  const picture = await createImageBitmap(file);
  const scale = Math.min(1, most / Math.max(picture.width, picture.height));
  const canvas = make("canvas", { width: Math.round(picture.width * scale), height: Math.round(picture.height * scale) });
  canvas.getContext("2d").drawImage(picture, 0, 0, canvas.width, canvas.height);
  return new Promise((done, fail) => canvas.toBlob((blob) => (blob ? done(blob) : fail(new Error("no picture"))), "image/jpeg", 0.85));
}

// a file field that looks like a button and opens the phone's own camera
export function cameraButton(id, text, taken) {
  return make("div", { class: "field" },
    make("label", { class: "button", for: id, text }),
    make("input", { type: "file", id, class: "hidden", accept: "image/*", capture: "environment", onchange: (e) => { const [file] = e.target.files; e.target.value = ""; if (file) taken(file); } }),
    make("p", { id: `${id}-wrong`, role: "alert" }));
}

const HYGIENE = "Phone and hands: wash hands after the phone and before the dough, or keep the phone in a clean bag. "
  + "Raw dough is not eaten. What was read or touched by a probe or strip is thrown away.";

export function show(...children) {
  const here = !app.open && app.view !== "ball" && (app.view === "judge") === app.judged; // judges read no ball
  const looks = app.looks.length && here ? make("div", { class: "note looks" }, line("Look", { class: "tag" }),
    ...app.looks.map((text) => line(text)), button("Understood", (e) => { app.looks = []; e.target.closest(".looks").remove(); })) : null;
  $("view").replaceChildren(...[looks, ...children].filter(Boolean), make("footer", { text: HYGIENE }));
  for (const b of document.querySelectorAll("nav button")) {
    if (b.dataset.view === app.view) b.setAttribute("aria-current", "page");
    else b.removeAttribute("aria-current");
  }
  $("view").scrollTop = 0;
}
