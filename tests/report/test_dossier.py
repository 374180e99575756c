"""Several trials in one dossier: in order, whole, with one first part over all of them."""

import csv
import re
import shutil

import html5lib
import pytest

from doughlab.cli import main
from doughlab.errors import InputError
from doughlab.report import dossier
from doughlab.report.dossier import begun_at, build_dossier, compose_dossier
from doughlab.report.page import analyse_all, compose_document, render_document
from doughlab.report.text import Texts
from doughlab.trial import Trial

from .conftest import make_tiny, renew_ids


@pytest.fixture(scope="module")
def composed(tmp_path_factory):
    """A small trial beside a copy of itself, begun a year before, with texts of its own."""
    late = make_tiny(tmp_path_factory.mktemp("late") / "tiny")
    folder = tmp_path_factory.mktemp("early") / "tiny"
    shutil.copytree(late.folder, folder)
    for path in [folder / "trial.toml", *folder.glob("plan/*"), *folder.glob("record/*.csv")]:
        text = path.read_text(encoding="utf-8").replace("2026-03-", "2025-03-")
        path.write_text(text.replace('code = "TINY"', 'code = "OLD"'), encoding="utf-8")
    renew_ids(folder)
    (folder / "report-texts.toml").write_text('head_plan = "Der Plan"\n', encoding="utf-8")
    return late, compose_dossier([late, Trial.open(folder)])


def test_a_copy_in_a_dossier_is_named_and_not_counted_again(composed, tmp_path):
    late, _ = composed
    shutil.copytree(late.folder, tmp_path / "copy")
    document, _ = compose_dossier([late, Trial.open(tmp_path / "copy")])
    said = [b.text for p in document.sections[0].parts for b in p.blocks if b.type == "words"]
    assert "TINY 2 holds records of TINY 1: a copy, not counted again." in said
    assert not any("Paule and Mandel" in s for s in said)


def part(document, key):
    return next(p for p in document.sections[0].parts if p.key == key)


def test_trials_stand_in_the_order_in_which_they_were_begun(composed):
    _, (document, _) = composed
    assert [s.key for s in document.sections] == ["all", "t1", "t2"]
    assert "Trial OLD" in document.sections[1].blocks[0].text
    assert "Trial TINY" in document.sections[2].blocks[0].text


def test_the_first_part_says_what_was_asked_and_settled_over_all(composed):
    _, (document, _) = composed
    listed, use, asked, still, together = document.sections[0].parts
    assert use.blocks[0].text == "No trial of the kitchen's own recommends settings."
    assert [row[2] for row in listed.blocks[0].rows] == ["2025-03-02", "2026-03-02"]
    for part in asked.parts:
        questions = [b.question for b in part.blocks if b.type == "finding"]
        assert questions == ["Which <water>? (pH; margin 0.10)"]
    assert {item.split(": ")[0] for item in still.blocks[0].items} == {"OLD", "TINY"}
    assert together.blocks[0].heads[1].words == "OLD"


def test_what_a_later_trial_settled_is_said_so(composed, tmp_path):
    """The same balls a year later, those of one water a whole pH higher: no doubt is left."""
    first, _ = composed
    folder = tmp_path / "later"
    shutil.copytree(first.folder, folder)
    well = {b["batch_id"] for b in first.frozen_plan.batches if b["water"] == "well"}
    for path in [folder / "trial.toml", *folder.glob("plan/*"), *folder.glob("record/*.csv")]:
        text = path.read_text(encoding="utf-8").replace("2026-03-", "2027-03-")
        path.write_text(text.replace('code = "TINY"', 'code = "NEW"'), encoding="utf-8")
    path = folder / "record" / "readings.csv"
    with path.open(encoding="utf-8", newline="") as file:
        head, *rows = csv.reader(file)
    ball, ph = head.index("ball_id"), head.index("ph")
    (due,) = {b["ball_id"] for b in first.frozen_plan.balls if b["purpose"] == "ph"} - {
        row[ball] for row in rows
    }
    rows.append([due if i == ball else "last" if name == "entry_id" else cell
                 for i, (name, cell) in enumerate(zip(head, rows[-1], strict=True))])  # fmt: skip
    for row in rows:
        if row[ball].rpartition("-")[0] in well:
            row[ph] = f"{float(row[ph]) + 1:.2f}"
    with path.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file, lineterminator="\n").writerows([head, *rows])
    document, _ = compose_dossier([Trial.open(folder), first])
    still = part(document, "all-open").blocks[0].items
    assert still[0].startswith("TINY: pH, tap - well: not settled here, settled since by NEW: -")
    assert still[0].endswith(", matters.")


def test_two_trials_set_the_same_difference_side_by_side_without_a_mean(composed):
    late, (document, _) = composed
    grid = part(document, "all-together").blocks[0]
    (row,) = grid.rows
    assert [h.words for h in grid.heads][1:3] == ["OLD", "TINY"] and len(grid.heads) == 4
    assert row[0] == "pH, tap - well" and row[1] == row[2] and len(row) == 4
    (c,) = (c for a in analyse_all(late)[0]["ph"].answers for c in a.comparisons)
    assert float(row[1]) == pytest.approx(c.estimate, abs=0.005)


def test_three_trials_set_it_beside_its_mean(composed, tmp_path):
    """Three trials with the same numbers: their mean is each of them (algebra)."""
    late, _ = composed
    trials = [late]
    for name in ("second", "third"):
        shutil.copytree(trials[-1].folder, tmp_path / name)
        renew_ids(tmp_path / name)
        trials.append(Trial.open(tmp_path / name))
    document, _ = compose_dossier(trials)
    grid = part(document, "all-together").blocks[0]
    (row,) = grid.rows
    assert len(row) == len(grid.heads) == 7
    assert row[1] == row[2] == row[3] == row[4]


def test_every_trial_stands_whole_as_in_its_own_report(composed):
    late, (document, _) = composed
    own = compose_document(late, texts=Texts())
    assert [p.title for p in document.sections[2].parts] == [s.title for s in own.sections]
    assert [p.key for p in document.sections[2].parts] == [f"t2-{s.key}" for s in own.sections]


def test_each_trial_speaks_its_own_texts(composed):
    _, (document, _) = composed
    titles = [[p.title for p in s.parts] for s in document.sections[1:]]
    assert "Der Plan" in titles[0] and "Der Plan" not in titles[1]


def test_the_page_is_valid_and_its_anchors_stand_once(composed):
    page = render_document(*composed[1])
    html5lib.HTMLParser(strict=True).parse(page)
    ids = re.findall(r' id="([^"]+)"', page)
    assert len(ids) == len(set(ids))
    assert set(re.findall(r'href="#([^"]+)"', page)) <= set(ids)


def test_a_trial_without_a_plan_stands_last(planned, tmp_path):
    unplanned = make_tiny(tmp_path / "other", stage="unplanned")
    document, _ = compose_dossier([unplanned, planned])
    assert begun_at(planned) < begun_at(unplanned)
    assert "No plan is kept in this folder." in str(document.sections[2])


def test_another_ending_is_refused(planned, tmp_path):
    with pytest.raises(InputError) as caught:
        build_dossier([planned], tmp_path / "all.docx")
    assert str(caught.value).endswith(
        "all.docx ends in '.docx'. A dossier is one page or one PDF: let its name end in .html or "
        ".pdf."
    )


def test_the_command_finds_trials_in_a_folder(planned, tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(planned.folder.parent)
    assert main(["report", ".", "--dossier", "all.html"]) == 0
    assert "TINY: Tiny <b>& small</b>" in capsys.readouterr().out
    first = (planned.folder.parent / "all.html").read_bytes()
    assert main(["report", planned.folder.name, "--dossier", "all.html", "--json"]) == 0
    assert (planned.folder.parent / "all.html").read_bytes() == first
    assert main(["report", ".", "--dossier", "all.pdf"]) == 0
    assert (planned.folder.parent / "all.pdf").read_bytes().startswith(b"%PDF")


def test_options_of_one_trial_are_refused_for_several(planned, capsys, monkeypatch):
    monkeypatch.chdir(planned.folder.parent)
    assert main(["report", "tiny", "tiny"]) == 1
    said = " ".join(capsys.readouterr().err.split())
    assert said == (
        "doughlab report: 2 folders were named, and a report is about one trial. For all in one "
        "document: doughlab report tiny tiny --dossier trials.pdf"
    )
    assert main(["report", "tiny", "--dossier", "a.pdf", "--short"]) == 1
    said = " ".join(capsys.readouterr().err.split())
    assert said == (
        "doughlab report: --short is about one trial. A dossier is a page or a PDF by its name: "
        "--dossier trials.html or --dossier trials.pdf"
    )


def test_a_trial_without_a_plan_is_said_once_and_without_its_place(tiny, unplanned):
    document, _ = compose_dossier([tiny, unplanned])
    asked = part(document, "all-asked").parts[-1]
    said = [b.text for b in asked.blocks if b.type == "words"]
    assert said == ["No answer yet: No plan is kept in this folder."]
    assert str(unplanned.folder) not in render_document(document, Texts())


def test_a_published_experiment_stands_apart_and_settings_are_put_together(copy_trial):
    """By hand: each setting from the last own trial that tried it; the cake in none of them."""
    names = ("lantern-quay", "lantern-quay-second", "cake")
    chapters = [dossier._found(Trial.open(copy_trial(n))) for n in names]
    over = {p.key: p for p in dossier._over_all(chapters, Texts())}
    kinds = [row[-1] for row in over["all-list"].blocks[0].rows]
    assert kinds == ["invented", "invented", "published"]
    (lent,) = over["all-published"].parts
    assert "chocolate cakes" in lent.title
    assert len(over["all-asked"].parts) == 2
    use, note = over["all-use"].blocks
    assert use.text == (
        "house dough: tap (LQ2), mixing water 64 F (LQ), hydration 65 % (LQ) and hold 48 h (LQ2)."
    )
    assert note.text == "LQ itself recommends just these."


def test_published_trials_stand_last_whatever_their_dates(composed, copy_trial):
    late, _ = composed
    document, _ = compose_dossier([Trial.open(copy_trial("cake")), late])
    assert [row[-1] for row in part(document, "all-list").blocks[0].rows][-1] == "published"
