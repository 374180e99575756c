"""Chapters of the answers: first page, results response by response, and what was not settled.

`page` puts them in order. Numbers come from the analyses, pictures from `pictures`.
Nothing is computed here; the decision and the methods are left to `methods`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

from doughlab.analysis.agreement import check_panel
from doughlab.analysis.answers import SHARED_ERROR, Answer, forecast_words
from doughlab.analysis.plain import plain_words
from doughlab.analysis.standing import tell_standings
from doughlab.analysis.summary import basis_sentence, second_view_title
from doughlab.analysis.wording import amount_words, decimals_for, level_words, signed
from doughlab.decision.followup import waiting
from doughlab.errors import DoughlabError, NotEstimable
from doughlab.plan.looks import level_text
from doughlab.report.blocks import (
    Block,
    Drawing,
    Finding,
    Grid,
    Head,
    Listing,
    Section,
    Words,
    grid_of,
)
from doughlab.report.deciding import Told, without_keys
from doughlab.report.figures import (
    means_at,
    number_words,
    place_of,
    ranges_named,
    unit_words,
    verdict_words,
)
from doughlab.report.findings import finding_of
from doughlab.report.pictures import (
    picture_balls,
    picture_contrasts,
    picture_interaction,
    picture_means,
    picture_residuals,
)
from doughlab.report.text import Texts

if TYPE_CHECKING:
    from doughlab.analysis.analyse import Analysis
    from doughlab.analysis.contrasts import Comparison
    from doughlab.report.subject import Subject

Analyses = Mapping[str, "Analysis"]
NOTHING_TOLD = Told(Section("decision", ""))


def answer_chapter(
    trial: Subject,
    analyses: Analyses,
    failed: Mapping[str, str],
    texts: Texts,
    told: Told | None = None,
) -> Section:
    """Put question and answer first: the decision in a line, then every primary question.

    Parameters
    ----------
    trial : Trial
    analyses : mapping of str to Analysis
        By response.
    failed : mapping of str to str
        Response to the reason why it could not be analysed.
    texts : Texts
    told : Told, optional
        The decision, with the sentences of it that open the report.
    """
    say = texts.say
    blocks: list[Block] = []
    if trial.frozen_plan is not None and trial.frozen_plan.changed:
        blocks.append(Words(say("changed_some"), "caution"))
    for a in analyses.values():
        if a.dataset.missing:
            count, words = len(a.dataset.missing), a.response.words
            planned = a.dataset.planned
            text = say("interim", count=count, planned=planned, response=words)
            blocks.append(Words(text, "caution"))
        if a.dataset.absent:
            judges = ", ".join(f"{judge} {n}" for judge, n in a.dataset.absent.items())
            text = say("interim_scores", response=a.response.words, judges=judges)
            blocks.append(Words(text, "caution"))
    standing = tell_standings({a.response.words: a.dataset.standing for a in analyses.values()})
    blocks += [Words(sentence, "caution") for sentence in standing]
    told, kinds = told or NOTHING_TOLD, ("decision", "lead")
    blocks += [Words(text, kind) for text, kind in zip(told.lead, kinds, strict=False)]
    if told.others:
        blocks += [Words(say("others"), "note"), Listing(told.others)]
    blocks += primary_findings(trial, analyses, texts)
    blocks += [Words(say("answer_none", why=why)) for why in dict.fromkeys(failed.values())]
    if analyses:
        named = dict.fromkeys(ranges_named(a, texts) for a in analyses.values())
        blocks.append(Words(say("ranges", ranges=" / ".join(named)), "note"))
    if any(f.kind == "water" for f in trial.settings.factors.values()):
        blocks.append(Words(say("water_about"), "note"))
    return Section("answer", say("head_answer"), tuple(blocks))


def primary_findings(trial: Subject, analyses: Analyses, texts: Texts) -> list[Finding]:
    """Answer the primary questions in the order of trial.toml.

    Parameters
    ----------
    trial : Trial
    analyses : mapping of str to Analysis
        By response.
    texts : Texts
    """
    found = {
        answer.question: (a, answer)
        for a in analyses.values()
        for answer in a.answers
        if answer.primary
    }
    return [
        finding_of(*found[q], texts) for q in trial.settings.questions if q.primary and q in found
    ]


def results_chapter(analyses: Analyses, texts: Texts) -> Section:
    """Give the results of every response: sentences, pictures with raw balls, tables."""
    parts = [_response_part(a, texts) for a in analyses.values()]
    return Section("results", texts.say("head_results"), (), tuple(parts))


def _response_part(result: Analysis, texts: Texts) -> Section:
    say, data, response = texts.say, result.dataset, result.response
    lost = say("based_lost", count=len(data.lost)) if data.lost else ""
    blocks: list[Block] = [
        Words(say("based", recorded=data.recorded, planned=data.planned, response=response.words,
                  lost=lost, margin=amount_words(response.margin, response))),
        Words(basis_sentence(result)),
    ]  # fmt: skip
    along = _along(result)
    if along is not None:
        blocks += draw(lambda: picture_interaction(result, *along, texts=texts), texts)
    parts = [_factor_part(result, answer, texts) for answer in _one_each(result.answers)]
    parts += [_numbers_part(result, texts), *_panel_part(result, texts)]
    parts += _second_view_part(result, texts)
    parts.append(_noticed_part(result, texts))
    title = response.words[0].upper() + response.words[1:] if response.name != "ph" else "pH"
    return Section(f"results-{response.name}", title, tuple(blocks), tuple(parts))


def _one_each(answers: tuple[Answer, ...]) -> list[Answer]:
    """Keep the first answer on each factor: the primary one where there is one."""
    kept: dict[str, Answer] = {}
    for answer in answers:
        kept.setdefault(answer.question.factor, answer)
    return list(kept.values())


def _along(result: Analysis) -> tuple[str, str] | None:
    """Choose what is drawn as lines: the colour factor along the hold, or along a ball factor."""
    from doughlab.report.lines import other_factor

    settings = result.settings
    runners = [settings.hold] if settings.hold else settings.factors_set("ball")
    for by in runners:
        if result.model.is_judged(by.name) and len(settings.factors) > 1:
            try:
                return other_factor(result, by.name), by.name
            except DoughlabError:
                return None
    return None


def _factor_part(result: Analysis, answer: Answer, texts: Texts) -> Section:
    factor = answer.question.factor
    key = f"{result.response.name}-{factor}"
    blocks: list[Block] = [finding_of(result, answer, texts)]
    if answer.split:
        blocks += draw(lambda: picture_interaction(result, answer.split, factor, texts=texts),
                       texts)  # fmt: skip
    elif not answer.unanswered:
        blocks += draw(lambda: picture_means(result, factor, texts=texts), texts)
    if not answer.unanswered and len(answer.comparisons) > 1:
        blocks += draw(lambda: picture_contrasts(result, factor, texts=texts), texts)
    words = result.settings.factor(factor).words
    return Section(key, words[0].upper() + words[1:], tuple(blocks))


def draw(make: Callable[[], Any], texts: Texts) -> list[Block]:
    """Make a picture, or say why it cannot be drawn."""
    try:
        return [Drawing(make())]
    except DoughlabError as error:
        return [Words(texts.say("no_figure", why=str(error)), "note")]


def _numbers_part(result: Analysis, texts: Texts) -> Section:
    """Give all means and all differences of a response as tables."""
    say = texts.say
    means, differences = _mean_table(result, texts), _difference_table(result, texts)
    blocks: list[Block] = [means] if means.rows else []
    if means.rows and "block" in result.model.fixed and result.settings.blocks.kind == "day":
        days = result.dataset.frame["block"].nunique()
        blocks.append(Words(say("means_days", days=days), "note"))
    blocks += [differences] if differences.rows else []
    return Section(f"{result.response.name}-numbers", say("head_numbers"), tuple(blocks))


def _mean_table(result: Analysis, texts: Texts) -> Grid:
    """Lay the means of every factor out, with the unit once in the head."""
    say, settings = texts.say, result.settings
    d = decimals_for(result.response.margin)
    rows = []
    for answer in _one_each(result.answers):
        name = answer.question.factor
        along, at = place_of(result, name)
        own = settings.factor(name)
        try:
            table = means_at(result, name, along=along, at=at)
        except NotEstimable:
            continue
        where = level_words(settings.factor(along), at) if at else ""
        for r in table.to_dict("records"):
            low, high = (f"{r[c]:.{d}f}" for c in ("ci_low", "ci_high"))
            numbers = [f"{r['estimate']:.{d}f}", say("from_to", low=low, high=high)]
            count = f"{r['n']:.0f} {say(f'unit_{own.set}')}" if "n" in r else ""
            setting = level_words(own, str(r["level"]))
            joint = " " if own.kind == "number" else ": "
            rows.append([f"{own.words}{joint}{setting}", where, *numbers, count])
    heads = [Head(say("col_level")), Head(say("col_at"), number=False),
             Head(say("col_mean"), unit_words(result.response)), Head(say("range", level="95")),
             Head(say("col_based_on"))]  # fmt: skip
    return grid_of(say("means_caption", response=result.response.words), heads, rows)


def _difference_table(result: Analysis, texts: Texts) -> Grid:
    """Lay all differences out, with what they rest on."""
    say = texts.say
    rows = []
    places = decimals_for(result.response.margin) + 1
    for answer in result.answers:
        for c in answer.comparisons:
            d = c.decimals
            low, high = (signed(v, d).strip() for v in (c.ci_low, c.ci_high))
            rows.append(
                [c.words, c.at or _averaged(answer, texts), c.estimate_text.strip(),
                 say("from_to", low=low, high=high), f"{c.std_error:.{places}f}", f"{c.df:.1f}",
                 verdict_words(c, texts)]
            )  # fmt: skip
    span = say("range", level=level_text(result.dataset.standing.level))
    heads = [Head(say("col_comparison")), Head(say("col_at"), number=False),
             Head(say("col_difference"), unit_words(result.response)), Head(span),
             Head(say("col_error")), Head(say("col_df")),
             Head(say("col_verdict"), number=False)]  # fmt: skip
    return grid_of(say("contrasts_caption", response=result.response.words), heads, rows)


def _averaged(answer: Answer, texts: Texts) -> str:
    """Say of a difference that it is averaged over the holds; empty for the hold itself."""
    return texts.say("average") if answer.averaged_over_holds and answer.reason else ""


def _second_view_part(result: Analysis, texts: Texts) -> list[Section]:
    """Give the differences of all batches together, where a part is judged alone."""
    lines = tuple(
        f"{c.words}{' ' + texts.say('at_hold', hold=c.at) if c.at else ''}: "
        f"{number_words(c, texts)}"
        for answer in result.second_view
        for c in answer.comparisons
    )
    if not lines:
        return []
    title = second_view_title(result)
    blocks: tuple[Block, ...] = (Words(title), Listing(lines))
    return [Section(f"{result.response.name}-second", texts.say("second_view"), blocks)]


def _panel_part(result: Analysis, texts: Texts) -> list[Section]:
    """Tell how the judges worked, for a scored response with two of them or more."""
    frame, say = result.dataset.frame, texts.say
    if "judge" not in frame or frame["judge"].nunique() < 2:
        return []
    panel = check_panel(result)
    try:
        blocks: list[Block] = [Listing(panel.sentences), Words(say("panel_note"), "note")]
    except NotEstimable as error:
        blocks = [Words(str(error))]
    use = panel.scale_use
    columns = ["n", "mean", "shift", "stretch", "noise_sd"]
    kept = use.dropna(subset=columns)
    rows = [
        [row["judge"], f"{row['n']:.0f}", f"{row['mean']:.1f}", signed(row["shift"], 1).strip(),
         f"{row['stretch']:.2f}", f"{row['noise_sd']:.1f}"]
        for _, row in kept.iterrows()
    ]  # fmt: skip
    heads = [
        Head(say(f"col_{name}"))
        for name in ("judge", "scored", "mean", "shift", "stretch", "noise_sd")
    ]
    if rows:
        blocks.append(grid_of(say("panel_caption"), heads, rows))
    return [Section(f"{result.response.name}-panel", say("head_panel"), tuple(blocks))]


def _noticed_part(result: Analysis, texts: Texts) -> Section:
    """Tell what nobody asked: unusual balls and batches, judges, what was left out."""
    say = texts.say
    sentences = (*result.noticed, *one_left_out(result), *result.dataset.left_out)
    blocks: list[Block] = [Listing(sentences) if sentences else Words(say("noticed_none"))]
    blocks += draw(lambda: picture_residuals(result, texts=texts), texts)
    said = {*result.dataset.left_out, *result.changed}
    factors = result.settings.factors
    notes = tuple(plain_words(n, factors) for n in result.notes if n not in said)
    if notes:
        blocks.append(Listing(notes))
    return Section(f"{result.response.name}-noticed", say("head_noticed"), tuple(blocks))


def one_left_out(result: Analysis) -> tuple[str, ...]:
    """Say what hangs on a single batch; with no verdict that does, that none does.

    Parameters
    ----------
    result : Analysis

    Returns
    -------
    tuple of str
        Empty where the batches are too few to leave one out.
    """
    try:
        found = result.checks.influence
    except DoughlabError:
        return ()
    if found is None or not len(found.table):
        return ()
    line = f"{found.line[:1].upper()}{found.line[1:]}."
    return found.sentences or (line,)


def ball_pictures(analyses: Analyses, texts: Texts) -> list[Block]:
    """Picture all balls in mixing order, one picture per response."""
    return [
        block
        for a in analyses.values()
        for block in draw(lambda a=a: picture_balls(a, texts=texts), texts)  # type: ignore[misc]
    ]


def comparison_key(result: Analysis, comparison: Comparison) -> tuple[str, ...]:
    """Name a difference so that the same one is found again in another trial."""
    c = comparison
    return (result.response.name, c.unit, c.factor, c.words, c.at)


def open_comparisons(analyses: Analyses, texts: Texts) -> list[tuple[tuple[str, ...], str]]:
    """List the differences that were asked for and not settled: key and sentence."""
    say = texts.say
    return [
        (comparison_key(a, c),
         say("open_one", question=answer.question.text, comparison=c.words,
             number=number_words(c, texts), at=f" {say('at_hold', hold=c.at)}" if c.at else "",
             settle=forecast_words(answer.forecasts[c.named], c)))
        for a in analyses.values()
        for answer in a.answers
        if answer.asked
        for c in answer.comparisons
        if c.named in answer.forecasts
    ]  # fmt: skip


def open_chapter(analyses: Analyses, failed: Mapping[str, str], texts: Texts) -> Section:
    """List what was not settled, and how many more batches would settle it."""
    say = texts.say
    items = [sentence for _, sentence in open_comparisons(analyses, texts)]
    items += [SHARED_ERROR] if items else []
    items += waiting(analyses.values(), primary=False)
    items += [
        f"{answer.question.text} {say('sum_unanswered', why=answer.unanswered)}"
        for a in analyses.values()
        for answer in a.answers
        if answer.asked and answer.unanswered
    ]
    items += [say("answer_none", why=why) for why in dict.fromkeys(failed.values())]
    said = tuple(without_keys(item) for item in items)
    blocks: tuple[Block, ...] = (Listing(said),) if said else (Words(say("open_none")),)
    return Section("open", say("head_open"), blocks)
