"""What a report says of looks and of a part that is judged alone."""

from dataclasses import replace
from datetime import datetime

import numpy as np
import pytest

from doughlab.analysis import analyse
from doughlab.decision import decide
from doughlab.plan.extend import extend_plan, read_wish, write_extension
from doughlab.report.blocks import Listing, Words
from doughlab.report.deciding import decision_chapter
from doughlab.report.findings import summarise
from doughlab.report.results import answer_chapter, results_chapter
from doughlab.report.text import Texts
from doughlab.trial import Trial

AT = datetime.fromisoformat("2026-05-04T12:00:00+02:00")


@pytest.fixture(scope="module")
def extended(copy_trial):
    """The demo with twelve batches more; invented readings for all of their balls."""
    folder = copy_trial("lantern-quay")
    plan = extend_plan(Trial.open(folder).frozen_plan, read_wish("12"), reason="tap", at=AT)
    write_extension(plan, folder)
    own = Trial.open(folder).settings.table("readings")
    path = folder / own.path
    names = path.read_text(encoding="utf-8").splitlines()[0].split(",")
    due = {r["item"]: r["due_at"] for r in plan.schedule if r["step"] == "read"}
    rng = np.random.default_rng(5)
    lines = []
    for ball in plan.balls:
        if ball["purpose"] != "ph" or int(ball["batch_id"][1:]) < 25:
            continue
        at = due[ball["ball_id"]]
        row = {"entry_id": f"new-{ball['ball_id']}", "entered_at": at, "action": "add",
               "ball_id": ball["ball_id"], "read_at": at, "method": "slurry",
               "ph": round(5.9 - 0.006 * ball["hold_h"] + rng.normal(0, 0.04), 2)}  # fmt: skip
        lines.append(",".join(own.column(n).write(row.get(n)) for n in names))
    with path.open("a", encoding="utf-8") as file:
        file.write("\n".join(lines) + "\n")
    return Trial.open(folder)


def texts_of(section):
    found = []
    for block in section.blocks:
        found += [block.text] if isinstance(block, Words) else []
        found += list(block.items) if isinstance(block, Listing) else []
    for part in section.parts:
        found += texts_of(part)
    return found


def test_a_part_judged_alone_is_said_first_and_pooled_numbers_stand_apart(extended):
    analyses = {"ph": analyse(extended, "ph")}
    said = texts_of(answer_chapter(extended, analyses, {}, Texts()))
    assert said[0] == (
        "Part 2 (B25 to B36) was added after a look that was not planned, so it is judged alone; "
        "with the batches before it there would be too many false alarms. All batches together "
        "are given as a second view, without a verdict."
    )
    chapter = results_chapter(analyses, Texts())
    second = [p for p in chapter.parts[0].parts if p.title == "Second view, without verdicts"]
    lines = texts_of(second[0])
    assert lines[0] == "All 36 batches together, a second view without verdicts (95 % ranges):"
    assert len(lines) == 1 + sum(len(a.comparisons) for a in analyses["ph"].second_view)
    assert not any(word in line for line in lines[1:] for word in ("matters", "same", "settled"))


def test_the_decision_says_which_response_stands_on_what(extended):
    decision = decide(extended)
    alone, before = [s for s in decision.standing if "was added after a look" in s]
    assert alone.startswith("pH: Part 2 (B25 to B36) was added after a look")
    assert before.startswith("bake score: Part 2 (B25 to B36) was added after a")
    told = decision_chapter(extended, {"ph": analyse(extended, "ph")}, None, Texts())
    said = texts_of(told.section)
    assert any(s.startswith("Part 2 (B25 to B36)") for s in said)


def test_a_provisional_answer_says_so_in_its_summary(ph):
    answer = ph.answer("water")
    plain = summarise(ph, answer, Texts())
    early = replace(answer, comparisons=tuple(replace(c, provisional=True)
                                              for c in answer.comparisons))  # fmt: skip
    assert summarise(ph, early, Texts()) == (
        f"So far, and provisional: {plain[0].lower()}{plain[1:]}"
    )


def test_ranges_are_named_with_their_level(ph, demo):
    data = ph.dataset
    wide = replace(ph, model=replace(ph.model, dataset=replace(
        data, standing=replace(data.standing, level=0.9969))))  # fmt: skip
    said = texts_of(answer_chapter(demo, {"ph": wide}, {}, Texts()))
    assert any(s.startswith("Numbers in brackets are 99.7 % ranges.") for s in said)
