"""The seal of a kept plan: checksums over parsed values, so that a change cannot hide.

`write_plan` and `extend` build it, `read_plan` compares it, part by part. Spelling and spaces in
the files do not matter, values do. What to do about a change is left to the reader of the sentence.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from doughlab.errors import Problem
from doughlab.looks import SPENDS, Looks
from doughlab.plan.model import build_layout, choose_terms
from doughlab.plan.parts import PlanPart, batches_by_part, take_batches

if TYPE_CHECKING:
    from doughlab.plan.plan import Plan
    from doughlab.settings import Settings

FORMAT = 1
LOCK = "plan/plan.lock"
FIRST = "first plan"
_FILES = ("batches", "balls", "schedule")


def checksum(value: Any) -> str:
    """Give the SHA-256 of a value made of rows, lists, texts, numbers and times.

    Examples
    --------
    >>> checksum([{"a": 1.0, "b": None}]) == checksum([{"b": None, "a": 1}])
    True
    """
    text = json.dumps(_plain(value), sort_keys=True, ensure_ascii=False, separators=(",", ":"))
    return "sha256:" + hashlib.sha256(text.encode("utf-8")).hexdigest()


def _plain(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(v) for v in value]
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat()
    if isinstance(value, float) and value == int(value):
        return int(value)
    return value


def list_promises(settings: Settings) -> dict[str, dict[str, Any]]:
    """List what trial.toml promises before the data: questions, contrasts, margins, levels."""
    questions = {q.text: f"{q.factor} on {q.response}, {_rank(q.primary)}"
                 for q in settings.questions}  # fmt: skip
    contrasts = {q.text: q.contrast for q in settings.questions}
    margins = {r.name: r.margin for r in settings.responses.values()}
    use = {r.name: r.use_hold_h for r in settings.responses.values()}
    levels = {f.name: [f.set, f.kind, *(str(f.value_of(v)) for v in f.levels)]
              for f in settings.factors.values()}  # fmt: skip
    promised: dict[str, dict[str, Any]] = {
        "questions": questions,
        "contrasts": contrasts,
        "margins": margins,
        "use_hold_h": use,
        "levels": levels,
    }
    if settings.looks.after_batches:
        shown = ", ".join(map(str, settings.looks.after_batches))
        promised["looks"] = {"after_batches": shown, "spend": settings.looks.spend}
    if settings.confirm is not None:
        promised["confirm"] = settings.confirm.as_dict()
    return promised


def _rank(primary: bool) -> str:
    return "primary" if primary else "not primary"


def list_terms(plan: Plan) -> dict[str, Any]:
    """List the model terms of every response."""
    out = {}
    for r in plan.settings.responses.values():
        layout = build_layout(plan.settings, plan.batches, plan.balls, r)
        out[r.name] = choose_terms(plan.settings, layout, r).as_dict()
    return out


def build_lock(plan: Plan) -> str:
    """Write the text of plan.lock.

    The promises are those of the first part: what is added later is sealed beside them.
    """
    rows = batches_by_part(plan)
    first = take_batches(plan, rows[0]) if len(rows) > 1 else plan
    promised: dict[str, Any] = {**list_promises(plan.settings), "model": list_terms(first)}
    checksums = {name: checksum(getattr(first, name)) for name in _FILES}
    checksums |= {name: checksum(value) for name, value in promised.items()}
    ends = [first.batches[0]["batch_id"], first.batches[-1]["batch_id"]]
    lock: dict[str, Any] = {
        "format": FORMAT,
        "seed": plan.seed,
        "version": plan.version,
        "parts": [{"part": 1, "batches": ends, "reason": FIRST}],
        "promised": promised,
        "checksums": checksums,
    }
    lock["seal"] = checksum(lock)
    for part, batch_ids in zip(plan.parts[1:], rows[1:], strict=True):
        lock = add_part(lock, part, take_batches(plan, batch_ids))
    return write_lock(lock)


def write_lock(lock: Mapping[str, Any]) -> str:
    """Give the text of a lock."""
    return json.dumps(lock, indent=1, ensure_ascii=False) + "\n"


def add_part(lock: Mapping[str, Any], part: PlanPart, rows: Plan) -> dict[str, Any]:
    """Seal a new part beside the ones that are there, which stay as they were.

    Parameters
    ----------
    lock : mapping
        As read.
    part : PlanPart
    rows : Plan
        The rows of the new part alone.

    Returns
    -------
    dict
        The new lock. The part keeps the seal that the lock had before it.
    """
    added = {
        "part": part.number,
        "batches": [part.first, part.last],
        "reason": part.reason,
        "at": part.at,
        "seed": part.seed,
        "version": part.version,
        "checksums": {name: checksum(getattr(rows, name)) for name in _FILES},
        "after": lock.get("seal"),
    }
    out = {k: v for k, v in lock.items() if k != "seal"}
    out["parts"] = [*out.get("parts", []), added]
    return {**out, "seal": checksum(out)}


def sealed_parts(lock: Mapping[str, Any] | None) -> tuple[PlanPart, ...]:
    """Give the parts of an extended plan as a lock names them; empty where there is only one."""
    found: list[PlanPart] = []
    named = (lock or {}).get("parts")
    for number, given in enumerate(named if isinstance(named, list) else [], start=1):
        ends = given.get("batches") if isinstance(given, dict) else None
        if not (isinstance(ends, list) and len(ends) == 2):
            return ()
        texts = {key: str(given.get(key, "")) for key in ("reason", "at", "version")}
        seed = given.get("seed", (lock or {}).get("seed", 0))
        own = seed if isinstance(seed, int) else 0
        found.append(PlanPart(number, str(ends[0]), str(ends[1]), seed=own, **texts))
    return tuple(found) if len(found) > 1 else ()


def sealed_looks(lock: Mapping[str, Any] | None) -> Looks:
    """Give the looks that were promised before the data; none where a lock names none."""
    promised = (lock or {}).get("promised")
    given = promised.get("looks") if isinstance(promised, dict) else None
    if not isinstance(given, dict):
        return Looks()
    words = str(given.get("after_batches", "")).split(",")
    if not all(w.strip().isdigit() for w in words) or given.get("spend") not in SPENDS:
        return Looks()
    looks = Looks(tuple(int(w) for w in words), given["spend"])
    return Looks() if looks.check() else looks


def read_lock(folder: Path) -> tuple[dict[str, Any] | None, list[Problem]]:
    """Read plan.lock.

    Returns
    -------
    lock : dict or None
        None where it is missing or unreadable.
    problems : list of Problem
    """
    path = Path(folder) / LOCK
    try:
        lock = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return None, []
    except (UnicodeDecodeError, json.JSONDecodeError):
        return None, [Problem(LOCK, "cannot be read; it is written by the program only.")]
    if not isinstance(lock, dict) or lock.get("format") != FORMAT:
        found = lock.get("format") if isinstance(lock, dict) else None
        message = f"format must be {FORMAT}; found {found!r}. Update doughlab, or bring it back."
        return None, [Problem(LOCK, message)]
    return lock, []


def compare_lock(plan: Plan, lock: Mapping[str, Any]) -> list[str]:
    """Say what was changed after the plan, or a part of it, was kept.

    Parameters
    ----------
    plan : Plan
        With the parts that the lock names.
    lock : mapping

    Returns
    -------
    list of str
        Sentences without a full stop, each beginning "changed after the plan: "; empty when all
        is as it was.
    """
    found = []
    if not _is_sealed(lock):
        found.append("plan.lock itself was edited")
    rows = batches_by_part(plan)
    several = len(rows) > 1
    for number, batch_ids in enumerate(rows):
        own = take_batches(plan, batch_ids) if several else plan
        named = lock if number == 0 else lock["parts"][number]
        sums = named.get("checksums", {})
        where = f" of {plan.parts[number]}" if several else ""
        found += [f"a value in plan/{name}.csv{where}" for name in _FILES
                  if sums.get(name) != checksum(getattr(own, name))]  # fmt: skip
    if several:
        whole = take_batches(plan, [b for batch_ids in rows for b in batch_ids])
        found += [f"a row of no batch in plan/{name}.csv" for name in _FILES
                  if len(getattr(whole, name)) != len(getattr(plan, name))]  # fmt: skip
    first = take_batches(plan, rows[0]) if several else plan
    now: dict[str, Any] = {**list_promises(plan.settings), "model": list_terms(first)}
    checksums, then = lock.get("checksums", {}), lock.get("promised", {})
    for name in dict.fromkeys([*now, *(n for n in then if n in _WORDS)]):
        value, promised = now.get(name, {}), then.get(name, {})
        if checksums.get(name, checksum({})) != checksum(value):
            found += _differences(name, promised, value)
    return [f"changed after the plan: {what}" for what in found]


def _is_sealed(lock: Mapping[str, Any]) -> bool:
    """Tell whether the seal fits, and each earlier seal the lock as it was before a part."""
    rest = dict(lock)
    seal = rest.pop("seal", None)
    while seal == checksum(rest):
        parts = rest.get("parts")
        if not isinstance(parts, list) or len(parts) < 2:
            return True
        seal = parts[-1].get("after") if isinstance(parts[-1], dict) else None
        rest["parts"] = parts[:-1]
    return False


_WORDS = {
    "questions": "the question",
    "contrasts": "the comparison of",
    "margins": "the margin of",
    "use_hold_h": "the hold of use of",
    "levels": "the levels of",
    "model": "the model of",
    "looks": "the planned looks,",
    "confirm": "what was to be confirmed,",
}


def _differences(name: str, then: Mapping[str, Any], now: Mapping[str, Any]) -> list[str]:
    out = []
    for key in dict.fromkeys([*then, *now]):
        if key not in now:
            out.append(f"{_WORDS[name]} '{key}' was taken away")
        elif key not in then:
            out.append(f"{_WORDS[name]} '{key}' was added")
        elif checksum(then[key]) != checksum(now[key]):
            values = "" if name == "model" else f" was {_told(then[key])}, is {_told(now[key])}"
            out.append(f"{_WORDS[name]} '{key}'{values}")
    return out or [f"{_WORDS[name]} something"]


def _told(value: Any) -> str:
    if isinstance(value, list):
        return ", ".join(str(v) for v in value[2:] or value)
    return f"{value:g}" if isinstance(value, float) else str(value)
