// The judges' side: who tastes, and one card at a time. Codes only; no ball stands on it.

import { $, app, ask, button, dayWords, line, make, recall, remember, show, spot, today } from "./page.js";
import { showForm } from "./form.js";

export function showJudges(said = "") {
  const trial = app.trial;
  $("saved").textContent = ""; // it may name a ball
  if (!trial?.judges.length) return show(line("This trial has no judges."));
  const now = trial.sessions.filter((s) => s.day === today());
  if (!trial.sessions.some((s) => s.session === app.session)) app.session = now.length === 1 ? now[0].session : "";
  return show(line(said, { class: said ? "wrong" : "", role: "alert" }),
    make("h2", { text: "Which session?" }),
    make("div", { class: "row" }, ...trial.sessions.map((s) => button(`${s.session} ${s.day ? dayWords(s.day) : ""}`,
      () => { app.session = s.session; showJudges(); }, { "aria-pressed": String(s.session === app.session) }))),
    make("h2", { text: "Who tastes?" }),
    make("div", { class: "row" }, ...trial.judges.map((j) => button(j, () => (app.session ? openCard(j, app.session) : showJudges("Choose the session first."))))),
    line("The card shows three-digit codes only, in your own order.", { class: "help" }));
}

export async function openCard(judge, session) {
  const key = `doughlab.${spot}.card.${judge}.${session}`;
  let card = await ask("card", { judge, session });
  if (card && !card.refused) remember(key, JSON.stringify(card));
  if (!card) { try { card = JSON.parse(recall(key)); } catch { card = null; } }
  if (!card || card.refused) return show(line(card?.refused ?? "No connection, and this card was not opened here before.", { class: "wrong" }));
  app.view = "judge";
  const mine = new Set(app.queue.pending.filter((e) => e.action === "score" && e.session === session).map((e) => e.about));
  const asked = card.asked || app.queue.pending.some((e) => e.action === "consent" && e.about === judge);
  const consent = () => showForm({ action: "consent", about: judge, judge, session, fixed: true });
  const sittings = new Map();
  for (const c of card.codes) sittings.set(c.sitting, [...(sittings.get(c.sitting) ?? []), c]);
  const lists = [...sittings].flatMap(([at, codes]) => [at ? make("h2", { text: `Sitting at ${at}` }) : null,
    card.first ? line(`first, not scored: ${card.first}`, { class: "note" }) : null,
    make("ul", { class: "plain" }, ...codes.map((c) => make("li", {}, button(
      `${c.position}. sample ${c.code}${c.done ? " (scored)" : mine.has(String(c.code)) ? " (kept on the phone)" : ""}`,
      () => showForm({ action: "score", about: String(c.code), session, judge, fixed: true }),
    ))))]);
  return show(make("h2", { text: `${judge}, ${session}` }),
    card.stop ? line(card.stop, { class: "wrong", role: "alert" }) : null,
    asked ? null : make("div", { class: "note" }, line("Asked once, before the first sample: which allergies do you have, and do you agree to taste?"),
      button("Write it down", consent)),
    make("ul", {}, ...(card.told ?? []).map((text) => make("li", { text }))),
    sittings.size > 1 ? line(card.rest) : null,
    card.codes.length || card.stop ? null : line("No samples in this session."),
    ...(card.stop ? [] : lists),
    asked ? button("Allergies, consent: say it anew", consent) : null);
}
