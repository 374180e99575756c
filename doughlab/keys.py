"""Keys and sections of trial.toml: how one value is read, and how a key is written down.

`sections` and `planned` list their keys with it. What the keys mean is left to them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from doughlab.cells import Column
from doughlab.errors import InputError
from doughlab.slips import ClockColumn


@dataclass(frozen=True)
class Key:
    """One key of a section: how its value is read and what it is for."""

    column: Column
    help: str
    many: bool = False
    flag: bool = False
    required: bool = False

    def read(self, value: Any) -> Any:
        """Turn the TOML value into ours.

        Raises
        ------
        InputError
            What was found and what would be right.
        """
        if self.flag:
            if not isinstance(value, bool):
                raise InputError(f"{self.column.name} must be true or false; found {value!r}.")
            return value
        if self.many:
            if not isinstance(value, list):
                raise InputError(f"{self.column.name} must be a list in [ ]; found {value!r}.")
            return tuple(self._one(v) for v in value)
        return self._one(value)

    def _one(self, value: Any) -> Any:
        name = self.column.name
        if isinstance(value, bool) or not isinstance(value, (str, int, float)):
            if hasattr(value, "isoformat"):
                value = value.isoformat()
            else:
                raise InputError(f"{name} must be one value; found {value!r}.")
        if isinstance(value, str) and not value.strip():
            raise InputError(f"{name} is empty. {self.help}")
        return self.column.read(str(value))


@dataclass(frozen=True)
class Section:
    """One section: its keys, what it becomes, whether it is [name.<own name>]."""

    keys: dict[str, Key]
    make: Callable[..., Any] = dict
    many: bool = False


def text_key(name: str, help_: str, *, required: bool = False, many: bool = False) -> Key:
    """Make a key that takes any text."""
    return Key(Column(name, "text", name), help_, many=many, required=required)


def id_key(name: str, help_: str, *, required: bool = False, many: bool = False) -> Key:
    """Make a key that takes a name of our own: small letters, digits, _."""
    return Key(Column(name, "id", name), help_, many=many, required=required)


def choice_key(
    name: str, allowed: tuple[str, ...], help_: str, *, required: bool = False, many: bool = False
) -> Key:
    """Make a key that takes one of some words."""
    return Key(Column(name, "choice", name, allowed=allowed), help_, many, required=required)


def number_key(
    name: str,
    unit: str,
    low: float | None,
    high: float | None,
    help_: str,
    *,
    required: bool = False,
    many: bool = False,
) -> Key:
    """Make a key that takes a number in a unit, or several, between two ends where given."""
    column = Column(name, "number", name, unit=unit, low=low, high=high)
    return Key(column, help_, required=required, many=many)


def whole_key(name: str, low: int, high: int, help_: str) -> Key:
    """Make a key that takes a whole number between two ends."""
    return Key(Column(name, "integer", name, low=low, high=high), help_)


def time_key(name: str, help_: str) -> Key:
    """Make a key that takes a time of day."""
    return Key(ClockColumn(name, "text", name), help_)


def key_table(*keys: Key) -> dict[str, Key]:
    """Give keys by their names."""
    return {k.column.name: k for k in keys}
