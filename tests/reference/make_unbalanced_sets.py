"""Makes the generated data sets that R is asked about (data/unbalanced/*.csv). Run by hand.

All data are invented from seeded random numbers: unbalanced, one to three random terms, nested and
crossed, some with a variance of zero, some with empty cells. sets.json says which model belongs
to which set. make_r_values.R fits them; its answers are compared in test_mixed_models_r.py.
"""

import json
from pathlib import Path

import numpy as np
import pandas as pd

HERE = Path(__file__).parent / "data" / "unbalanced"
SEED = 20261125


def one_term(rng, *, batches, balls, water, batch_sd, lose, covariate=False):
    """Batches with a water each, balls at three holds, some lost."""
    rows = []
    for b in range(batches):
        effect = rng.normal(0, batch_sd)
        x = round(rng.normal(20, 2), 2)
        for i in range(balls):
            w, h = f"w{b % water}", f"h{i % 3}"
            y = 5.5 + 0.05 * (b % water) - 0.2 * (i % 3) + effect + rng.normal(0, 0.05)
            y += 0.01 * (x - 20) if covariate else 0
            rows.append({"water": w, "hold": h, "batch": f"b{b:02d}", "x": x, "y": y})
    return drop(pd.DataFrame(rows), rng, lose)


def two_nested(rng, *, days, per_day, balls, day_sd, batch_sd, lose):
    """Batches within days; water set per batch, hold per ball."""
    rows = []
    for d in range(days):
        day = rng.normal(0, day_sd)
        for b in range(per_day):
            effect = rng.normal(0, batch_sd)
            for i in range(balls):
                w, t, h = f"w{(b + d) % 3}", f"t{b % 2}", f"h{i % 2}"
                y = 5.5 + 0.04 * ((b + d) % 3) + 0.1 * (b % 2) - 0.2 * (i % 2)
                y += day + effect + rng.normal(0, 0.04)
                rows.append({"water": w, "temp": t, "hold": h, "day": f"d{d}",
                             "batch": f"d{d}b{b}", "y": y})  # fmt: skip
    return drop(pd.DataFrame(rows), rng, lose)


def crossed(rng, *, judges, batches, balls, sds, lose):
    """Every judge scores every ball; balls within batches."""
    judge_sd, batch_sd, ball_sd, rest = sds
    lean = rng.normal(0, judge_sd, judges)
    rows = []
    for b in range(batches):
        effect = rng.normal(0, batch_sd)
        for i in range(balls):
            ball = rng.normal(0, ball_sd)
            for j in range(judges):
                y = 6 + 0.5 * (b % 3) + effect + ball + lean[j] + rng.normal(0, rest)
                rows.append({"water": f"w{b % 3}", "hold": f"h{i % 2}", "judge": f"j{j}",
                             "batch": f"b{b:02d}", "ball": f"b{b:02d}i{i}", "y": y})  # fmt: skip
    return drop(pd.DataFrame(rows), rng, lose)


def drop(data, rng, lose):
    """Leave out some rows at random and round as an instrument would."""
    keep = np.sort(rng.permutation(len(data))[lose:])
    out = data.iloc[keep].reset_index(drop=True)
    return out.assign(y=out["y"].round(4))


def build():
    """Every set with its model."""
    sets = {}

    def add(name, fixed, random, make, **how):
        rng = np.random.default_rng([SEED, len(sets)])
        sets[name] = {"fixed": fixed, "random": random, "data": make(rng, **how)}

    full = "y ~ water * hold"
    for i, (n, k, w, sd, lose) in enumerate(
        [(6, 3, 2, 0.05, 2), (8, 6, 2, 0.1, 7), (12, 4, 3, 0.05, 5), (16, 6, 4, 0.02, 11),
         (24, 3, 3, 0.2, 9), (9, 6, 3, 0.0, 4), (12, 3, 2, 0.0, 6)],
        start=1,
    ):  # fmt: skip
        how = {"batches": n, "balls": k, "water": w, "batch_sd": sd, "lose": lose}
        add(f"one_{i}", full, ["batch"], one_term, **how)
    how = {"batches": 12, "balls": 6, "water": 3, "batch_sd": 0.06, "lose": 8, "covariate": True}
    add("one_covariate", "y ~ water + hold + x", ["batch"], one_term, **how)
    for i, (d, p, k, dsd, bsd, lose) in enumerate(
        [(4, 4, 4, 0.05, 0.05, 6), (6, 4, 2, 0.1, 0.03, 5), (5, 6, 4, 0.0, 0.06, 10),
         (8, 3, 4, 0.06, 0.0, 9), (6, 6, 2, 0.03, 0.08, 8), (3, 6, 6, 0.05, 0.05, 12),
         (10, 3, 2, 0.08, 0.08, 4)],
        start=1,
    ):  # fmt: skip
        how = {"days": d, "per_day": p, "balls": k, "day_sd": dsd, "batch_sd": bsd, "lose": lose}
        add(f"nested_{i}", "y ~ water + temp * hold", ["day", "batch"], two_nested, **how)
    for i, (j, b, k, sds, lose) in enumerate(
        [(4, 6, 2, (0.5, 0.4, 0.5, 1.0), 5), (3, 9, 2, (0.8, 0.0, 0.5, 0.8), 4),
         (5, 6, 4, (0.3, 0.5, 0.0, 1.0), 13), (4, 12, 2, (0.5, 0.3, 0.4, 0.9), 10)],
        start=1,
    ):  # fmt: skip
        how = {"judges": j, "batches": b, "balls": k, "sds": sds, "lose": lose}
        add(f"crossed_{i}", full, ["judge", "batch", "ball"], crossed, **how)
    for i, (j, b, k, sds, lose) in enumerate(
        [(4, 6, 2, (0.6, 0.5, 0.0, 1.0), 6), (6, 9, 2, (0.4, 0.4, 0.0, 0.7), 15)], start=1
    ):
        how = {"judges": j, "batches": b, "balls": k, "sds": sds, "lose": lose}
        add(f"crossed_two_{i}", full, ["judge", "batch"], crossed, **how)
    add_empty_cells(sets)
    return sets


def add_empty_cells(sets):
    """Two sets in which one combination of water and hold was never made."""
    for i, source in enumerate(["one_3", "one_5"], start=1):
        data = sets[source]["data"]
        gone = (data["water"] == "w2") & (data["hold"] == "h2")
        sets[f"empty_{i}"] = {"fixed": "y ~ water * hold", "random": ["batch"],
                              "data": data[~gone].reset_index(drop=True)}  # fmt: skip


if __name__ == "__main__":
    index = {}
    for name, found in build().items():
        found["data"].to_csv(HERE / f"{name}.csv", index=False)
        index[name] = {"fixed": found["fixed"], "random": found["random"]}
    (HERE / "sets.json").write_text(json.dumps(index, indent=1) + "\n")
    print(f"{len(index)} sets")
