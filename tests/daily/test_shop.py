"""Several doughs of one shop: named, told apart, and no limits shared."""

import json
from dataclasses import replace
from datetime import UTC, datetime

import pytest

from doughlab.cli import main
from doughlab.daily.journals import read_daily
from doughlab.daily.recipe import example_recipe, read_recipe, write_recipe
from doughlab.daily.standing import chart_limits
from doughlab.report.overview import read_settled

NOW = datetime(2026, 3, 20, 12, tzinfo=UTC)
TOML = """format = 1
name = "{name}"
code = "{code}"
dough = "{name}"
timezone = "UTC"
seed = 1
"""


def keep(folder, name, code, **changes):
    folder.mkdir(parents=True)
    (folder / "trial.toml").write_text(TOML.format(name=name, code=code), encoding="utf-8")
    if changes.pop("settled", True):
        write_recipe(folder, example_recipe(dough=name, trial=name, **changes), now=NOW)
    return folder


@pytest.fixture
def desk(tmp_path):
    """A shop with two settled doughs and one that is not settled yet."""
    keep(tmp_path / "a", "house dough", "HOU")
    keep(tmp_path / "b", "pan dough", "PAN", low=5.1, high=5.4, hold_h=24.0)
    keep(tmp_path / "c", "rye dough", "RYE", settled=False)
    return tmp_path


def test_a_dough_is_named_by_the_beginning_of_a_word(desk, daily):
    code, said = daily(desk, "--dough", "pan", "--read", "5.30", "--hold", "24h")
    assert code == 0 and "5.30: inside the window." in said
    rows = read_daily(desk / "b").readings
    assert [(r["dough"], r["ph"]) for r in rows] == [("pan dough", 5.3)]
    assert read_daily(desk / "a").readings == []


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("sour", "dough 'sour' is not known. Known: house dough, pan dough, rye dough."),
        ("dough", "'dough' fits several doughs: house dough, pan dough. Say which: --dough NAME"),
    ],
)
def test_a_wrong_or_ambiguous_dough_is_answered_with_the_names(desk, daily, typed, said):
    code, found = daily(desk, "--dough", typed)
    assert (code, found) == (1, f"doughlab daily: {said}")


def test_storing_without_a_name_asks_for_it(desk, daily):
    code, said = daily(desk, "--read", "5.3", "--hold", "24h")
    assert (code, said) == (
        1, "doughlab daily: Here are several doughs: house dough, pan dough. Say which: --dough "
        "NAME",
    )  # fmt: skip


def test_a_dough_settled_in_two_folders_asks_for_the_folder(desk, daily):
    keep(desk / "d", "house dough", "HO2")
    code, said = daily(desk, "--dough", "house")
    assert code == 1 and said == (
        f"doughlab daily: 'house dough' is kept in several folders: house dough ({desk}/a, settled "
        f"2026-03-20); house dough ({desk}/d, settled 2026-03-20). Name the folder itself: "
        "doughlab daily FOLDER"
    )


def test_another_dough_than_the_folder_keeps_is_refused(desk, daily):
    code, said = daily(desk / "a", "--dough", "pan")
    assert (code, said) == (
        1, f"doughlab daily: {desk}/a: dough 'pan' is not known. Known: house dough.",
    )  # fmt: skip
    code, said = daily(desk / "a", "--new-lot", "L1", "dough=pan dough")
    assert (code, said) == (
        1, "doughlab daily: This folder keeps house dough, not pan dough. Enter the lot in the "
        "folder of its own dough, so that the two never share limits.",
    )  # fmt: skip


def test_the_shop_shows_every_dough_with_what_is_due_and_which_tray_next(desk, daily):
    daily(desk / "a", "--new-lot", "L1", "mixed_at=2026-04-08 11:00", "trays=4")
    daily(desk / "b", "--new-lot", "P1", "mixed_at=2026-04-09 08:00", "trays=2")
    code, said = daily(desk, "--at", "2026-04-10 09:00")
    assert code == 0
    assert f"house dough ({desk}/a): window 5.35 to 5.75 at 48 h, settled 2026-03-20" in said
    assert "To read today at 48 h: L1 11:00. Which tray next: 1 L1 (46 h, 4 trays): inside" in said
    assert "To read today at 24 h: P1 was due 08:00. Which tray next: 1 P1 (25 h, 2 trays)" in said
    assert f"rye dough ({desk}/c, not settled yet)" in said
    assert "food safety follows your own plan" in said
    code, said = daily(desk, "--at", "2026-04-10 09:00", "--json")
    facts = json.loads(said)["doughs"]
    assert [(d["dough"], [x["lot"] for x in d["due"]]) for d in facts] == [
        ("house dough", ["L1"]), ("pan dough", ["P1"]),
    ]  # fmt: skip


def test_above_5_c_a_dough_of_the_shop_gets_no_word_on_ph(desk, daily):
    daily(desk / "a", "--new-lot", "L1", "mixed_at=2026-04-08 11:00", "trays=4")
    args = ("--read", "5.5", "--lot", "L1", "--cooler", "8C", "--at", "2026-04-10 10:00")
    daily(desk / "a", *args)
    code, said = daily(desk, "--at", "2026-04-10 11:00", "--json")
    first = json.loads(said)["doughs"][0]
    assert code == 0 and not {"due", "trays", "signals"} & set(first)
    code, said = daily(desk, "--at", "2026-04-10 11:00")
    assert (
        "The cooler was last at 8 °C: no advice on pH; follow the food-safety plan of the kitchen."
        in said
    )


def test_a_shop_without_a_settled_dough_says_how_to_settle_one(tmp_path, daily):
    keep(tmp_path / "c", "rye dough", "RYE", settled=False)
    code, said = daily(tmp_path)
    assert (code, said) == (
        1, f"doughlab daily: No dough of '{tmp_path}' is settled yet: rye dough ({tmp_path}/c, not "
        "settled yet). Settle one in its folder: doughlab daily FOLDER --settle --by NAME",
    )  # fmt: skip


def test_two_doughs_never_share_limits(desk, daily):
    """Rows of another dough in a folder's files change neither its lots nor its limits."""
    for day in range(1, 14):
        ph = 5.56 + (0.02 if day % 2 else -0.02)
        daily(desk / "a", "--read", str(ph), "--hold", "48h", "--at", f"2026-04-{day:02d} 12:00")
    assert daily(desk / "a", "--limits", "--reason", "own lots")[0] == 0
    before = chart_limits(read_recipe(desk / "a"), read_daily(desk / "a", ["house dough"]))
    path = desk / "a" / "daily" / "limits.csv"
    text = path.read_text(encoding="utf-8")
    row = text.splitlines()[1].replace("house dough", "pan dough")
    path.write_text(text + "other" + row[5:] + "\n", encoding="utf-8")
    records = read_daily(desk / "a", ["house dough"])
    assert chart_limits(read_recipe(desk / "a"), records) == before
    assert [p.message for p in records.problems] == [
        "is about the dough 'pan dough', and this folder keeps house dough; the row is not used "
        "here. Enter it in the folder of its dough, and take it back here."
    ]
    other = chart_limits(read_recipe(desk / "b"), read_daily(desk / "b", ["pan dough"]))
    assert other.limits.how == "the settled recipe"


def test_a_folder_of_an_earlier_version_without_the_dough_goes_on(desk, daily):
    """Files whose rows name no dough are of the folder's own dough, and the next row fits in."""
    head = "entry_id,entered_at,entered_by,action,replaces,reason,lot,at,hold_h,ph,room_c,cooler_c"
    old = "e1,2026-04-01T10:00+00:00,M,add,,,,2026-04-01T10:00+00:00,48,5.55,20,3.5"
    path = desk / "a" / "daily" / "readings.csv"
    path.write_text(f"{head}\n{old}\n", encoding="utf-8")
    daily(desk / "a", "--read", "5.57", "--hold", "48h", "--at", "2026-04-02 10:00")
    rows = read_daily(desk / "a", ["house dough"]).readings
    assert [(r["dough"], r["ph"]) for r in rows] == [(None, 5.55), ("house dough", 5.57)]


def test_the_overview_shows_each_settled_dough(desk, capsys):
    main(["daily", str(desk / "a"), "--new-lot", "L1", "mixed_at=2026-04-08 11:00", "trays=4"])
    capsys.readouterr()
    assert main(["overview", str(desk), "--at", "2026-04-10 09:00"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "daily to read today: L1 11:00 daily next tray: L1 (46 h, 4 trays): inside" in said
    assert read_settled(desk / "a").problem == ""


def test_a_recipe_of_an_earlier_version_can_be_read(desk):
    """Without what was tried and other evidence, which came later."""
    recipe = read_recipe(desk / "a")
    assert (recipe.tried, recipe.also) == (None, ())
    assert replace(recipe, trial="") == example_recipe(dough="house dough", trial="")
