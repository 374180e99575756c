"""Confirm folder: a small trial of the recommended setting, with its ranges written down first.

`doughlab decide --confirm` calls it. It makes trial.toml, copies water and formula, and keeps the
plan, so that the ranges are sealed before anything is mixed. What came is judged by `confirmed`.
"""

from __future__ import annotations

import json
import shutil
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date
from math import ceil
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from doughlab.analysis.analyse import Analysis
from doughlab.analysis.dataset import TrialLike
from doughlab.analysis.wording import level_words
from doughlab.confirming import Confirm
from doughlab.decision.chance import build_predictor
from doughlab.decision.choose import analyse_all, decide
from doughlab.decision.confirm import (
    Ranges,
    adapt_ranges,
    make_confirm,
    most_outside,
    spread_batches,
)
from doughlab.decision.effort import Effort, count_effort
from doughlab.errors import InputError, NotEstimable
from doughlab.files import write_csv
from doughlab.plan.lock import checksum
from doughlab.plan.plan import build_plan, write_plan
from doughlab.record.folder import FORMULA_FILE
from doughlab.settings import FILE, Settings, parse_settings
from doughlab.tables import table

if TYPE_CHECKING:
    from doughlab.formula.formula import Formula
    from doughlab.record.records import Records
    from doughlab.sections import Factor

_KEPT = ("units", "window", "kitchen", "steps", "reading_method", "meter", "buffers", "limits",
         "prices")  # fmt: skip
_SPREADS = ("batch_sd", "ball_sd", "day_sd", "session_sd")
_TOP = ("format", "dough", "timezone", "currency", "source")
_HEAD = """\
# A confirming trial, written by doughlab decide --confirm. It mixes one setting on new days and
# holds it against the ranges under [confirm], which were made before its batches and are sealed
# in plan/plan.lock: a later change is said on every result.

"""


class OpenTrial(TrialLike, Protocol):
    """A trial with its folder, as `doughlab.Trial` is."""

    @property
    def folder(self) -> Path:
        """Where it stands."""
        ...

    @property
    def formula(self) -> Formula | None:
        """The dough's formula, where it can be read."""
        ...


@dataclass(frozen=True)
class Written:
    """A confirming trial as it was written.

    Attributes
    ----------
    folder : Path
    files : tuple of str
    confirm : Confirm
    ranges : Ranges
    effort : Effort
    notes : tuple of str
        What the ranges leave out.
    outside : int or None
        Of all balls read, so many or fewer may lie outside the window in 95 of 100.
    spares : int
        Balls of each batch beside those that are read, which make it as large as those of the
        first trial.
    """

    folder: Path
    files: tuple[str, ...]
    confirm: Confirm
    ranges: Ranges
    effort: Effort
    notes: tuple[str, ...]
    outside: int | None = None
    spares: int = 0


def write_confirmation(
    trial: OpenTrial,
    folder: Path | str,
    *,
    batches: int = 4,
    days: int = 2,
    balls: int = 2,
    start_on: str = "",
) -> Written:
    """Write the folder of a confirming trial, its plan kept.

    Parameters
    ----------
    trial : OpenTrial
        With records that recommend a setting.
    folder : Path
        A new folder, or an empty one.
    batches, days, balls : int
        New batches (2 to 60), the mixing days they are spread over, balls read of each batch.
    start_on : str
        First mixing day, as 2026-05-04; without it the plan has no dates.

    Returns
    -------
    Written

    Raises
    ------
    InputError
        Where the folder is not empty, a number does not fit, or the start is no date.
    NotEstimable
        Where the trial recommends no setting.
    """
    path = Path(folder)
    _check(path, batches, days, balls, start_on)
    found = analyse_all(trial)
    decision = decide(trial, analyses=found)
    if not decision.recommended:
        why = " ".join(decision.early.sentences) if decision.early else decision.window.sentence
        raise NotEstimable(f"There is nothing to confirm yet: no setting is recommended. {why}")
    main = found[decision.window.response]
    confirm = _named(trial, main, decision.recommended, batches, days, balls)
    data = _trial_data(trial, decision.recommended, confirm, start_on)
    text = _HEAD + write_toml(data)
    settings, problems = parse_settings(text)
    if settings is None:
        raise InputError.from_problems(problems, shown=12)
    files = _write(trial, path, text, settings)
    plan = build_plan(settings, formula=trial.formula, waters=trial.waters)
    files += write_plan(plan, path)
    predictor = build_predictor(main)
    layout, ends = spread_batches(batches, days, balls), decision.window.ends
    return Written(
        path, tuple(files), confirm, adapt_ranges(confirm, layout),
        count_effort(plan, batches, formula=trial.formula), (*predictor.notes, *_left_out(confirm)),
        None if ends is None else most_outside(confirm, layout, ends), settings.blocks.spares,
    )  # fmt: skip


def _check(path: Path, batches: int, days: int, balls: int, start_on: str) -> None:
    if path.exists() and (not path.is_dir() or any(path.iterdir())):
        raise InputError(
            f"{path} is there already and not empty. Nothing is overwritten: name a new folder."
        )
    for name, value, low, high in (("--batches", batches, 2, 60), ("--days", days, 1, batches),
                                   ("--balls", balls, 1, 50)):  # fmt: skip
        if not low <= value <= high:
            raise InputError(f"{name} is {value}; it lies from {low} to {high}.")
    if start_on:
        try:
            date.fromisoformat(start_on)
        except ValueError:
            raise InputError(
                f"--start-on '{start_on}' is no date. Write it as 2026-05-04."
            ) from None


def _named(
    trial: OpenTrial,
    main: Analysis,
    setting: Mapping[str, str],
    batches: int,
    days: int,
    balls: int,
) -> Confirm:
    """Make the ranges and say where they come from."""
    readings = [r for r in trial.records.readings if r.get("ball_id")]
    calibrations = len({r["calibration_id"] for r in readings if r.get("calibration_id")})
    instruments = {str(r["instrument"]) for r in readings if r.get("instrument")}
    confirm = make_confirm(build_predictor(main), setting, batches=batches, days=days,
                           balls=balls, calibrations=calibrations)  # fmt: skip
    factors = main.settings.factors
    return replace(
        confirm,
        of=trial.settings.name,
        made_from=fingerprint(trial),
        setting=tuple(_words(factors[n], v) for n, v in setting.items()),
        instrument=", ".join(sorted(instruments)),
    )


def _words(factor: Factor, level: str) -> str:
    shown = level_words(factor, level)
    return shown if factor.kind == "water" else f"{factor.words} {shown}"


def fingerprint(trial: OpenTrial) -> str:
    """Give the checksum of a trial's plan and of every row that was recorded."""
    plan, records = trial.frozen_plan, trial.records
    kept = [] if plan is None else [plan.batches, plan.balls, plan.schedule]
    return checksum([kept, _rows(records)])


def _rows(records: Records) -> dict[str, Any]:
    return {
        name: [{k: v for k, v in row.items() if k != "_row"} for row in journal.history]
        for name, journal in sorted(records.journals.items())
    }


def _left_out(confirm: Confirm) -> list[str]:
    if confirm.meter_sd:
        return [
            f"The first trial was read with one calibration, so how calibrations differ is taken "
            f"as {confirm.meter_sd:g} pH (two buffers each known to 0.02; common practice, no "
            "source)."
        ]
    return []


def _trial_data(
    trial: OpenTrial, setting: Mapping[str, str], confirm: Confirm, start_on: str
) -> dict[str, Any]:
    """Make the contents of the new trial.toml from the old one's."""
    old = tomllib.loads((trial.folder / FILE).read_text(encoding="utf-8-sig"))
    settings = trial.settings
    data: dict[str, Any] = {n: old[n] for n in _TOP if n in old}
    data |= {
        "name": f"Confirm: {settings.name}",
        "code": f"{settings.code[:7]}C",
        "about": f"Confirms the setting that {settings.name} recommends.",
        "seed": (settings.seed + 1) % 2**31,
    }
    factors = {}
    for name, level in setting.items():
        given = old["factors"][name]
        keep = {k: v for k, v in given.items() if k in {"set", "kind", "unit", "title"}}
        factors[name] = keep | {"levels": [level]}
    response = dict(old["responses"][confirm.response]) | {"balls": confirm.balls}
    if "use_hold_h" in response and settings.hold is not None:
        response["use_hold_h"] = settings.hold.value_of(setting[settings.hold.name])
    blocks = {
        "kind": "day", "days": confirm.days, "replicates": confirm.batches,
        "batches_per_day": ceil(confirm.batches / confirm.days),
        "spares": _spares(trial, confirm.balls),
    }  # fmt: skip
    if start_on:
        blocks["start_on"] = start_on
    return {
        **data, "factors": factors, "responses": {confirm.response: response}, "blocks": blocks,
        **{n: old[n] for n in _KEPT if n in old},
        "assumed": {confirm.response: {n: float(f"{getattr(confirm, n):.2g}") for n in _SPREADS}},
        "confirm": {k: v for k, v in confirm.as_dict().items() if v != ""},
    }  # fmt: skip


def _spares(trial: OpenTrial, balls: int) -> int:
    """Count the spares that make a batch as large as those of the first trial; 20 at most."""
    plan, own = trial.frozen_plan, trial.settings.blocks.spares
    if plan is None:
        return own
    size = round(len(plan.balls) / max(1, len(plan.batches)))
    return min(20, max(own, size - balls))


def _write(trial: OpenTrial, path: Path, text: str, settings: Settings) -> list[str]:
    """Write trial.toml, the water's row and the formula."""
    path.mkdir(parents=True, exist_ok=True)
    (path / FILE).write_text(text, encoding="utf-8", newline="\n")
    files = [FILE]
    used = {level for f in settings.factors.values() if f.kind == "water" for level in f.levels}
    rows = [row for name, row in trial.waters.items() if name in used or not used]
    if rows:
        waters = table("waters")
        plain = [{k: v for k, v in row.items() if k in waters.names} for row in rows]
        (path / waters.path).write_text(write_csv(waters, plain), encoding="utf-8", newline="")
        files.append(waters.path)
    formula = trial.folder / FORMULA_FILE
    if formula.exists():
        shutil.copyfile(formula, path / FORMULA_FILE)
        files.append(FORMULA_FILE)
    return files


def write_toml(data: Mapping[str, Any], *, under: str = "") -> str:
    r"""Write plain values as TOML: values first, then sections.

    Examples
    --------
    >>> print(write_toml({"name": "Two", "limits": {"warm_h": 4}}))
    name = "Two"
    <BLANKLINE>
    [limits]
    warm_h = 4
    <BLANKLINE>
    """
    values = {k: v for k, v in data.items() if not isinstance(v, Mapping)}
    lines = [f"{k} = {_value(v)}" for k, v in values.items()]
    out = "\n".join(lines) + "\n" if lines else ""
    for name, inner in data.items():
        if isinstance(inner, Mapping):
            where = f"{under}.{name}" if under else name
            flat = not any(isinstance(v, Mapping) for v in inner.values())
            head = f"\n[{where}]\n" if flat or not inner else ""
            out += head + write_toml(inner, under=where)
    return out


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(_value(v) for v in value) + "]"
    if isinstance(value, (int, float)):
        return repr(value)
    return json.dumps(str(value), ensure_ascii=False)
