"""Spread of measurements: layouts, blanks, refusals, and what must not change the answer."""

import numpy as np
import pandas as pd
import pytest

from doughlab.errors import InputError, NotEstimable, OutOfRange, UnknownName
from doughlab.stats.components import study_spread


def measurements(parts=6, people=3, meters=2, repeats=2, seed=1):
    """Invented study with known spread: parts 2, people 0.5, meters 0.3, repeat 0.2 (SD)."""
    rng = np.random.default_rng(seed)
    sd = {"part": 2.0, "person": 0.5, "meter": 0.3}
    sizes = {"part": parts, "person": people, "meter": meters}
    effects = {n: rng.normal(0, sd[n], k) for n, k in sizes.items()}
    rows = [
        {"part": f"p{i}", "person": f"o{j}", "meter": f"m{k}",
         "y": effects["part"][i] + effects["person"][j] + effects["meter"][k]
         + rng.normal(0, 0.2)}
        for i in range(parts) for j in range(people) for k in range(meters)
        for _ in range(repeats)
    ]  # fmt: skip
    return pd.DataFrame(rows)


def test_sources_add_up_and_keep_their_order():
    table = study_spread(measurements(), "y", part="part", measured_by=["person", "meter"]).table
    names = ["part", "person", "meter", "part:person", "part:meter", "person:meter", "repeat"]
    assert list(table["term"]) == [*names, "measuring", "total"]
    value = table.set_index("term")["estimate"]
    assert value["measuring"] == pytest.approx(value[names[1:]].sum())
    assert value["total"] == pytest.approx(value[names].sum())
    assert table["n"].tolist() == [6, 3, 2, 18, 12, 6, 72, 72, 72]
    assert (table["ci_low"] <= table["ci_high"]).all()
    assert table["share"].iloc[-1] == 1.0


def test_both_methods_agree_on_balanced_data_without_negative_estimates():
    data = pd.concat([measurements(meters=1, seed=s).assign(part=lambda d, s=s: d["part"] + str(s))
                      for s in (3, 4)])  # fmt: skip
    one, other = (
        study_spread(data, "y", part="part", measured_by=["person"], method=m).table
        for m in ("anova", "reml")
    )
    assert (one["estimate"] > 0).all()
    np.testing.assert_allclose(one["estimate"], other["estimate"], rtol=1e-6)
    np.testing.assert_allclose(one["std_error"], other["std_error"], rtol=1e-5)


def test_unbalanced_data_go_to_the_likelihood_and_blanks_are_counted():
    data = measurements(meters=1)
    data.loc[[2, 11], "y"] = np.nan
    found = study_spread(data, "y", part="part", measured_by=["person"])
    assert found.method == "reml"
    assert found.notes[0] == "2 rows with a blank left out, 34 used."
    assert found.anova.empty
    with pytest.raises(InputError, match="The layout is not balanced"):
        study_spread(data, "y", part="part", measured_by=["person"], method="anova")


def test_scale_shift_order_and_names_change_nothing_that_must_not_change():
    data = measurements(meters=1)
    base = study_spread(data, "y", part="part", measured_by=["person"]).table
    changed = data.assign(y=100.0 - 10.0 * data["y"], part=data["part"].str.upper())
    changed = changed.sample(frac=1.0, random_state=5)
    other = study_spread(changed, "y", part="part", measured_by=["person"]).table
    for column, factor in (("estimate", 100.0), ("ci_low", 100.0), ("ci_high", 100.0), ("sd", 10)):
        np.testing.assert_allclose(other[column], factor * base[column], rtol=1e-9)
    np.testing.assert_allclose(other["share"], base["share"], rtol=1e-9)


def test_a_single_reading_of_each_pair_leaves_the_pair_in_the_repeat():
    data = measurements(meters=1, repeats=1)
    names = ["part", "person", "repeat", "measuring", "total"]
    found = study_spread(data, "y", part="part", measured_by=["person"])
    assert list(found.table["term"]) == names
    lost = study_spread(data.iloc[1:], "y", part="part", measured_by=["person"])
    assert lost.method == "reml" and list(lost.table["term"]) == names


def test_an_estimate_below_zero_is_shown_as_zero_and_said():
    # Person means are nearly equal: their mean square is far below that of the pair.
    y = [1.0, 2.0, 3.0, 4.0, 7.0, 8.0, 5.0, 6.0, 9.0, 8.0, 9.0, 8.5]
    data = pd.DataFrame({"y": y, "part": list("aaaabbbbcccc"), "person": list("rrss") * 3})
    found = study_spread(data, "y", part="part", measured_by=["person"])
    assert found.row("person")["estimate"] == 0.0
    assert any(n.startswith("person: estimated at -") for n in found.notes)
    assert found.row("person")["ci_low"] == 0.0 <= found.row("person")["ci_high"]
    assert found.row("person")["share_high"] > 0.0


def test_zero_inside_the_likelihood_range_is_exactly_zero():
    y = [1.0, 2.0, 3.0, 4.0, 7.0, 8.0, 5.0, 6.0, 9.0, 8.0, 9.0, 8.5]
    data = pd.DataFrame({"y": y, "part": list("aaaabbbbcccc"), "person": list("rrss") * 3})
    found = study_spread(data, "y", part="part", measured_by=["person"], method="reml")
    row = found.row("person")
    assert row["estimate"] == 0.0 and row["ci_low"] == 0.0 and row["share_low"] == 0.0
    assert 0.0 < row["share_high"] < 1.0
    assert "person: estimated at 0." in found.notes


def test_readings_that_never_differ_are_said():
    data = measurements(meters=1, repeats=1)
    data = pd.concat([data, data])
    found = study_spread(data, "y", part="part", measured_by=["person"])
    assert "Repeats do not differ at all: the values are rounded too coarsely." in found.notes
    with pytest.raises(NotEstimable, match="Repeats do not differ at all"):
        study_spread(data, "y", part="part", measured_by=["person"], method="reml")
    with pytest.raises(NotEstimable, match="All values of y are 1: there is no spread to split"):
        study_spread(data.assign(y=1.0), "y", part="part")


def test_wrong_requests_are_refused():
    data = measurements()
    with pytest.raises(InputError, match="method='range' is not known"):
        study_spread(data, "y", part="part", method="range")
    with pytest.raises(InputError, match="A column is named twice: part, part"):
        study_spread(data, "y", part="part", measured_by=["part"])
    with pytest.raises(UnknownName):
        study_spread(data, "y", part="prat")
    with pytest.raises(OutOfRange):
        study_spread(data, "y", part="part", level=1.0)
    with pytest.raises(NotEstimable, match="meter: only 'm0' has values"):
        study_spread(data[data["meter"] == "m0"], "y", part="part", measured_by=["meter"])
    with pytest.raises(InputError, match="No value is repeated"):
        study_spread(data.drop_duplicates("part"), "y", part="part")
    with pytest.raises(UnknownName, match="Source of spread 'repaet'"):
        study_spread(data, "y", part="part").row("repaet")


def test_text_is_short_and_states_the_shares():
    found = study_spread(measurements(), "y", part="part", measured_by=["person", "meter"])
    lines = str(found).splitlines()
    assert len(lines) <= 15 and max(map(len, lines)) <= 80
    (total,) = [line for line in lines if line.startswith("  total")]
    assert total.endswith("100.0 %")
    assert "few levels" in found.notes[-1]
    assert found._repr_html_().startswith("<pre>")
    assert "all random" in found.how
