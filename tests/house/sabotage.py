"""Breaks the package on purpose, one line at a time, and asks whether the suite notices.

    python tests/house/sabotage.py [NUMBER ...]

Each mutant is made in a copy of the checkout; the part of the suite named with it must fail. Run by
hand: it takes minutes. Exit 1 when a mutant survives or its line is not found any more.
"""

from __future__ import annotations

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
        "tests/plan/test_model.py tests/demo",
    ),
    Mutant(
        "readings of a ball not averaged: the first one counts",
        "doughlab/record/readings.py",
        "    mean = math.fsum(values) / len(values)\n",
        "    mean = values[0]\n",
        "tests/record tests/analysis",
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
        "tests/plan",
    ),
    Mutant(
        "pierced ball baked without a word",
        "doughlab/record/sense.py",
        'if state.purpose == "bake" and state.readings and not _baked(look, state):',
        'if state.purpose == "never" and state.readings:',
        "tests/record",
    ),
    Mutant(
        "no fsync before the entry is acknowledged",
        "doughlab/record/storage.py",
        "            os.fsync(file)\n",
        "",
        "tests/record",
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
        "tests/plan",
    ),
    Mutant(
        "acid dose x 1.02",
        "doughlab/water/dosing.py",
        "    return np.asarray(np.nan_to_num(np.concatenate(needed), nan=0.0) * 1e3)\n",
        "    return np.asarray(np.nan_to_num(np.concatenate(needed), nan=0.0) * 1.02e3)\n",
        "tests/water tests/reference/test_acid_dose_parkhurst2013.py",
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
        "tests/plan",
    ),
)


def break_line(folder: Path, mutant: Mutant) -> bool:
    """Change the line; False when it is not there exactly once."""
    path = folder / mutant.file
    text = path.read_text(encoding="utf-8")
    if text.count(mutant.old) != 1:
        return False
    path.write_text(text.replace(mutant.old, mutant.new), encoding="utf-8")
    return True


def judge(number: int, mutant: Mutant, folder: Path) -> str:
    """Run the tests on a broken copy; empty when they noticed."""
    copy = folder / f"m{number}"
    leave = shutil.ignore_patterns(".git", ".venv", "__pycache__", ".*_cache", "doughlab-demo")
    shutil.copytree(ROOT, copy, ignore=leave)
    if not break_line(copy, mutant):
        return "its line is not there any more"
    tests = [t for t in mutant.tests.split() if (copy / t).exists()]
    # other processes load the package that is installed, not the broken copy
    apart = [f"--ignore=tests/record/test_bench_{part}.py" for part in ("server", "page")]
    options = ["-q", "-x", "-p", "no:cacheprovider", *apart]
    command = [sys.executable, "-m", "pytest", *options, *tests]
    env_code = f"import sys; sys.path.insert(0, {str(copy)!r}); import pytest; "
    env_code += f"sys.exit(pytest.main({command[3:]!r}))"
    done = subprocess.run(
        [sys.executable, "-c", env_code], cwd=copy, capture_output=True, text=True, check=False
    )
    if done.returncode == 1:
        failed = [line for line in done.stdout.splitlines() if line.startswith("FAILED")]
        print(f"{number:2} caught    {mutant.what}: {failed[0][7:90] if failed else '?'}")
        return ""
    return f"exit {done.returncode}: {done.stdout.strip().splitlines()[-1:]}"


def main(numbers: list[int]) -> int:
    """Judge every mutant asked for; 1 when one survives."""
    survived = 0
    with tempfile.TemporaryDirectory() as place:
        for number, mutant in enumerate(MUTANTS, start=1):
            if numbers and number not in numbers:
                continue
            why = judge(number, mutant, Path(place))
            if why:
                survived += 1
                print(f"{number:2} NOT CAUGHT {mutant.what}: {why}")
    print(f"{survived} not caught")
    return 1 if survived else 0


if __name__ == "__main__":
    sys.exit(main([int(word) for word in sys.argv[1:]]))
