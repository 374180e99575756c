// One form at a time: fields as the folder describes them, checked by its ranges, refused values put
// back with what is wrong beside them and in view.

import { $, app, button, clock, iso, line, make, newId, place, recall, remember, show, spot, who } from "./page.js";

const PLAIN = /^[-+−]?\d+([.,]\d+)?$/;
const fid = (name) => `f-${name.replace(/[^A-Za-z0-9_]/g, "-")}`;

// What is typed and not saved yet stays on the phone, form by form, until it is saved or thrown away.
const DRAFTS = `doughlab.${spot}.draft.`;
const draftKey = (open) => `${DRAFTS}${open.action}.${open.session}.${open.judge ?? ""}.${open.fixed ? open.about : ""}`;

function forget(open) {
  try { localStorage.removeItem(draftKey(open)); } catch { /* nothing was kept */ }
}

function keepDraft(form) {
  const open = app.open;
  if (!open || open.words) return; // a refused entry has a list of its own
  const values = Object.fromEntries(listFields(form).map((f) => [f.name, ($(fid(f.name))?.value ?? "").trim()]).filter(([, text]) => text));
  const about = $("f-about")?.value.trim() ?? open.about;
  if (!Object.keys(values).length && (open.fixed || !about)) return forget(open);
  const { action, fixed, session, judge } = open;
  return remember(draftKey(open), JSON.stringify({ action, fixed, session, judge, about, values, at: iso(new Date()) }));
}

function recallDraft(open) {
  try { return JSON.parse(recall(draftKey(open))); } catch { return null; }
}

// the half-typed forms of this phone; a judge's stay on the judge's card
export function drafts() {
  const found = [];
  try {
    for (let i = 0; i < localStorage.length; i++) {
      const key = localStorage.key(i);
      if (key.startsWith(DRAFTS)) found.push(JSON.parse(localStorage.getItem(key)));
    }
  } catch { /* a phone without storage keeps none */ }
  return found.filter((d) => d.action !== "score" && app.trial.forms.some((f) => f.action === d.action)).sort((a, b) => (a.at < b.at ? -1 : 1));
}

export function showForm(given) {
  const form = app.trial.forms.find((f) => f.action === given.action);
  app.open = { id: newId(), values: {}, fields: {}, session: "", ...given };
  const open = app.open;
  open.judge ??= ["score", "consent"].includes(form.action) ? open.values.judge ?? open.about : undefined;
  if (form.action === "score") open.judge = open.values.judge ?? open.judge;
  const draft = given.id ? null : recallDraft(open);
  if (draft) {
    open.values = { ...open.values, ...draft.values };
    open.about = draft.about || open.about;
  }
  const fields = listFields(form).map((f) => field(f, open.values[f.name] ?? "", open.fields[f.name]));
  const own = open.fields;
  const stray = Object.keys(own).filter((n) => n !== "about" && !listFields(form).some((f) => f.name === n)).map((n) => own[n]);
  const said = [open.words && !(Object.keys(own).length && open.words.startsWith("Look at the fields")) ? open.words : "", ...stray].filter(Boolean);
  const later = new Set(listFields(form).map((f, i) => (f.later ? i : -1)));
  const shown = fields.filter((_, i) => !later.has(i));
  const rest = fields.filter((_, i) => later.has(i));
  const filled = (f) => f.querySelector(".wrong") || f.querySelector("input, select").value;
  show(make("h2", { text: form.action === "score" ? `Sample ${open.about}` : [form.title, form.about && open.fixed ? open.about : ""].filter(Boolean).join(" ") }),
    ...said.map((text) => line(text, { class: "wrong", role: "alert" })),
    draft ? make("div", { class: "note", id: "draft" }, line(`Typed ${clock(draft.at)} and not saved yet.`),
      button("Start anew", () => { forget(open); showForm(given); })) : null,
    make("form", { novalidate: true, oninput: () => keepDraft(form), onsubmit: (e) => { e.preventDefault(); submit(form); } },
      form.about && !open.fixed ? aboutField(form) : null, ...shown,
      rest.length ? make("details", { class: "rest", open: rest.some(filled) }, make("summary", { text: form.action === "mix" ? "water, acid, lots, note" : "more" }), ...rest) : null,
      make("button", { class: "main", id: "save", text: "Save" }),
      app.queue.wrong.some((e) => e.id === open.id) ? button("Throw this entry away", () => { app.queue.drop(app.queue.refused, open.id); app.open = null; app.showState(); app.go("today"); }) : null));
  look();
}

function listFields(form) {
  const fields = form.fields.filter((f) => f.name !== "judge" || !app.open.judge);
  const why = app.open.fields.reason || app.open.values.reason;
  return why ? [...fields, { name: "reason", label: "Why is it changed?", kind: "text" }] : fields;
}

// what is wrong comes first and is brought into view; else the first empty field
function look() {
  const bad = $("view").querySelector('[aria-invalid="true"]');
  if (bad) {
    bad.focus({ preventScroll: true });
    bad.setSelectionRange?.(bad.value.length, bad.value.length);
    bad.closest(".field").scrollIntoView({ block: "center" });
    return;
  }
  const alert = $("view").querySelector("[role=alert].wrong");
  if (alert) { alert.scrollIntoView({ block: "start" }); return; }
  [...$("view").querySelectorAll("form input, form select")].find((i) => !i.value && !i.closest("details"))?.focus({ preventScroll: true });
}

function aboutField(form) {
  const made = field({ name: "about", label: form.about, kind: "text" }, app.open.about, app.open.fields.about);
  const input = made.querySelector("input");
  const known = form.action === "mix" ? app.trial.batches.map((b) => b.batch) : form.known;
  if (!known.length) return made;
  made.append(make("div", { class: form.action === "mix" ? "grid" : "grid wide" }, ...known.map((k) => button(k, () => { input.value = k; input.dispatchEvent(new Event("input", { bubbles: true })); }))));
  return made;
}

function field(f, value, wrong) {
  const id = fid(f.name);
  const given = { id, name: f.name, autocomplete: "off", "aria-describedby": `${id}-wrong`, "aria-invalid": wrong ? "true" : "false" };
  const longest = app.trial.forms[0]?.longest;
  let input;
  if (f.kind === "choice") {
    input = make("select", given, make("option", { value: "", text: "" }), ...f.choices.map((c) => make("option", { value: c, text: c, selected: c === value })));
  } else {
    input = make("input", { ...given, value, maxlength: longest, inputmode: f.kind === "number" && !signed(f) ? "decimal" : "text", placeholder: f.kind === "time" ? "14:10" : "", enterkeyhint: "next" });
  }
  const now = f.kind === "time" ? button("now", () => { input.value = place(new Date()).hour; input.dispatchEvent(new Event("input", { bubbles: true })); }, { "aria-label": `${f.label}: now` }) : null;
  input.addEventListener("input", () => mark(id, ""));
  return make("div", { class: "field" }, make("label", { for: id, text: f.label }),
    f.help ? line(f.help, { class: "help" }) : null,
    now ? make("div", { class: "time" }, input, now) : input,
    line(wrong ?? "", { id: `${id}-wrong`, class: wrong ? "wrong" : "" }));
}

// the number pad of a phone has no minus and no letter: not for millivolts, nor for 23 C
const signed = (f) => f.unit === "temp_c" || (f.low ?? 0) < 0;

function mark(id, words) {
  const where = $(`${id}-wrong`);
  where.textContent = words;
  where.className = words ? "wrong" : "";
  $(id).setAttribute("aria-invalid", words ? "true" : "false");
  if (words) $(id).closest("details")?.setAttribute("open", "");
}

// the same ranges as in the tables; what carries its own unit is left to the folder to read
function check(f, text) {
  if (!text || f.kind !== "number" || !PLAIN.test(text)) return "";
  const value = Number(text.replace(",", ".").replace("−", "-"));
  const low = f.low ?? -Infinity;
  const high = f.high ?? Infinity;
  if (value >= low && value <= high) return "";
  const tenth = [value / 10, value / 100].find((v) => v >= low && v <= high);
  const ends = f.low === null || f.low === undefined ? `up to ${f.high}` : f.high === null || f.high === undefined ? `from ${f.low}` : `${f.low} to ${f.high}`;
  if (f.hint) return `${text} lies outside ${ends}. ${f.hint}`;
  const f20 = f.unit === "temp_c" && app.trial.temperature === "F" && value * 1.8 + 32 >= low && value * 1.8 + 32 <= high;
  if (f20) return `${text} looks like Celsius: ${(value * 1.8 + 32).toFixed(1)} °F. If so, type ${text} C; else ${ends}.`;
  const f59 = f.unit === "temp_c" && app.trial.temperature === "C" && (value - 32) / 1.8 >= low && (value - 32) / 1.8 <= high;
  if (f59) return `${text} looks like Fahrenheit: ${((value - 32) / 1.8).toFixed(1)} °C. If so, type ${text} F; else ${ends}.`;
  return `${text} lies outside ${ends}.${tenth === undefined ? "" : ` A decimal point may be missing: ${Number(tenth.toPrecision(4))}?`}`;
}

function gaps(form, values, fields) {
  const wrong = {};
  for (const need of form.needs) {
    if (!Object.keys(values).some((name) => name.startsWith(need))) wrong[fields.find((f) => f.name.startsWith(need)).name] = "Still empty.";
  }
  const scored = fields.filter((f) => f.kind === "number");
  const empty = scored.filter((f) => !values[f.name]);
  if (form.action === "score" && empty.length && (empty.length === scored.length || !app.open.warned)) {
    for (const f of empty) wrong[f.name] = empty.length === scored.length ? "Still empty." : "Still empty. Save again to leave it out.";
    app.open.warned = empty.length < scored.length;
  }
  return wrong;
}

function submit(form) {
  const open = app.open;
  const values = {};
  const wrong = {};
  const fields = listFields(form);
  for (const f of fields) {
    const text = ($(fid(f.name))?.value ?? "").trim();
    if (text) values[f.name] = text;
    const words = check(f, text);
    if (words) wrong[f.name] = words;
  }
  if (form.fields.some((f) => f.name === "judge") && open.judge) values.judge = open.judge;
  const about = $("f-about")?.value.trim() ?? open.about;
  if (form.about && !about) wrong.about = "Type it here.";
  for (const [name, words] of Object.entries(gaps(form, values, fields))) wrong[name] ??= words;
  if (Object.keys(wrong).length) {
    for (const [name, words] of Object.entries(wrong)) mark(fid(name), words);
    look();
    return;
  }
  $("save").disabled = true; // a second tap sends nothing; the id would be the same anyway
  $("saved").textContent = "";
  app.looks = [];
  const by = form.action === "score" ? open.judge : who();
  const entry = { id: open.id, action: form.action, about, values, at: open.at ?? iso(new Date()), by, session: open.session, lead: app.lead };
  forget(open);
  app.queue.add(entry);
  setTimeout(() => { // a refusal that came at once has put the form back already
    if (app.open?.id !== entry.id || app.queue.wrong.some((e) => e.id === entry.id)) return;
    app.open = null;
    if (open.session || (form.action === "consent" && open.fixed)) app.openCard(open.judge ?? about, open.session || app.session);
    else app.go("today");
  }, 400);
}
