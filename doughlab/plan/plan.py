"""Plans: batches, balls and due times made from settings, kept on disk and read back.

Record, analysis and the commands get their `Plan` here. What a kept plan promises is sealed by
`lock`; what the plan needs is counted by `facts`, what it will find by `precision`.
"""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from doughlab.errors import PlanError, Problem, UnknownName
from doughlab.files import read_rows, write_csv
from doughlab.looks import Looks
from doughlab.plan.dating import date_balls
from doughlab.plan.designs import DayPlan, assign_days
from doughlab.plan.factors import list_ball_settings
from doughlab.plan.lock import (
    LOCK,
    build_lock,
    compare_lock,
    read_lock,
    sealed_looks,
    sealed_parts,
)
from doughlab.plan.looks import say_beyond
from doughlab.plan.lots import name_water_lots
from doughlab.plan.order import (
    make_rng,
    serve_judges,
    serve_rounds,
    shuffled,
)
from doughlab.plan.pairs import add_first_readings, paired_batches, pairs_of_batch
from doughlab.plan.parts import PlanPart
from doughlab.tables import RECORDS, TABLES
from doughlab.water.targets import check_levels

if TYPE_CHECKING:
    import pandas as pd

    from doughlab.formula.formula import Formula
    from doughlab.settings import Settings

Row = dict[str, Any]
PARTS = ("batches", "balls", "schedule")
NO_LOOKS = Looks()


@dataclass(frozen=True, repr=False)
class Plan:
    """A planned trial: what is mixed, what each ball is for, when everything is due.

    Attributes
    ----------
    settings : Settings
    batches, balls, schedule : tuple of dict
        Rows as in plan/*.csv, parsed values, in file order.
    seed : int
        Every random order follows from it.
    version : str
        The doughlab that made the plan.
    changed : tuple of str
        Sentences "changed after the plan: ..."; empty for a plan that is as it was kept.
    parts : tuple of PlanPart
        As plan.lock names them; empty for a plan that was never extended.
    looks : Looks
        As they were promised before the data.
    sealed : bool
        Whether plan.lock, which names parts and looks, is there; True for a plan not yet kept.

    Examples
    --------
    >>> from doughlab.notebook import open_demo
    >>> plan = open_demo().frozen_plan
    >>> len(plan.batches), len(plan.balls)
    (24, 168)
    >>> plan.ball("B01-1")["batch_id"]
    'B01'
    >>> plan.batch("B01")["block"], len(plan.sessions)
    ('D1', 8)
    >>> judges = plan.serving_orders(plan.sessions[0])
    >>> len(judges), {len(order) for order in judges.values()}
    (4, {6})
    >>> plan.batches_frame.shape[0], plan.balls_frame.shape[0], plan.schedule_frame.columns[0]
    (24, 168, 'step')
    """

    settings: Settings
    batches: tuple[Row, ...]
    balls: tuple[Row, ...]
    schedule: tuple[Row, ...]
    seed: int
    version: str
    changed: tuple[str, ...] = ()
    parts: tuple[PlanPart, ...] = ()
    looks: Looks = NO_LOOKS
    sealed: bool = True

    def __str__(self) -> str:
        """Say its size, its seed and what was changed."""
        days = len({b["block"] for b in self.batches})
        head = f"plan of {self.settings.name}: {len(self.batches)} batches, {len(self.balls)} balls"
        return "\n".join([f"{head}, mixing days: {days}, seed {self.seed}", *self.changed])

    __repr__ = __str__

    def batch(self, batch_id: str) -> Row:
        """Look a batch up by its id.

        Raises
        ------
        UnknownName
            With the nearest id.
        """
        return _find(self.batches, "batch_id", batch_id)

    def ball(self, ball_id: str) -> Row:
        """Look a ball up by its id.

        Raises
        ------
        UnknownName
            With the nearest id.
        """
        return _find(self.balls, "ball_id", ball_id)

    @property
    def sessions(self) -> tuple[str, ...]:
        """The sessions in time order."""
        return tuple(sorted({b["session"] for b in self.balls if b["session"]}))

    def serving_orders(self, session: str) -> dict[str, list[str]]:
        """Give each judge an order of the session's bakes.

        Returns
        -------
        dict of str to list of str
            Judge to ball ids; what is due within an hour is tasted as one round, of no more
            samples than a judge takes, and within a round the orders are rows of a Williams
            square.

        Raises
        ------
        UnknownName
            For a session that the plan does not have.
        """
        if session not in self.sessions:
            raise UnknownName("session", session, self.sessions, where="plan/balls.csv")
        balls = [b for b in self.balls if b["session"] == session and b["purpose"] == "bake"]
        due = {r["item"]: r["due_at"] for r in self.schedule if r["step"] == "bake"}
        undated = datetime.min
        rounds = serve_rounds(
            {b["ball_id"]: due.get(b["ball_id"], undated) for b in balls},
            self.settings.panel.samples_per_session,
        )
        rng = make_rng(self.seed, f"serve/{session}")
        return serve_judges(rounds, self.settings.panel.judges, rng)

    def mixed_as(self, setting: Mapping[str, str]) -> set[str]:
        """Name the batches that are mixed with these levels; factors of balls are not looked at.

        Parameters
        ----------
        setting : mapping of str to str
            Factor to level.

        Examples
        --------
        >>> from doughlab.notebook import open_demo
        >>> plan = open_demo().frozen_plan
        >>> sorted(plan.mixed_as({"water": "tap", "mixing_water": "64 F", "hydration": "65"}))
        ['B09', 'B20']
        """
        factors = [f for f in self.settings.factors_set("day", "batch") if f.name in setting]
        return {
            str(row["batch_id"]) for row in self.batches
            if all(f.level_of(row[f.column]) == setting[f.name] for f in factors)
        }  # fmt: skip

    @property
    def batches_frame(self) -> pd.DataFrame:
        """The batches as a DataFrame, one row each."""
        return self._frame("batches", self.batches)

    @property
    def balls_frame(self) -> pd.DataFrame:
        """The balls as a DataFrame, one row each."""
        return self._frame("balls", self.balls)

    @property
    def schedule_frame(self) -> pd.DataFrame:
        """What is due as a DataFrame, in time order."""
        return self._frame("schedule", self.schedule)

    def _frame(self, name: str, rows: Sequence[Row]) -> pd.DataFrame:
        import pandas as pd

        return pd.DataFrame(list(rows), columns=list(self.settings.table(name).names))


def _find(rows: Sequence[Row], key: str, wanted: str) -> Row:
    for row in rows:
        if row[key] == wanted:
            return row
    what = key.removesuffix("_id")
    raise UnknownName(what, wanted, [r[key] for r in rows], where="plan")


def build_plan(
    settings: Settings,
    *,
    formula: Formula | None = None,
    waters: Mapping[str, Any] | None = None,
    seed: int | None = None,
) -> Plan:
    """Build the plan of a trial; nothing is written.

    Parameters
    ----------
    settings : Settings
    formula : Formula, optional
        Gives the minutes from mixing to balling; without it `kitchen.mix_min` is taken.
    waters : mapping, optional
        Waters by id; when given, every water level must be one of them.
    seed : int, optional
        The settings' seed unless given. The same seed gives the same plan.

    Returns
    -------
    Plan

    Raises
    ------
    PlanError
        When the plan cannot be made; says what is needed and what would mend it.
    UnknownName
        For a water that is not in waters.csv.

    Examples
    --------
    >>> from doughlab.sections import Blocks, Factor, Response
    >>> from doughlab.settings import Settings
    >>> water = Factor("water", "batch", "water", ("tap", "bottled"))
    >>> ph = Response("ph", "readings", "ph", margin=0.1)
    >>> plan = build_plan(Settings("x", "X1", factors={"water": water}, responses={"ph": ph},
    ...                            blocks=Blocks(days=2, replicates=4)))
    >>> len(plan.batches), [b["purpose"] for b in plan.balls[:2]]
    (8, ['ph', 'spare'])
    """
    _check_waters(settings, waters)
    _check_water_targets(settings)
    seed = settings.seed if seed is None else seed
    days = [
        d if d.placed else DayPlan(d.day, tuple(shuffled(d.runs, make_rng(seed, f"order/{i}"))))
        for i, d in enumerate(assign_days(settings, make_rng(seed, "days")))
    ]
    if not any(d.runs for d in days):
        raise PlanError("trial.toml: [[forbidden]] leaves nothing to mix. Allow a combination.")
    batches, runs = _lay_batches(settings, days)
    paired = paired_batches(settings, batches, seed=seed)
    chosen = [own for d in days for own in (d.balls or [None] * len(d.runs))]
    balls = [
        ball
        for batch, run, own in zip(batches, runs, chosen, strict=True)
        for ball in lay_balls(
            settings, batch, own or list_ball_settings(settings, run), seed,
            paired=batch["batch_id"] in paired,
        )
    ]  # fmt: skip
    if not balls:
        raise PlanError("trial.toml: no response needs a ball. Set balls = 1 in [responses.<n>].")
    schedule = date_balls(settings, batches, balls, formula=formula, seed=seed)
    schedule = add_first_readings(settings, balls, schedule)
    version = software_version()
    return Plan(settings, tuple(batches), tuple(balls), schedule, seed, version,
                looks=settings.looks)  # fmt: skip


def _check_waters(settings: Settings, waters: Mapping[str, Any] | None) -> None:
    if waters is None:
        return
    for factor in settings.factors.values():
        for level in factor.levels if factor.kind == "water" else ():
            if level not in waters:
                where = f"trial.toml, factors.{factor.name}"
                raise UnknownName("water", level, waters, where=where)


def _check_water_targets(settings: Settings) -> None:
    found = check_levels(settings)
    if found:
        name, words = found[0]
        raise PlanError(f"trial.toml, factors.{name}: {words}")


def _lay_batches(
    settings: Settings, days: Sequence[DayPlan]
) -> tuple[list[Row], list[dict[str, str]]]:
    """Give the batches their numbers, in the order they are mixed."""
    total = sum(len(d.runs) for d in days)
    width = max(2, len(str(total)))
    factors = settings.factors_set("day", "batch")
    rows: list[Row] = []
    runs: list[dict[str, str]] = []
    for d, day in enumerate(days, start=1):
        for order, run in enumerate(day.runs, start=1):
            row: Row = dict.fromkeys(settings.table("batches").names)
            row |= {"batch_id": f"B{len(rows) + 1:0{width}d}", "block": f"D{d}", "order": order}
            row |= {f.column: f.value_of(run[f.name]) for f in factors}
            rows.append(row)
            runs.append(run)
    for row, lot in zip(rows, name_water_lots(settings, rows), strict=True):
        row["water_lot"] = lot
    return rows, runs


def ball_counts(settings: Settings) -> dict[str, int]:
    """Count the balls of each purpose that one ball setting of a batch needs."""
    counts: dict[str, int] = {}
    for r in settings.responses.values():
        counts[r.purpose] = max(counts.get(r.purpose, 0), r.balls)
    return {purpose: n for purpose, n in counts.items() if n}


def lay_balls(
    settings: Settings,
    batch: Row,
    choices: Sequence[dict[str, str]],
    seed: int,
    *,
    paired: bool = False,
) -> list[Row]:
    """Lay out the balls of a batch; which ball gets which setting is left to chance."""
    factors = settings.factors_set("ball")
    wanted: list[tuple[str, dict[str, Any]]] = []
    for levels in choices:
        values = {f.column: f.value_of(levels[f.name]) for f in factors}
        for purpose, count in ball_counts(settings).items():
            wanted += [(purpose, values)] * count
    drawn = shuffled(wanted, make_rng(seed, f"balls/{batch['batch_id']}"))
    drawn += pairs_of_batch(settings, choices) if paired else []
    drawn += [("spare", {})] * settings.blocks.spares if wanted else []
    names = settings.table("balls").names
    width = len(str(len(drawn)))
    return [
        dict.fromkeys(names)
        | {
            "ball_id": f"{batch['batch_id']}-{i:0{width}d}",
            "batch_id": batch["batch_id"],
            "purpose": purpose,
        }
        | values
        for i, (purpose, values) in enumerate(drawn, start=1)
    ]


def software_version() -> str:
    """Give the version of the installed doughlab."""
    from importlib.metadata import version

    return version("doughlab")


def write_plan(plan: Plan, folder: Path | str) -> list[str]:
    """Keep a plan: write plan/*.csv and seal them with plan/plan.lock.

    Parameters
    ----------
    plan : Plan
    folder : Path
        The trial folder.

    Returns
    -------
    list of str
        The files written, relative to the folder; empty when the same plan is kept already.

    Raises
    ------
    PlanError
        When records have been made under another kept plan, or the plan goes on after its last
        planned look.

    Examples
    --------
    >>> from doughlab.notebook import open_demo
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     write_plan(open_demo().frozen_plan, folder)
    ['plan/batches.csv', 'plan/balls.csv', 'plan/schedule.csv', 'plan/plan.lock']
    """
    if plan.looks.whole is not None and not plan.parts and len(plan.batches) > plan.looks.whole:
        raise PlanError(say_beyond(plan))
    folder = Path(folder)
    texts = {TABLES[p].path: write_csv(plan.settings.table(p), getattr(plan, p))
             for p in PARTS}  # fmt: skip
    texts[LOCK] = build_lock(plan)
    old = {name: _read_text(folder / name) for name in texts}
    if old == texts:
        return []
    recorded = _recorded(folder)
    if recorded and any(text is not None for text in old.values()):
        raise PlanError(
            f"A plan is kept already and {recorded} holds records made under it. It stays as it "
            "is: change it back, or start a new trial folder for the new plan."
        )
    put_files(folder, texts)
    return list(texts)


def put_files(folder: Path, texts: Mapping[str, str]) -> None:
    """Write files of plan/ aside, each flushed to the disk, then put them in place."""
    aside = {name: folder / f"{name}.new" for name in texts}
    (folder / "plan").mkdir(parents=True, exist_ok=True)
    for name, path in aside.items():
        with path.open("w", encoding="utf-8", newline="") as file:
            file.write(texts[name])
            file.flush()
            os.fsync(file.fileno())
    for name, path in aside.items():
        path.replace(folder / name)


def _read_text(path: Path) -> str | None:
    try:
        return path.read_bytes().decode("utf-8", errors="replace")
    except FileNotFoundError:
        return None


def _recorded(folder: Path) -> str:
    """Name a record file that has rows; empty without records."""
    for name in RECORDS:
        text = _read_text(folder / TABLES[name].path)
        if text and len([line for line in text.splitlines() if line.strip()]) > 1:
            return TABLES[name].path
    return ""


def read_plan(folder: Path | str, settings: Settings) -> tuple[Plan | None, list[Problem]]:
    """Read the kept plan of a trial and compare it with its lock.

    Parameters
    ----------
    folder : Path
        The trial folder.
    settings : Settings
        As trial.toml says now.

    Returns
    -------
    plan : Plan or None
        None while no plan is kept, or where its batches or balls cannot be read.
    problems : list of Problem
        Cells that cannot be read, and what was changed after the plan was kept.

    Examples
    --------
    >>> from doughlab.notebook import open_demo
    >>> plan, problems = read_plan(open_demo().folder, open_demo().settings)
    >>> len(plan.batches), problems
    (24, [])
    """
    folder = Path(folder)
    if not any((folder / TABLES[p].path).exists() for p in PARTS):
        return None, []
    problems: list[Problem] = []
    rows: dict[str, tuple[Row, ...]] = {}
    for part in PARTS:
        found = read_rows(folder, settings.table(part))
        problems += found.problems
        rows[part] = tuple({k: v for k, v in r.items() if k != "_row"} for r in found.rows)
        if not (folder / TABLES[part].path).exists():
            message = "is missing, but other files of the kept plan are there. Bring it back."
            problems.append(Problem(TABLES[part].path, message))
    usable = not any(p.level == "error" for p in problems)
    lock, lock_problems = read_lock(folder)
    problems += lock_problems
    seed = lock.get("seed", settings.seed) if lock else settings.seed
    version = lock.get("version", "") if lock else ""
    plan = Plan(settings, rows["batches"], rows["balls"], rows["schedule"], seed, version,
                parts=sealed_parts(lock), looks=sealed_looks(lock),
                sealed=lock is not None)  # fmt: skip
    if not usable:
        return None, problems
    problems += _check_rows(plan)
    if any(p.level == "error" for p in problems):
        return None, problems
    changed = compare_lock(plan, lock) if lock else [
        "changed after the plan: plan.lock is missing, so nothing shows that this is the plan "
        "that was kept"
    ]  # fmt: skip
    problems += [Problem(LOCK, f"{sentence}.", level="note") for sentence in changed]
    return replace(plan, changed=tuple(changed)), problems


def _check_rows(plan: Plan) -> list[Problem]:
    """Find balls of unknown batches and balls without the settings they need."""
    batches = {b["batch_id"] for b in plan.batches}
    inner = plan.settings.factors_set("ball")
    problems = []
    path = TABLES["balls"].path
    for number, ball in enumerate(plan.balls, start=2):
        if ball["batch_id"] not in batches:
            error = UnknownName("batch", str(ball["batch_id"]), batches)
            problems.append(Problem(path, str(error), number, "batch_id"))
        for f in inner:
            if ball["purpose"] != "spare" and ball[f.column] is None:
                message = f"{f.column} is empty. Only a spare ball has no {f.words}."
                problems.append(Problem(path, message, number, f.column))
    return problems
