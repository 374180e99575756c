"""daily/ in the checks, the data package and the zip."""

import json
import shutil
import warnings
import zipfile
from datetime import UTC, datetime

import pytest

from doughlab.cli import main
from doughlab.daily.recipe import example_recipe, write_recipe
from doughlab.record.checks import check_folder, write_datapackage
from doughlab.settings import read_settings

TOML = """format = 1
name = "house dough"
code = "HOU"
dough = "house dough"
timezone = "UTC"
seed = 1
"""


@pytest.fixture(scope="module")
def base(tmp_path_factory):
    """A kept dough with a lot, two readings, one of them corrected, and a tick."""
    folder = tmp_path_factory.mktemp("base") / "shop"
    folder.mkdir()
    (folder / "trial.toml").write_text(TOML, encoding="utf-8")
    write_recipe(folder, example_recipe(), now=datetime(2026, 3, 20, 12, tzinfo=UTC))

    def daily(*words):
        assert main(["daily", str(folder), *words]) == 0

    daily("--new-lot", "L1", "mixed_at=2026-04-08 11:00", "trays=4")
    daily("--read", "5.55", "5.57", "--lot", "L1", "--at", "2026-04-10 11:00")
    row = (folder / "daily" / "readings.csv").read_text(encoding="utf-8").splitlines()[2]
    daily("--read", "5.58", "--lot", "L1", "--at", "2026-04-10 11:00", "--replaces",
          row.split(",")[0], "--reason", "typo")  # fmt: skip
    daily("--tick", "opening", "1", "--at", "2026-04-10 09:00")
    return folder


@pytest.fixture
def used(base, tmp_path):
    return shutil.copytree(base, tmp_path / "shop")


def spoil(folder, name, old, new):
    path = folder / "daily" / f"{name}.csv"
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), encoding="utf-8")


def found(folder):
    return [str(p) for p in check_folder(folder) if p.file.startswith("daily/")]


def test_a_good_folder_has_no_problem_in_daily(used):
    assert found(used) == []


@pytest.mark.parametrize(
    ("name", "old", "new", "words"),
    [
        ("readings", "5.55", "55.5",
         "daily/readings.csv, row 2, column ph: ph 55.5 lies outside 2.5 to 9."),
        ("lots", ",L1,", ",L2,",
         "daily/readings.csv, row 2, column lot: lot 'L1' is not in daily/lots.csv. Known: L2. "
         "It counts without its lot."),
        ("readings", ",house dough,", ",pan dough,",
         "daily/readings.csv, row 2, column dough: is about the dough 'pan dough', and this folder "
         "keeps 'house dough'; the row is not used here. Enter it in the folder of its dough, and "
         "take it back here."),
        ("lots", "2026-04-08T11:00", "2026-04-11T11:00",
         "daily/readings.csv, row 2, column at: read before lot 'L1' was mixed. Look at the date "
         "of one of them."),
    ],
)  # fmt: skip
def test_what_is_wrong_in_daily_is_listed_by_check(used, name, old, new, words):
    spoil(used, name, old, new)
    assert any(line.startswith(words) for line in found(used)), found(used)


def test_a_settled_recipe_that_is_no_toml_is_a_problem(used):
    (used / "daily" / "settled.toml").write_text("low = = 5", encoding="utf-8")
    assert found(used) == [
        "daily/settled.toml: cannot be read (TOMLDecodeError). Bring it back from a copy, or "
        "settle anew: doughlab daily --settle --reason TEXT."
    ]


def test_a_file_in_daily_that_nobody_reads_is_named(used):
    (used / "daily" / "lot.csv").write_text("x\n", encoding="utf-8")
    assert any(w.startswith("daily/lot.csv: doughlab does not read this file.")
               for w in found(used))  # fmt: skip


def test_check_says_how_to_take_a_bad_row_back(used, capsys):
    spoil(used, "readings", "5.55", "55.5")
    assert main(["check", str(used)]) == 1
    said = " ".join(capsys.readouterr().out.split())
    entry = (used / "daily" / "readings.csv").read_text(encoding="utf-8").splitlines()[1][:8]
    assert f"take the row back: doughlab daily {used} --void {entry} --reason TEXT" in said


def test_an_outside_reader_of_the_open_standard_accepts_daily(used, tmp_path):
    """Checked by frictionless, which knows nothing of doughlab; the zip holds the recipe too."""
    path = write_datapackage(used, read_settings(used / "trial.toml"))
    described = {r["path"]: r for r in json.loads(path.read_text())["resources"]}
    assert {"daily/lots.csv", "daily/readings.csv", "daily/ticks.csv"} <= set(described)
    package = {"name": "daily", "resources": [r for p, r in described.items()
                                              if p.startswith("daily/")]}  # fmt: skip
    (used / "part.json").write_text(json.dumps(package), encoding="utf-8")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import frictionless

        report = frictionless.validate(str(used / "part.json"))
    assert report.valid, report.flatten(["title", "message"])
    (used / "part.json").unlink()
    target = tmp_path / "all.zip"
    main(["check", str(used), "--zip", str(target)])
    names = zipfile.ZipFile(target).namelist()
    assert {"daily/settled.toml", "daily/readings.csv", "datapackage.json"} <= set(names)
    assert len(names) == len(set(names))
