"""Show plans side by side.

`doughlab plan A --beside B` comes here; nothing is written. A plan is a trial folder, kept or not,
or another trial.toml beside the first one. What is compared is decided by `plan.beside`.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

from doughlab.commands.outcome import Outcome
from doughlab.errors import InputError

if TYPE_CHECKING:
    import argparse

    from doughlab.formula.formula import Formula
    from doughlab.plan.plan import Plan


def run_beside(args: argparse.Namespace) -> Outcome:
    """Set the plan of the folder beside others.

    Raises
    ------
    InputError
        With --keep, for more than four plans, or where a file cannot be used.
    PlanError
        Where a plan cannot be made.
    """
    from doughlab.analysis.earlier import read_earlier
    from doughlab.plan.beside import compare_plans

    if args.keep:
        raise InputError("--beside only looks. Keep one of the plans: doughlab plan FOLDER --keep")
    paths = [args.folder, *args.beside]
    found = [load_plan(path, seed=args.seed) for path in paths]
    names = [str(path) if str(path) != "." else "this folder" for path in paths]
    beside = compare_plans(
        [plan for plan, _, _ in found],
        names=names,
        formulas=[formula for _, formula, _ in found],
        spreads=[
            read_earlier(path.parent if path.is_file() else path, plan.settings)
            for path, (plan, _, _) in zip(paths, found, strict=True)
        ],
    )
    rows = beside.table.to_dict("records")
    said = [
        f"{name}: the plan that is kept" for name, (_, _, kept) in zip(names, found, strict=True)
        if kept
    ]  # fmt: skip
    first = "" if str(args.folder) == "." else f" {args.folder}"
    return Outcome(
        read=said,
        found=[*beside.text().splitlines(), "nothing is written"],
        next=[f"one of them alone: doughlab plan{first}"],
        data={
            "plans": names,
            "beside": [{str(k): _bare(v) for k, v in row.items()} for row in rows],
            "mixed_up": {p.name: list(p.mixed_up) for p in beside.plans},
            "warnings": {p.name: list(p.precision.warnings) for p in beside.plans},
        },
    )


def load_plan(path: Path, *, seed: int | None = None) -> tuple[Plan, Formula | None, bool]:
    """Read the plan of a trial folder, or make the one that a trial.toml asks for.

    Parameters
    ----------
    path : Path
        A trial folder, or a file like its trial.toml under another name; waters.csv and
        formula.toml are those beside it.
    seed : int, optional
        Another random order than the file's.

    Returns
    -------
    plan : Plan
    formula : Formula or None
    kept : bool
        Whether it is the plan that is kept in the folder.
    """
    from doughlab.files import read_rows
    from doughlab.formula.formula import FILE, read_formula
    from doughlab.plan.plan import build_plan, read_plan
    from doughlab.settings import read_settings

    path = Path(path)
    folder = path.parent if path.is_file() else path
    settings = read_settings(path if path.is_file() else folder / "trial.toml")
    formula = read_formula(folder / FILE) if (folder / FILE).exists() else None
    kept = None if path.is_file() else read_plan(folder, settings)[0]
    if kept is not None and seed in (None, kept.seed):
        return kept, formula, True
    table = settings.table("waters")
    waters = None
    if (folder / table.path).exists():
        waters = {row["water_id"]: row for row in read_rows(folder, table).rows}
    return build_plan(settings, formula=formula, waters=waters, seed=seed), formula, False


def _bare(value: Any) -> Any:
    """Leave out numbers that JSON has no word for."""
    return None if isinstance(value, float) and not math.isfinite(value) else value
