"""The preferment's temperature of a mix: written down, read from older files, used by `mix`."""

import shutil
from pathlib import Path

import pytest

from doughlab.cli import main
from doughlab.record.folder import read_folder

DEMO = Path(__file__).parents[2] / "trials" / "lantern-quay"
BIGA = """
[[preferments]]
name = "biga"
flour_pct = 30
hydration = 50
"""


@pytest.fixture
def folder(tmp_path):
    """The demo with a preferment in its dough; its mixes do not know the column yet."""
    shutil.copytree(DEMO, tmp_path / "demo", ignore=shutil.ignore_patterns("report", "notebooks"))
    path = tmp_path / "demo" / "formula.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("[percent]", BIGA + "\n[percent]"), encoding="utf-8")
    mixes = tmp_path / "demo" / "record" / "mixes.csv"
    assert "preferment_temp_c" not in mixes.read_text(encoding="utf-8")
    return tmp_path / "demo"


@pytest.fixture
def say(capsys):
    def run(*words):
        code = main([str(w) for w in words])
        out, err = capsys.readouterr()
        assert all(len(x) <= 80 for x in out.splitlines() if not x.startswith(("read ", "next:")))
        return code, " ".join(out.split()), err

    return run


def test_an_older_file_is_read_as_before_and_takes_the_new_column(folder, say):
    """Rows that are there keep every cell; the column stands behind them, in the unit typed."""
    path = folder / "record" / "mixes.csv"
    before = path.read_text(encoding="utf-8").splitlines()
    assert {m["preferment_temp_c"] for m in read_folder(folder).records.mixes} == {None}
    code, _, err = say("record", "mix", "B03", "preferment_temp_c=43F", "--reason", "was left out",
                       "--folder", folder)  # fmt: skip
    assert (code, err) == (0, "")
    after = path.read_text(encoding="utf-8").splitlines()
    assert after[0] == f"{before[0]},preferment_temp_c"
    assert [line.rstrip(",") for line in after[1 : len(before)]] == [
        line.rstrip(",") for line in before[1:]
    ]
    mixes = {m["batch_id"]: m for m in read_folder(folder).records.mixes}
    assert mixes["B03"]["preferment_temp_c"] == pytest.approx((43 - 32) / 1.8, abs=0.01)
    assert mixes["B04"]["preferment_temp_c"] is None
    code, _, err = say("record", "mix", "B05", "preferment_temp_c=60", "--folder", folder)
    assert code == 1 and "preferment_temp_c 60 lies outside 0 to 45" in " ".join(err.split())


def test_mix_says_how_warm_it_took_the_preferment(folder, say):
    asked = ("mix", folder, "--room", "72F", "--tap", "60F", "--dough", "75F")
    _, out, _ = say(*asked)
    assert "look: the preferment is taken as warm as the room: say it, as --preferment 40F" in out
    _, out, _ = say(*asked, "--preferment", "43F")
    assert "look: 24 earlier mixes do not say how warm the preferment was: taken as today's" in out
    for batch in ("B01", "B02"):
        say("record", "mix", batch, "preferment_temp_c=6", "--reason", "late", "--folder", folder)
    _, out, _ = say(*asked)
    assert "look: the preferment is taken as warm as in your mixes, 43 °F: say it, as" in out
    assert "look: 22 earlier mixes do not say how warm the preferment was" in out
