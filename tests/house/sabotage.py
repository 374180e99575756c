"""Breaks the package on purpose, one line at a time, and asks whether the suite notices.

    python tests/house/sabotage.py [NUMBER ...]

Each mutant is made in a copy of the checkout; the part of the suite named with it must fail, and
must not fail without it (--whole looks at that too). Run by hand: it takes minutes. The result of
each mutant is kept in sabotage.csv beside it. Exit 1 when a mutant survives or its line is not
found any more.
"""

from __future__ import annotations

import csv
import os
import re
import shutil
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]


@dataclass(frozen=True)
class Mutant:
    """One line changed, and the tests that must notice."""

    what: str
    file: str
    old: str
    new: str
    tests: str


MUTANTS = (
    Mutant(
        "degrees of freedom of a contrast + 1",
        "doughlab/stats/inference.py",
        "        nu = 2.0 * plain**2 / below\n",
        "        nu = 2.0 * plain**2 / below + 1.0\n",
        "tests/reference/test_mixed_models_r.py",
    ),
    Mutant(
        "degrees of freedom of a term + 1",
        "doughlab/stats/inference.py",
        "        m = 4.0 + (q + 2.0) / (q * rho - 1.0)\n",
        "        m = 5.0 + (q + 2.0) / (q * rho - 1.0)\n",
        "tests/reference/test_mixed_models_r.py",
    ),
    Mutant(
        "standard error x 1.05",
        "doughlab/stats/inference.py",
        "    error = np.sqrt(np.diag(covariance))\n",
        "    error = 1.05 * np.sqrt(np.diag(covariance))\n",
        "tests/reference/test_mixed_models_r.py",
    ),
    Mutant(
        "batch dropped from the model",
        "doughlab/plan/model.py",
        '        candidates.append(("batch", ("batch",)))\n',
        "",
        "tests/plan/test_model.py",
    ),
    Mutant(
        "readings of a ball not averaged: the first one counts",
        "doughlab/record/readings.py",
        "    mean = math.fsum(values) / len(values)\n",
        "    mean = values[0]\n",
        "tests/record/test_series.py tests/analysis/test_dataset.py",
    ),
    Mutant(
        "margin with the wrong sign",
        "doughlab/stats/verdicts.py",
        "    beyond = (low_ > limit) | (high_ < -limit)\n",
        "    beyond = (low_ > -limit) | (high_ < limit)\n",
        "tests/stats/test_verdicts.py",
    ),
    Mutant(
        "same: zero left in is enough",
        "doughlab/stats/verdicts.py",
        "    inside = (low_ > -limit) & (high_ < limit)\n",
        "    inside = (low_ > -2 * limit) & (high_ < limit)\n",
        "tests/stats/test_verdicts.py",
    ),
    Mutant(
        "pierced ball planned for the oven",
        "doughlab/plan/dating.py",
        'step = "bake" if ball["purpose"] == "bake" else "read"',
        'step = "bake"',
        "tests/plan/test_extend.py",
    ),
    Mutant(
        "pierced ball baked without a word",
        "doughlab/record/sense.py",
        'if state.purpose == "bake" and state.readings and not _baked(look, state):',
        'if state.purpose == "never" and state.readings:',
        "tests/record/test_sense.py",
    ),
    Mutant(
        "no fsync before the entry is acknowledged",
        "doughlab/record/storage.py",
        "            os.fsync(file)\n",
        "",
        "tests/record/test_durability.py",
    ),
    Mutant(
        "a judge is shown which ball a blind code is",
        "doughlab/record/blind.py",
        r'return re.sub(r"[\w-]+", lambda found: codes.get(found[0], found[0]), text)',
        "return text",
        "tests/record/test_commands.py tests/record/test_bench_desk.py",
    ),
    Mutant(
        "order of mixing not shuffled",
        "doughlab/plan/order.py",
        "    drawn = [(rng.random(), place, item) for place, item in enumerate(items)]\n",
        "    drawn = [(0.0, place, item) for place, item in enumerate(items)]\n",
        "tests/plan/test_command.py",
    ),
    Mutant(
        "acid dose x 1.02",
        "doughlab/water/dosing.py",
        "    return np.asarray(np.nan_to_num(np.concatenate(needed), nan=0.0) * 1e3)\n",
        "    return np.asarray(np.nan_to_num(np.concatenate(needed), nan=0.0) * 1.02e3)\n",
        "tests/water/test_blending.py tests/reference/test_acid_dose_parkhurst2013.py",
    ),
    Mutant(
        "Kenward-Roger adjustment of the covariance left out",
        "doughlab/stats/inference.py",
        "        adjusted += 2.0 * (e[i] @ v_inv) @ mixed.T\n",
        "        adjusted += 0.0 * (e[i] @ v_inv) @ mixed.T\n",
        "tests/reference/test_mixed_models_r.py",
    ),
    Mutant(
        "spare balls forgotten",
        "doughlab/plan/plan.py",
        '    drawn += [("spare", {})] * settings.blocks.spares if wanted else []\n',
        "",
        "tests/plan/test_calendar.py",
    ),
    Mutant(
        "degrees of another scale are only shifted, not stretched",
        "doughlab/units.py",
        "    return _tidied((offset + slope * (value * source.factor)) / target.factor, target)\n",
        "    return _tidied((offset + value * source.factor) / target.factor, target)\n",
        "tests/ground/test_units.py",
    ),
    Mutant(
        "a required cell may be empty",
        "doughlab/cells.py",
        "            if self.required:\n",
        "            if self.required and self.unique:\n",
        "tests/ground/test_cells.py",
    ),
    Mutant(
        "half width of a pair without the root of two",
        "doughlab/stats/simulate.py",
        "self.df, lambda df: tukey_isf(1.0 - level, k, df) / np.sqrt(2.0)",
        "self.df, lambda df: tukey_isf(1.0 - level, k, df)",
        "tests/stats/test_simulate.py",
    ),
    Mutant(
        "acid of a blend not shared out by mass",
        "doughlab/water/blending.py",
        "        acid_mmol_kg=sum(s * w.acid_mmol_kg for w, s in used),\n",
        "        acid_mmol_kg=sum(w.acid_mmol_kg for w, s in used),\n",
        "tests/water/test_blending.py",
    ),
    Mutant(
        "flour of a preferment as if it were half water",
        "doughlab/formula/mixwater.py",
        "            flour = p.grams * 100.0 / (100.0 + f.hydration_pct)\n",
        "            flour = p.grams * 100.0 / 200.0\n",
        "tests/formula/test_mixwater.py",
    ),
    Mutant(
        "growth above the best temperature falls at the wrong rate",
        "doughlab/formula/ripening.py",
        "        bend = (best - low) * (u - best) - (best - high) * (best + low - 2 * u)\n",
        "        bend = (best - low) * (u - best) - (best - high) * (best + low - u)\n",
        "tests/reference/test_cardinal_rosso1993.py",
    ),
    Mutant(
        "salt of a preferment as a share of all flour",
        "doughlab/formula/formula.py",
        "        return self.flour_pct * own / 100.0\n",
        "        return own\n",
        "tests/formula/test_weighing.py",
    ),
    Mutant(
        "slope of a pH probe for another logarithm",
        "doughlab/record/meter.py",
        '(temp_c + CONSTANTS["zero_celsius_k"].value) * math.log(10.0)',
        '(temp_c + CONSTANTS["zero_celsius_k"].value) * math.log(9.5)',
        "tests/reference/test_meter_nernst1889.py tests/record/test_meter.py",
    ),
    Mutant(
        "offset of a pH probe with the wrong sign",
        "doughlab/record/meter.py",
        "    offset = mv + steep * (7.0 - ph)\n",
        "    offset = mv - steep * (7.0 - ph)\n",
        "tests/record/test_meter.py tests/reference/test_meter_nernst1889.py",
    ),
    Mutant(
        "an entry sent twice by a phone is stored twice",
        "doughlab/record/bench_desk.py",
        "        if stored:\n            return self._again(",
        '        if stored and sent.action == "never":\n            return self._again(',
        "tests/record/test_bench_desk.py",
    ),
    Mutant(
        "balls named to a judge by a score sheet",
        "doughlab/record/sheets_keep.py",
        '    if sheet.kind == "scores":\n        return lambda text: hide_balls(',
        '    if sheet.kind == "never":\n        return lambda text: hide_balls(',
        "tests/record/test_sheets.py",
    ),
    Mutant(
        "a judge's own sheet is by whoever reads it in",
        "doughlab/record/sheets_keep.py",
        "    by = by or read.sheet.judge\n",
        "    by = by\n",
        "tests/record/test_sheets.py",
    ),
    Mutant(
        "balls of a batch left behind when the batch is late",
        "doughlab/record/due.py",
        '            out.append(day.due(row, row["due_at"] + shift, words))\n',
        '            out.append(day.due(row, row["due_at"], words))\n',
        "tests/record/test_due.py",
    ),
    Mutant(
        "p values of judges not adjusted for their number",
        "doughlab/analysis/scores.py",
        "    return [replace(c, p_value=float(p)) for c, p in zip(checks, adjusted, strict=True)]",
        "    return [replace(c, p_value=c.p_value) for c, p in zip(checks, adjusted, strict=True)]",
        "tests/analysis/test_scores.py",
    ),
    Mutant(
        "pierced balls kept in the data set",
        "doughlab/analysis/dataset.py",
        '    return [r for r in rows if r["ball"] not in pierced]\n',
        "    return rows\n",
        "tests/analysis/test_dataset.py",
    ),
    Mutant(
        "band of use ends where it may already be wrong",
        "doughlab/decision/window.py",
        "math.floor(high.low * 100 + 1e-6) / 100)",
        "math.floor(high.high * 100 + 1e-6) / 100)",
        "tests/decision/test_window.py",
    ),
    Mutant(
        "limits of the running average too wide",
        "doughlab/daily/chart.py",
        "np.sqrt(weight / (2.0 - weight) * grown)",
        "np.sqrt(weight / (1.0 - weight) * grown)",
        "tests/reference/test_charts_nist2012.py",
    ),
    Mutant(
        "hour of a pH read off the settled curve from the wrong end",
        "doughlab/daily/recipe.py",
        "                return first + (ph - a) / (b - a) * (last - first)\n",
        "                return first + (b - ph) / (b - a) * (last - first)\n",
        "tests/daily/test_recipe.py tests/daily/test_advice.py tests/daily/test_command.py",
    ),
    Mutant(
        "what was typed is markup in the report",
        "doughlab/report/page.py",
        '        autoescape=select_autoescape(["html", "j2"], default=True),\n',
        "        autoescape=False,\n",
        "tests/report/test_page.py::test_what_people_typed_cannot_become_markup",
    ),
    Mutant(
        "report averages raw balls of every hold under a mean at one",
        "doughlab/report/figures.py",
        "        frame = frame[frame[along].astype(str) == at]\n",
        "        frame = frame\n",
        "tests/report/test_figures.py",
    ),
    Mutant(
        "a folder with errors passes the check",
        "doughlab/commands/check.py",
        "        code=1 if errors else 0,\n",
        "        code=0,\n",
        "tests/record/test_commands.py",
    ),
    Mutant(
        "a folder is due at the time of the machine, whatever --at says",
        "doughlab/commands/today.py",
        "    todo = trial.due(at)\n",
        "    todo = trial.due(now)\n",
        "tests/record/test_commands.py",
    ),
    Mutant(
        "a page elsewhere may store entries at the bench",
        "doughlab/record/bench.py",
        '        if self.request.method == "POST" and origin != f"http://{self.request.host}":\n',
        '        if self.request.method == "POST" and origin is None:\n',
        "tests/record/test_bench_server.py",
    ),
    Mutant(
        "a trial is written over another one",
        "doughlab/trial.py",
        "        there = [name for name in texts if (path / name).exists()]\n",
        "        there = [name for name in texts if not path.exists()]\n",
        "tests/test_trial.py",
    ),
    Mutant(
        "a notebook opens the demo whatever trial is named",
        "doughlab/notebook.py",
        '    named = os.environ.get(VARIABLE, "").strip()\n',
        '    named = os.environ.get(VARIABLE * 2, "").strip()\n',
        "tests/analysis/test_commands.py",
    ),
    Mutant(
        "a cooler above 5 °C hides behind the shop's own limit",
        "doughlab/formula/warmup.py",
        "self.cooler_c > min(self.cooler_limit_c, COOLER_MOST_C)\n",
        "self.cooler_c > self.cooler_limit_c\n",
        "tests/formula/test_warmup.py",
    ),
    Mutant(
        "time already spent in the room not counted",
        "doughlab/formula/warmup.py",
        "        return max(0.0, (self.limit_h - self.spent_h) * 60.0)\n",
        "        return max(0.0, self.limit_h * 60.0)\n",
        "tests/formula/test_warmup.py",
    ),
    Mutant(
        "every look spends the error of all looks so far",
        "doughlab/stats/spending.py",
        "    steps = np.diff(spend_error(times, alpha=alpha, kind=kind), prepend=0.0)\n",
        "    steps = spend_error(times, alpha=alpha, kind=kind)\n",
        "tests/reference/test_spending_lan1983.py",
    ),
    Mutant(
        "caution about acid and chlorine left out",
        "doughlab/water/cautions.py",
        '    keys = ["food grade", "eyes", "chlorine", "sealed", "plumbing"]\n',
        '    keys = ["food grade", "eyes", "sealed", "plumbing"]\n',
        "tests/water/test_card.py tests/water/test_command.py",
    ),
    Mutant(
        "a margin may be moved after the plan",
        "doughlab/plan/lock.py",
        "    margins = {r.name: r.margin for r in settings.responses.values()}\n",
        "    margins = {r.name: 0.0 for r in settings.responses.values()}\n",
        "tests/plan/test_plan.py",
    ),
    Mutant(
        "a line cut off by a crash is thrown away",
        "doughlab/record/storage.py",
        '        torn.write(tail + b"\\n")\n',
        '        torn.write(b"\\n")\n',
        "tests/record/test_durability.py",
    ),
    Mutant(
        "a sheet of a million cells is opened",
        "doughlab/record/sheets_file.py",
        "    if cells > MOST_CELLS:\n",
        "    if cells > 100 * MOST_CELLS:\n",
        "tests/record/test_sheets_damaged.py tests/record/test_sheets_file.py",
    ),
    Mutant(
        "the clock of a phone that is slow is not told",
        "doughlab/record/bench_sent.py",
        "        if abs(sent.off) > CLOCK_OFF and",
        "        if sent.off > CLOCK_OFF and",
        "tests/record/test_bench_desk.py",
    ),
    Mutant(
        "a setting is recommended whose balls mostly miss the window",
        "doughlab/decision/early.py",
        '    if best["chance"] < HALF:\n',
        '    if best["chance"] < 0.0:\n',
        "tests/decision/test_chance.py tests/decision/test_choose.py",
    ),
    Mutant(
        "the meter's own error left out of what new batches should give",
        "doughlab/decision/confirm.py",
        "    shared = shared + parts.meter_sd * draw(1)\n",
        "    shared = shared + 0.0 * draw(1)\n",
        "tests/decision/test_confirm.py",
    ),
    Mutant(
        "what to try next stands in the order it was thought of",
        "doughlab/decision/nextstep.py",
        "    return sorted(steps, key=key)\n",
        "    return list(steps)\n",
        "tests/decision/test_nextstep.py",
    ),
    Mutant(
        "readings of other holds stand on the daily chart",
        "doughlab/daily/standing.py",
        '        if abs(row["hold_h"] - recipe.hold_h) > CHECKPOINT_H:\n',
        '        if abs(row["hold_h"] - recipe.hold_h) > 1e9:\n',
        "tests/daily/test_chart.py tests/daily/test_command.py",
    ),
    Mutant(
        "two lots far from each other are no signal",
        "doughlab/daily/standing.py",
        "    called |= steps > _range_limit(sd)\n",
        "    called |= steps < 0.0\n",
        "tests/daily/test_standing.py",
    ),
)


COLUMNS = ("room", "mutant", "noticed_by")
TABLE = Path(__file__).with_name("sabotage.csv")


def room(mutant: Mutant) -> str:
    """Name the room that is broken; modules of the ground floor and the doors stand in none."""
    inside = Path(mutant.file).parts[1:]
    doors = {"trial.py", "notebook.py", "commands"}
    return inside[0] if len(inside) > 1 else "doors" if inside[0] in doors else "ground"


def break_line(folder: Path, mutant: Mutant) -> bool:
    """Change the line; False when it is not there exactly once."""
    path = folder / mutant.file
    text = path.read_text(encoding="utf-8")
    if text.count(mutant.old) != 1:
        return False
    path.write_text(text.replace(mutant.old, mutant.new), encoding="utf-8")
    return True


def run_tests(copy: Path, mutant: Mutant) -> tuple[int, list[str]]:
    """Run the tests named, in the copy; processes that they start load the copy too."""
    options = ["-q", "-x", "-p", "no:cacheprovider", "--tb=no"]
    done = subprocess.run(
        [sys.executable, "-m", "pytest", *options, *mutant.tests.split()],
        cwd=copy, capture_output=True, text=True, check=False,
        env={**os.environ, "PYTHONPATH": str(copy), "OPENBLAS_NUM_THREADS": "1"},
    )  # fmt: skip
    return done.returncode, done.stdout.strip().splitlines()


def judge(mutant: Mutant, copy: Path, *, whole: bool) -> tuple[str, str]:
    """Break the copy, run its tests, mend it: what noticed, or why nothing did."""
    if whole and (found := run_tests(copy, mutant))[0] != 0:
        return "", f"fails without the mutant: {found[1][-1:]}"
    path = copy / mutant.file
    before = path.read_text(encoding="utf-8")
    if not break_line(copy, mutant):
        return "", "its line is not there any more"
    code, said = run_tests(copy, mutant)
    path.write_text(before, encoding="utf-8")
    failed = [re.split(r" - |\[", line[7:])[0] for line in said if line.startswith("FAILED ")]
    return (failed[0], "") if code == 1 and failed else ("", f"exit {code}: {said[-1:]}")


def keep(mutant: Mutant, noticed: str) -> None:
    """Put the result into the table, in the order of the mutants."""
    known = {}
    if TABLE.exists():
        with TABLE.open(encoding="utf-8", newline="") as file:
            known = {row["mutant"]: row for row in csv.DictReader(file)}
    known[mutant.what] = {
        "room": room(mutant),
        "mutant": mutant.what,
        "noticed_by": noticed or "nothing",
    }
    with TABLE.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, COLUMNS, lineterminator="\n")
        writer.writeheader()
        writer.writerows(known[m.what] for m in MUTANTS if m.what in known)


def main(words: list[str]) -> int:
    """Judge every mutant asked for; 1 when one survives."""
    numbers, survived = [int(w) for w in words if w.isdigit()], 0
    leave = shutil.ignore_patterns(".git", ".venv", "__pycache__", ".*_cache", "doughlab-demo")
    with tempfile.TemporaryDirectory() as place:
        copy = Path(place) / "copy"
        shutil.copytree(ROOT, copy, ignore=leave)
        for number, mutant in enumerate(MUTANTS, start=1):
            if numbers and number not in numbers:
                continue
            noticed, why = judge(mutant, copy, whole="--whole" in words)
            keep(mutant, noticed)
            survived += not noticed
            line = f"noticed by {noticed}" if noticed else f"NOT NOTICED ({why})"
            print(f"{number:2} {mutant.what}: {line}", flush=True)
    print(f"{survived} not noticed")
    return 1 if survived else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
