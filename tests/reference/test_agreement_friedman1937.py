"""Ranks and repeats of panels against R.

RoundingTimes: Hollander & Wolfe (1973), Nonparametric Statistical Methods, the example of R's
friedman.test. Wine: Randall (1989). French fries: the R package reshape2. All values R 4.2.2; the
mean scores of both stand in test_mixed_models_classics_pinheiro2000.py. Friedman's test: J. Am.
Stat. Assoc. 32 (1937) 675.
"""

from pathlib import Path

import pandas as pd
import pytest

from doughlab.analysis.agreement import rank_agreement
from doughlab.analysis.judges import measure_repeats

DATA = Path(__file__).parent / "data"
WINE = pd.read_csv(DATA / "wine.csv")
FRIES = pd.read_csv(DATA / "french_fries.csv")
ROUNDING = """5.40 5.50 5.55  5.85 5.70 5.75  5.20 5.60 5.50  5.55 5.50 5.40  5.90 5.85 5.70
    5.45 5.55 5.60  5.40 5.40 5.35  5.45 5.50 5.35  5.25 5.15 5.00  5.85 5.80 5.70  5.25 5.20 5.10
    5.65 5.55 5.45  5.60 5.35 5.45  5.05 5.00 4.95  5.50 5.50 5.40  5.45 5.55 5.50  5.55 5.55 5.35
    5.45 5.50 5.55  5.50 5.45 5.25  5.65 5.60 5.40  5.70 5.65 5.55  6.30 6.30 6.25"""


def test_rounding_times():
    values = [float(v) for v in ROUNDING.split()]
    data = pd.DataFrame({"y": values, "way": ["round", "narrow", "wide"] * 22})
    data["runner"] = [f"r{i // 3}" for i in range(66)]
    found = rank_agreement(data, target="way", judge="runner")
    assert (found.judges, found.targets, found.df) == (22, 3, 2)
    assert found.statistic == pytest.approx(11.1428571, abs=5e-8)
    assert found.p_value == pytest.approx(0.00380504, abs=5e-9)
    assert found.w == pytest.approx(0.253246753, abs=5e-10)


def test_wine_with_and_without_ties():
    found = rank_agreement(WINE, target=["temp", "contact"], value="response")
    assert found.statistic == pytest.approx(23.5333333, abs=5e-8)
    assert found.p_value == pytest.approx(3.12596e-5, abs=5e-11)
    assert found.w == pytest.approx(0.871604938, abs=5e-10)
    tied = rank_agreement(WINE, target=["temp", "contact"], value="rating")
    assert tied.statistic == pytest.approx(19.8148148, abs=5e-8)
    assert tied.p_value == pytest.approx(1.8542e-4, abs=5e-9)
    assert tied.w == pytest.approx(0.73388203, abs=5e-9)


@pytest.mark.parametrize(
    ("scale", "printed"),
    [("potato", ".6159"), ("buttery", ".6502"), ("grassy", ".2388"), ("rancid", ".3911"),
     ("painty", ".4793")],
)  # fmt: skip
def test_french_fries_replicates(scale, printed):
    found = measure_repeats(
        FRIES, same=["time", "treatment"], judge="subject", value=scale, order="rep"
    )
    assert found.table["correlation"].iloc[-1] == pytest.approx(float(printed), abs=5e-5)
    # the pooled spread of replicates is the residual of a model with every cell
    cells = FRIES.dropna(subset=[scale]).groupby(["time", "treatment", "subject"])[scale]
    pairs = cells.filter(lambda v: len(v) == 2)
    assert int(found.table["n"].iloc[-1]) == len(pairs)
