"""Trial: the front door opens a folder, shows frames and never stops at a bad row."""

import subprocess
import sys
from pathlib import Path

import pytest

import doughlab as dl
from doughlab.errors import InputError, PlanError

ROOT = Path(__file__).parents[1]
DEMO = ROOT / "trials" / "lantern-quay"


@pytest.fixture(scope="module")
def demo():
    return dl.Trial.open(DEMO)


def test_frames_have_one_row_each(demo):
    assert len(demo.plan) == len(demo.frozen_plan.batches)
    assert len(demo.balls) == len(demo.frozen_plan.balls)
    assert len(demo.readings) == len(demo.records.readings)
    assert len(demo.scores) == len(demo.records.scores)


def test_balls_carry_what_happened_to_them(demo):
    balls = demo.balls
    assert set(balls["state"]) <= {
        "planned", "mixed", "held", "pulled", "read", "baked", "scored", "lost",
    }  # fmt: skip
    lost = balls[balls["state"] == "lost"]
    assert set(lost["ball_id"]) == {n["about"] for n in demo.records.notes if n["kind"] == "lost"}
    assert lost["lost_reason"].str.len().min() > 0
    read = balls[balls["state"] == "read"]
    assert ((read["actual_hold_h"] - read["hold_h"]).abs() < 3).all()


def test_frames_have_times_and_numbers_where_they_should(demo):
    import pandas as pd

    readings = demo.readings
    assert isinstance(readings["read_at"].dtype, pd.DatetimeTZDtype)
    assert readings["ph"].dtype == float
    assert readings["ph"].mean() == pytest.approx(
        sum(r["ph"] for r in demo.records.readings) / len(demo.records.readings)
    )


def test_the_words_of_a_trial_fit_a_screen(demo):
    lines = str(demo).splitlines()
    assert lines[0].startswith("Lantern Quay")
    assert max(map(len, lines)) <= 80
    assert len(lines) <= 15
    assert repr(demo) == str(demo)


SETTINGS = "format = 1\nname = 'Small'\ncode = 'SM'\n"


def test_a_trial_is_created_from_texts_and_nothing_overwritten(tmp_path):
    waters = [{"water_id": "tap", "kind": "tap"}]
    trial = dl.Trial.create(tmp_path / "small", SETTINGS, waters=waters)
    assert (trial.settings.name, list(trial.waters)) == ("Small", ["tap"])
    assert trial.formula is None and trial.frozen_plan is None
    with pytest.raises(InputError, match=r"already holds trial.toml, waters.csv. Nothing is overw"):
        dl.Trial.create(tmp_path / "small", SETTINGS, waters=waters)
    with pytest.raises(InputError, match="code 'x' must be 2 to 8"):
        dl.Trial.create(tmp_path / "other", SETTINGS.replace("SM", "x"))
    assert not (tmp_path / "other").exists()


def test_without_a_plan_the_next_step_is_said(tmp_path):
    trial = dl.Trial.create(tmp_path / "small", SETTINGS)
    for ask in (lambda: trial.plan, lambda: trial.balls, lambda: trial.due()):
        with pytest.raises(
            PlanError, match=r"has no plan yet. Look at one, then keep it: doughlab"
        ):
            ask()
    assert trial.readings.empty
    assert "no plan is kept yet" in str(trial)


def test_bad_rows_do_not_stop_the_door(tmp_path):
    trial = dl.Trial.create(tmp_path / "small", SETTINGS)
    (trial.folder / "record").mkdir()
    (trial.folder / "record" / "notes.csv").write_bytes(b"\xff\xfe\x00rubbish,\n\x00")
    (trial.folder / "waters.csv").write_text('"open')
    again = dl.Trial.open(trial.folder)
    assert {p.file for p in again.problems} == {"waters.csv", "record/notes.csv"}


def test_an_unusable_trial_toml_stops_it_with_every_problem(tmp_path):
    (tmp_path / "trial.toml").write_text("format = 1\nname = 'x'\ncode = 'x'\nsede = 1\n")
    with pytest.raises(InputError) as caught:
        dl.Trial.open(tmp_path)
    assert len(caught.value.problems) == 2


def test_every_public_name_can_be_reached_and_no_other():
    for name in dl.__all__:
        assert getattr(dl, name) is not None
    assert set(dl.__all__) == set(dl._HOMES)
    assert len(dl.__all__) <= 30
    assert set(dl.__all__) <= set(dir(dl))
    assert dl.__version__
    with pytest.raises(AttributeError, match="module 'doughlab' has no attribute 'analyze'"):
        dl.analyze  # noqa: B018


def test_import_loads_next_to_nothing():
    code = (
        "import sys; before = set(sys.modules); import doughlab;"
        "print(sorted(m for m in set(sys.modules) - before if '.' not in m))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT)
    loaded = set(eval(done.stdout))
    assert "doughlab" in loaded
    assert not loaded & {"numpy", "pandas", "scipy", "pint", "csv", "tomllib", "argparse"}
