"""The seal of a kept plan: checksums over parsed values, so that a change cannot hide.

`write_plan` builds it, `read_plan` compares it. Spelling and spaces in the files do not matter,
values do. What to do about a change is left to the reader of the sentence.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from doughlab.errors import Problem
from doughlab.plan.model import build_layout, choose_terms

if TYPE_CHECKING:
    from doughlab.plan.plan import Plan
    from doughlab.settings import Settings

FORMAT = 1
LOCK = "plan/plan.lock"
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
    return {
        "questions": questions,
        "contrasts": contrasts,
        "margins": margins,
        "use_hold_h": use,
        "levels": levels,
    }


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
    """Write the text of plan.lock."""
    promised: dict[str, Any] = {**list_promises(plan.settings), "model": list_terms(plan)}
    checksums = {name: checksum(getattr(plan, name)) for name in _FILES}
    checksums |= {name: checksum(value) for name, value in promised.items()}
    first, last = plan.batches[0]["batch_id"], plan.batches[-1]["batch_id"]
    lock: dict[str, Any] = {
        "format": FORMAT,
        "seed": plan.seed,
        "version": plan.version,
        "parts": [{"part": 1, "batches": [first, last], "reason": "first plan"}],
        "promised": promised,
        "checksums": checksums,
    }
    lock["seal"] = checksum(lock)
    return json.dumps(lock, indent=1, ensure_ascii=False) + "\n"


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
    """Say what was changed after the plan was kept.

    Returns
    -------
    list of str
        Sentences without a full stop, each beginning "changed after the plan: "; empty when all
        is as it was.
    """
    found = []
    if lock.get("seal") != checksum({k: v for k, v in lock.items() if k != "seal"}):
        found.append("plan.lock itself was edited")
    checksums = lock.get("checksums", {})
    for name in _FILES:
        if checksums.get(name) != checksum(getattr(plan, name)):
            found.append(f"a value in plan/{name}.csv")
    now: dict[str, Any] = {**list_promises(plan.settings), "model": list_terms(plan)}
    then = lock.get("promised", {})
    for name, value in now.items():
        if checksums.get(name) != checksum(value):
            found += _differences(name, then.get(name, {}), value)
    return [f"changed after the plan: {what}" for what in found]


_WORDS = {
    "questions": "the question",
    "contrasts": "the comparison of",
    "margins": "the margin of",
    "use_hold_h": "the hold of use of",
    "levels": "the levels of",
    "model": "the model of",
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
        return ", ".join(str(v) for v in value[2:])
    return f"{value:g}" if isinstance(value, float) else str(value)
