"""The page: valid, self-contained, readable without pictures, and true to the analysis."""

import hashlib
import os
import re
import shutil
import subprocess
import sys
from html import unescape
from itertools import pairwise

import html5lib
import pytest

from doughlab.report.page import REPORT, build_report, compose_page
from doughlab.report.planning import plan_chapter
from doughlab.report.text import Texts
from doughlab.trial import Trial

XHTML = "{http://www.w3.org/1999/xhtml}"


def parsed(text):
    """Parse strictly: any error of HTML raises."""
    return html5lib.HTMLParser(strict=True).parse(text)


@pytest.fixture(scope="module")
def tree(page):
    return parsed(page)


def all_of(tree, *names):
    return [e for e in tree.iter() if e.tag in {XHTML + n for n in names}]


def words_of(text):
    """What a reader sees: no markup, no picture data, plain spaces and minus signs."""
    text = re.sub(r"<style>.*?</style>", "", text, flags=re.DOTALL)
    text = re.sub(r'src="data:[^"]*"', "", text)
    shown = " ".join(re.findall(r'alt="([^"]*)"', text))
    text = unescape(re.sub(r"<[^>]+>", " ", text) + " " + shown)
    text = (
        text.replace("\u00a0", " ")
        .replace("\u2212", "-")
        .replace("\u2013", "-")
        .replace("\u00d7", "x")
    )
    return re.sub(r"\s+", " ", text)


def test_page_is_valid_html_with_language_and_viewport(tree):
    (html,) = all_of(tree, "html")
    assert html.get("lang") == "en"
    assert any(m.get("name") == "viewport" for m in all_of(tree, "meta"))
    assert any(m.get("charset") == "utf-8" for m in all_of(tree, "meta"))
    (title,) = all_of(tree, "title")
    assert title.text.strip()


def test_headings_descend_one_step_at_a_time(tree):
    levels = [int(e.tag[-1]) for e in all_of(tree, "h1", "h2", "h3", "h4", "h5", "h6")]
    assert levels[0] == 1 and levels.count(1) == 1
    assert all(b - a <= 1 for a, b in pairwise(levels))


def test_page_asks_nothing_from_outside(page, tree):
    for element in tree.iter():
        for name in ("src", "href", "action", "srcset", "data", "poster"):
            value = element.get(name)
            if value is not None:
                assert value.startswith(("data:image/", "#")), value[:60]
    assert not all_of(tree, "script", "link", "iframe", "object", "embed")
    css = re.search(r"<style>(.*?)</style>", page, flags=re.DOTALL)[1]
    assert "url(" not in css and "@import" not in css


def test_anchors_lead_somewhere_and_ids_stand_once(tree):
    ids = [e.get("id") for e in tree.iter() if e.get("id")]
    assert len(ids) == len(set(ids))
    for link in all_of(tree, "a"):
        assert link.get("href").removeprefix("#") in ids


def test_every_picture_has_numbers_in_its_alternative_text_and_a_caption(tree):
    images = all_of(tree, "img")
    assert len(images) >= 12
    for image in images:
        assert re.search(r"\d", image.get("alt")) and len(image.get("alt")) > 40
    for figure in all_of(tree, "figure"):
        (caption,) = [e for e in figure if e.tag == XHTML + "figcaption"]
        assert caption.text.strip().endswith(".")


def test_tables_have_captions_and_scopes(tree):
    tables = all_of(tree, "table")
    assert len(tables) >= 10
    for table in tables:
        assert next(e for e in table if e.tag == XHTML + "caption").text.strip()
        heads = [e for e in table.iter() if e.tag == XHTML + "th"]
        assert heads and all(h.get("scope") in ("col", "row") for h in heads)
        rows = [e for e in table.iter() if e.tag == XHTML + "tr"]
        assert len({len(list(row)) for row in rows}) == 1


def test_page_never_promises_too_much(page):
    found = re.findall(r"\b(?:safe|safely|pass|passes|passed|release[sd]?)\b", words_of(page), re.I)
    assert not found


def test_every_difference_stands_with_range_and_verdict(page, analyses):
    shown = words_of(page)
    for result in analyses.values():
        for answer in result.answers:
            assert answer.question.text in shown
            for c in answer.comparisons:
                number = f"{c.estimate_text.strip()} {c.range_text}".replace("( ", "(")
                number = number.replace("to  ", "to ")
                words = c.named if answer.split else c.words
                assert f"{words} {number} {c.verdict_text}" in shown


def test_answers_stand_before_everything_else(page, analyses):
    shown = words_of(page)
    first = [shown.index(q.text) for q in analyses["ph"].settings.questions if q.primary]
    assert max(first) < shown.index("Waters as sampled")


def test_lost_balls_and_corrections_stand_with_their_reasons(page, demo):
    shown = words_of(page)
    lost = {b: s for b, s in demo.ball_states.items() if s.state == "lost"}
    assert lost
    for ball, state in lost.items():
        assert f"{ball} {'readings' if state.purpose == 'ph' else 'bakes'} {state.lost_reason}" in (
            shown
        )
    corrected = [r for r in demo.records.history("readings") if r["action"] == "replace"]
    assert corrected
    for row in corrected:
        assert row["reason"] in shown


def test_counts_of_balls_are_those_of_plan_and_notes(page, demo):
    balls = {b["ball_id"]: b["purpose"] for b in demo.frozen_plan.balls}
    lost = [balls[n["about"]] for n in demo.records.notes if n["kind"] == "lost"]
    read = {r["ball_id"] for r in demo.records.readings}
    planned = list(balls.values()).count("ph")
    gone = lost.count("ph")
    assert f"readings {planned} {len(read)} {gone} {planned - len(read) - gone}" in words_of(page)


# What the usual cautions have to name, in the words of the design of this project.
CAUTIONS = (
    "raw flour or raw dough", "allergen", "not for sale", "41 °F", "chlorine sanitiser: toxic gas",
    "sealed container", "Food-grade acid", "eyes and skin", "plumbed lines", "attacks metal",
    "never baked or served", "thrown away", "Ask every judge about allergies", "wash hands",
    "Local code", "whether a water is fit to drink is not judged", "check with the meter",
)  # fmt: skip


@pytest.mark.parametrize("caution", CAUTIONS)
def test_caution_stands_on_the_page(page, caution):
    assert caution in words_of(page)


def test_page_speaks_of_the_last_record_and_says_that_it_is_invented(page, demo):
    shown = words_of(page)
    assert f"{demo.records.last_at:%Y-%m-%d %H:%M}" in shown
    assert "Invented: kitchen, waters and numbers of this trial are made up." in shown


def test_checksums_are_those_of_the_files(page, demo):
    shown = words_of(page)
    for name in ("trial.toml", "plan/plan.lock", "record/readings.csv"):
        digest = hashlib.sha256((demo.folder / name).read_bytes()).hexdigest()
        assert digest in shown


def test_methods_name_model_and_sources(page, ph):
    shown = words_of(page)
    assert ph.fit.design.formula.text in shown
    assert "Kenward, M. G., Roger, J. H. (1997)" in shown
    assert "Tukey" in shown


def test_changed_after_the_plan_stands_on_the_first_page(tiny):
    path = tiny.folder / "trial.toml"
    text = path.read_text(encoding="utf-8").replace("margin = 0.1", "margin = 0.2")
    path.write_text(text, encoding="utf-8")
    shown = words_of(compose_page(Trial.open(tiny.folder)))
    assert shown.index("was changed after its plan was kept") < shown.index("Which <water>?")
    assert re.search(r"Changed after the plan: .*margin", shown)


def test_interim_stands_before_the_answers_and_the_ball_is_drawn_as_due(tiny):
    text = compose_page(tiny)
    parsed(text)
    shown = words_of(text)
    sentence = "Interim: no pH yet for 1 of 8 balls."
    assert shown.index(sentence) < shown.index("Which <water>?")
    due = [b["ball_id"] for b in tiny.frozen_plan.balls if b["purpose"] == "ph"][-1]
    assert f"Still due: {due}." in shown


def test_own_words_stand_on_the_page(tiny):
    own = Texts({"language": "de", "head_answer": "Frage und Antwort"})
    text = compose_page(tiny, texts=own)
    assert "Frage und Antwort" in text and '<html lang="de">' in text


def test_a_trial_without_a_plan_gets_a_page_that_says_so(unplanned):
    text = compose_page(unplanned)
    parsed(text)
    shown = words_of(text)
    assert "No plan is kept in this folder." in shown
    assert "Nothing has been recorded yet." in shown
    assert "No answer yet: No plan is kept in this folder." in shown
    assert str(unplanned.folder) not in shown


def test_what_people_typed_cannot_become_markup(planned):
    text = compose_page(planned)
    assert "<b>&" not in text and "Tiny &lt;b&gt;&amp; small&lt;/b&gt;" in text


def test_a_water_from_a_well_and_an_unknown_alkalinity_are_remarked(planned):
    shown = words_of(compose_page(planned))
    assert "well: laboratory test before anybody tastes it" in shown
    assert "well: its alkalinity is not known" in shown
    assert "Laboratory test before anybody tastes it." in shown


def test_a_plan_without_records_gets_its_calendar_and_no_answer(planned):
    page = compose_page(planned)
    parsed(page)
    shown = words_of(page)
    assert "Calendar of the plan." in shown
    assert "No answer yet: No pH has been recorded" in shown
    assert "8 batches" in shown


BUILD = """
import sys
from doughlab.report import build_report
from doughlab.trial import Trial
print(build_report(Trial.open(sys.argv[1])))
"""


def test_same_folder_gives_the_same_bytes_elsewhere_too(tiny, tmp_path):
    path = build_report(tiny)
    assert path == tiny.folder / REPORT
    assert [p.name for p in path.parent.iterdir()] == ["report.html"], "nothing is left beside it"
    first = path.read_bytes()
    assert b"\r" not in first
    assert str(tiny.folder).encode() not in first, "the page does not tell where it was made"
    other = tmp_path / "elsewhere" / "copy"
    shutil.copytree(tiny.folder, other, ignore=shutil.ignore_patterns("report"))
    env = {**os.environ, "PYTHONHASHSEED": "2", "TZ": "Pacific/Auckland", "LC_ALL": "C.UTF-8"}
    subprocess.run([sys.executable, "-W", "error", "-c", BUILD, str(other)], env=env,
                   cwd=tmp_path, check=True, capture_output=True)  # fmt: skip
    assert (other / REPORT).read_bytes() == first


# Cochran and Cox (1957), cakes: F tests of recipe, temperature and their interaction in the
# split-plot analysis of the data set `cake` of the R package lme4 (aov with Error strata, the same
# as lmerTest and pbkrtest since the set is balanced): F = 0.248788787 on 2 and 42, 20.519860429 on
# 5 and 210, 1.006197984 on 10 and 210 degrees of freedom.
CAKE = (
    ("recipe", "0.25", "2", "42.0"),
    ("baking temperature", "20.52", "5", "210.0"),
    ("recipe x baking temperature", "1.01", "10", "210.0"),
)


def test_published_experiment_gives_the_published_tests(copy_trial):
    from doughlab.report.methods import methods_chapter
    from doughlab.report.page import analyse_all

    trial = Trial.open(copy_trial("cake"))
    found, _ = analyse_all(trial)
    chapter = methods_chapter(trial, found, Texts())
    grids = [b for part in chapter.parts for b in part.blocks if b.type == "grid"]
    (tests,) = [g for g in grids if g.caption.startswith("Tests of the fixed terms")]
    assert [row[:4] for row in tests.rows] == [tuple(row) for row in CAKE]
    plan = plan_chapter(trial, Texts())
    said = " ".join(b.text for b in plan.blocks if b.type == "words")
    assert "drawn by lot" not in said, "nobody here drew the order of a published experiment"


def test_the_page_says_what_kind_of_plan_it_was(tmp_path):
    """A ready trial by name: the sentences of the plan room, as they stand there."""
    from doughlab.cli import main

    folder = tmp_path / "hard"
    assert main(["new", str(folder), "--for", "pilot"]) == 0
    assert main(["plan", str(folder), "--keep"]) == 0
    plan = plan_chapter(Trial.open(folder), Texts())
    said = [b.text for b in plan.blocks if b.type == "words"]
    assert any(text.startswith("A pilot: nothing is varied.") for text in said)
    assert all(text.endswith(".") for text in said)


def test_the_page_tells_how_the_judges_worked(page, score):
    """Means per judge recounted from the scores that were read, not from the panel check."""
    shown = words_of(page)
    assert "How the judges worked" in shown
    assert "No verdict depends on this: judges who disagree widen the ranges above." in shown
    means = score.dataset.frame.groupby("judge")["y"].agg(["size", "mean"])
    assert len(means) == 4
    for judge, row in means.iterrows():
        assert f"{judge} {row['size']:.0f} {row['mean']:.1f}" in shown


def test_a_measured_response_has_no_judges_to_tell_of(page):
    (start,) = [m.start() for m in re.finditer('id="results-ph"', page)]
    (end,) = [m.start() for m in re.finditer('id="results-score"', page)]
    assert "How the judges worked" not in page[start:end]
    assert "How the judges worked" in page[end:]


def test_what_hangs_on_one_batch_stands_on_the_page(page, analyses):
    """The sentences of the checks, and a line where no verdict hangs on a batch."""
    from doughlab.report.results import one_left_out

    shown = words_of(page)
    for result in analyses.values():
        found = result.checks.influence
        told = one_left_out(result)
        assert told == (found.sentences or (f"W{found.line[1:]}.",))
        for sentence in told:
            assert sentence in shown


def test_notes_stand_in_kitchen_words(ph, monkeypatch):
    """A note of the fit never reaches the page with the name of a term or a test in it."""
    from dataclasses import replace

    from doughlab.report import results
    from doughlab.report.text import Texts

    note = "The variance of batch is estimated at zero. Kenward-Roger tests wait."
    monkeypatch.setattr(type(ph), "notes", property(lambda self: (note,)))
    part = results._noticed_part(replace(ph), Texts())
    shown = " ".join(s for block in part.blocks for s in getattr(block, "items", ()))
    words = (
        "No difference between batches shows beyond the rest (variance estimated at zero). If "
        "batches do differ, ranges of what is set for each batch are too narrow."
    )
    assert words in shown
    assert "Kenward-Roger" not in shown


def test_the_decision_tells_what_stands_behind_the_choice(page):
    shown = words_of(page)
    for words in (
        "Not judged, for want of a limit: bake score; cost of water; hours of work.",
        "which weighs more is yours to judge.",
        "Mixing water was kept to",
        "Stands until the room leaves",
    ):
        assert words in shown


def test_the_first_page_says_of_what_by_how_much_and_why_not_another(whole, page):
    """A client reads one sheet: unit and margin of every question, the others, no file's key."""
    answer = whole.sections[0]
    asked = [b.question for b in answer.blocks if b.type == "finding"]
    assert asked == [
        "Which water? (pH; margin 0.10; averaged over the holds, which change no difference by the "
        "margin)",
        "Which water bakes better? (bake score; margin 1.0 points; at 48 h)",
        "How long a hold? (pH; margin 0.10)",
    ]
    (others,) = (b.items for b in answer.blocks if b.type == "listing")
    assert [line.partition(":")[0] for line in others] == [
        "Reverse osmosis", "Bottled", "Mixing water 54 F", "Hydration 60 %",
    ]  # fmt: skip
    assert "USD more for 1000 balls" in others[0]
    shown = words_of(page)
    assert "of 10 new balls are inside pH 5.35-5.75" in shown
    assert "The window, pH 5.35-5.75, was set before the trial." in shown
    for key in ("in [responses", "in [limits]", "[looks]"):
        assert key not in shown


def drawings_of(section):
    yield from (b.picture for b in section.blocks if b.type == "drawing")
    for part in section.parts:
        yield from drawings_of(part)


def test_letters_on_every_picture_are_11_px_on_a_phone_and_8_pt_on_paper(whole):
    """390 px less the margins of the page; 8 pt is about the smallest print of newspapers.

    Both limits are common practice, no source.
    """
    from matplotlib.text import Text

    pictures = [p for s in whole.sections for p in drawings_of(s)]
    assert len(pictures) >= 20
    for picture in pictures:
        px_per_pt = (390 - 2 * 8) / (72 * picture.fig.get_size_inches()[0])
        sizes = [t.get_fontsize() for t in picture.fig.findobj(Text) if t.get_text().strip()]
        assert min(sizes) * px_per_pt >= 11 and min(sizes) >= 8, picture.caption


def test_hours_and_days_since_stand_in_the_report(page):
    shown = words_of(page)
    assert "Under it how many of ten new balls are inside" in shown
    assert "Every day since" in shown and "The last 5: " in shown
