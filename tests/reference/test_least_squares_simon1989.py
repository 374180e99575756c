"""Certified F of the SmLs data sets of NIST, the large ones too.

Simon, S. D. & Lesage, J. P. (1989), Comput. Stat. Data Anal. 8, 325-332, as in the NIST Statistical
Reference Datasets: nine treatments, responses that alternate by 0.1 about the treatment, on 0, 7 or
13 constant leading digits. The sets are written out here from that rule (SmLs01, 04 and 07 are also
read from NIST's files in test_least_squares_nist2003.py).
"""

from pathlib import Path

import pandas as pd
import pytest

from doughlab.stats import fit_mixed

NIST = Path(__file__).parent / "data" / "nist"
CENTRES = ("4", "3", "5", "3", "5", "3", "5", "3", "5")  # tenths


def build(leading: str, replicates: int) -> pd.DataFrame:
    """Write a set out: the treatment's own tenth first, then one below and one above by turns."""
    rows = []
    for i, tenth in enumerate(CENTRES):
        for k in range(replicates):
            step = 0 if k == 0 else (-1 if k % 2 else 1)
            rows.append((f"t{i + 1}", float(f"{leading}.{int(tenth) + step}")))
    return pd.DataFrame(rows, columns=["treatment", "y"])


@pytest.mark.parametrize("name", ["SmLs01", "SmLs04", "SmLs07"])
def test_the_rule_gives_the_files_of_nist(name):
    leading = {"SmLs01": "1", "SmLs04": "1000000", "SmLs07": "1000000000000"}[name]
    lines = (NIST / f"{name}.dat").read_text().splitlines()
    start = next(i for i, line in enumerate(lines) if line.startswith("Data:  ") and i > 50)
    wanted = [float(line.split()[1]) for line in lines[start + 1 :] if line.strip()]
    assert build(leading, 21)["y"].tolist() == wanted


@pytest.mark.parametrize(
    ("name", "leading", "replicates", "certified", "digits"),
    [
        ("SmLs02", "1", 201, 201.0, 12),
        ("SmLs03", "1", 2001, 2001.0, 12),
        ("SmLs05", "1000000", 201, 201.0, 9),
        ("SmLs06", "1000000", 2001, 2001.0, 9),
        # 13 leading digits leave three in the stored response itself.
        ("SmLs08", "1000000000000", 201, 201.0, 3),
        ("SmLs09", "1000000000000", 2001, 2001.0, 3),
    ],
)
def test_certified_f(name, leading, replicates, certified, digits):
    fit = fit_mixed(build(leading, replicates), "y ~ treatment")
    assert fit.anova()["statistic"][0] == pytest.approx(certified, rel=10.0**-digits), name
