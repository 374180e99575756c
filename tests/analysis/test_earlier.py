"""The spreads of an earlier trial, read off its records, and where the next plan shows them."""

import shutil
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from doughlab.analysis import measure_spreads, read_spreads
from doughlab.analysis.earlier import own_spreads
from doughlab.cli import main
from doughlab.errors import InputError
from doughlab.trial import Trial

TRIALS = Path(__file__).parents[2] / "trials"
DEMO, CAKE = TRIALS / "lantern-quay", TRIALS / "cake"


@pytest.fixture(scope="module")
def cake():
    return read_spreads(CAKE)["angle"]


def test_the_published_cakes_have_their_published_spreads(cake):
    """R, lme4 data `cake`, (1|recipe:replicate): 41.837037 and residual 20.470899 (42, 210 df)."""
    found = {p.name: p for p in cake.parts}
    assert list(found) == ["batch", "ball"]
    assert found["batch"].variance == pytest.approx(41.837037, abs=5e-7)
    assert found["ball"].variance == pytest.approx(20.470899, abs=5e-7)
    assert (found["batch"].df, found["ball"].df) == pytest.approx((42, 210))
    assert found["batch"].shares == pytest.approx({"ball": 1 / 6})


def test_an_extension_plans_with_what_its_own_trial_showed(tmp_path):
    """The same published variances (R, lme4 data `cake`); nothing where nothing is recorded."""
    own = own_spreads(CAKE)["angle"]
    variances = {p.name: p.variance for p in own.parts}
    assert variances == pytest.approx({"batch": 41.837037, "ball": 20.470899}, abs=5e-7)
    assert own.sentence.startswith("measured in this trial: ")
    shutil.copytree(CAKE, tmp_path / "new", ignore=shutil.ignore_patterns("record"))
    assert own_spreads(tmp_path / "new") == {}


def test_the_range_of_the_innermost_spread_is_that_of_the_chi_square(cake):
    """210 df: 2.5 and 97.5 per cent points of chi-square by scipy."""
    from scipy.stats import chi2

    wanted = np.sqrt(20.470899 * 210 / chi2.ppf([0.975, 0.025], 210))
    assert cake.range("ball") == pytest.approx(tuple(wanted), rel=0.01)


def test_the_demo_tells_its_own_spreads():
    """Truth of the invented demo (tests/demo/invent.py): batches 0.05, balls 0.03 with reading."""
    found = read_spreads(DEMO)
    assert [p.name for p in found["ph"].parts] == ["day", "batch", "session", "ball"]
    for name, truth in (("batch", 0.05), ("ball", (0.03**2 + 0.015**2 / 3) ** 0.5)):
        low, high = found["ph"].range(name)
        assert low < truth < high
    assert [p.name for p in found["score"].parts][-2:] == ["ball", "judge"]


def test_one_value_of_each_batch_does_not_tell_batches_from_balls():
    """Only one ball left of each batch: all of the spread is counted for both, and said."""
    trial = Trial.open(CAKE)
    first = {b["batch_id"]: b["ball_id"] for b in reversed(trial.frozen_plan.balls)}

    class FewRecords:
        bakes = tuple(r for r in trial.records.bakes if r["ball_id"] in first.values())

        def __getattr__(self, name):
            return getattr(trial.records, name)

    fewer = SimpleNamespace(
        settings=trial.settings, frozen_plan=trial.frozen_plan, waters={}, records=FewRecords()
    )
    found = measure_spreads(fewer, "angle")
    batch, ball = found.parts
    assert (batch.name, ball.name) == ("batch", "ball")
    assert batch.variance == ball.variance > 0
    assert found.notes == (
        "breaking angle: one value of each batch does not tell batches from balls, so all of it "
        "is counted twice, once for each.",
    )


def test_a_folder_that_tells_nothing_is_refused_with_what_to_name(tmp_path):
    with pytest.raises(InputError) as caught:
        read_spreads(tmp_path / "nowhere")
    assert str(caught.value) == (
        f"assumed_from: '{tmp_path / 'nowhere'}' is no trial folder. Name one that holds a "
        "trial.toml, as seen from this trial's folder."
    )
    shutil.copy(DEMO / "trial.toml", tmp_path / "trial.toml")
    with pytest.raises(InputError) as caught:
        read_spreads(tmp_path)
    assert str(caught.value) == (
        f"assumed_from: '{tmp_path}' has no kept plan, so its records say nothing."
    )
    shutil.copytree(DEMO / "plan", tmp_path / "plan")
    with pytest.raises(InputError, match=r"^assumed_from: '.*' tells no spread\. "):
        read_spreads(tmp_path)


@pytest.fixture
def following(tmp_path):
    """The demo as the next trial of a shop: no spreads stated, the demo's records beside it."""
    shutil.copytree(DEMO, tmp_path / "first")
    (tmp_path / "next").mkdir()
    for name in ("waters.csv", "formula.toml"):
        shutil.copy(DEMO / name, tmp_path / "next" / name)
    text = (DEMO / "trial.toml").read_text(encoding="utf-8")
    text = text[: text.index("# Assumed until")].replace(
        'source = "invented"', 'assumed_from = "../first"\nsource = "invented"'
    )
    (tmp_path / "next" / "trial.toml").write_text(text, encoding="utf-8")
    return tmp_path / "next"


def test_the_plan_command_plans_with_them_and_carries_them_on(following, capsys):
    assert main(["plan", str(following)]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "pH as measured in Lantern Quay: which water for the new building? (95 % ranges)" in said
    assert '"Which water?" (pH): a difference of 0.10 is found' in said
    assert "if the spreads are as measured," in said and "assumed" not in said


def test_a_wrong_folder_is_refused_by_the_plan_command(following, capsys):
    text = (following / "trial.toml").read_text(encoding="utf-8")
    (following / "trial.toml").write_text(text.replace("../first", "../frist"), encoding="utf-8")
    assert main(["plan", str(following)]) == 1
    said = " ".join(capsys.readouterr().err.split())
    assert said.startswith("doughlab plan: assumed_from: '") and "is no trial folder" in said
