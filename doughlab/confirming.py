"""Section [confirm]: what a confirming trial should give, written down before its batches.

`doughlab decide --confirm` writes it, `sections` lists it and plan.lock seals it. How the ranges
are made and judged stands in the decision room.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any

from doughlab.keys import Key, Section, id_key, key_table, number_key, text_key, whole_key

_END = "Range, written down before the batches."
_SD = "Standard deviation in new batches, in the unit of the response."


@dataclass(frozen=True)
class Confirm:
    """What new batches of one setting should give, and what that rests on.

    Attributes
    ----------
    of : str
        Name of the trial that recommends the setting.
    made_from : str
        Checksum of its plan and records.
    setting : tuple of str
        The setting in words, one for each factor.
    response : str
    batches, days, balls : int
        New batches, the mixing days that they are spread over, balls read of each.
    mean_low, mean_high : float
        95 % range for the mean of the batches.
    batch_low, batch_high : float
        Range that holds for the means of all batches at once in 95 of 100.
    ball_low, ball_high : float
        The same for all balls.
    estimate, estimate_sd : float
        Mean of the setting by the first trial, and its standard error.
    day_sd, session_sd, lot_sd, batch_sd, ball_sd, meter_sd : float
        How new days, sessions, lots, batches, balls and calibrations spread.
    mean_df, batch_df, ball_df : float
        Degrees of freedom of the three ranges.
    instrument : str
        What the first trial was read with; empty where it does not say.
    """

    of: str = ""
    made_from: str = ""
    setting: tuple[str, ...] = ()
    response: str = "ph"
    batches: int = 4
    days: int = 2
    balls: int = 1
    mean_low: float = 0.0
    mean_high: float = 0.0
    batch_low: float = 0.0
    batch_high: float = 0.0
    ball_low: float = 0.0
    ball_high: float = 0.0
    estimate: float = 0.0
    estimate_sd: float = 0.0
    day_sd: float = 0.0
    session_sd: float = 0.0
    lot_sd: float = 0.0
    batch_sd: float = 0.0
    ball_sd: float = 0.0
    meter_sd: float = 0.0
    mean_df: float = 1.0
    batch_df: float = 1.0
    ball_df: float = 1.0
    instrument: str = ""

    def as_dict(self) -> dict[str, Any]:
        """Give every value by its name, for trial.toml and plan.lock.

        Examples
        --------
        >>> Confirm(batches=6).as_dict()["batches"]
        6
        """
        found = {f.name: getattr(self, f.name) for f in fields(self)}
        return {n: list(v) if isinstance(v, tuple) else v for n, v in found.items()}

    def check(self) -> tuple[str, str]:
        """Say which key is wrong and what would be right; empty where none is.

        Examples
        --------
        >>> Confirm(batches=2, days=3).check()
        ('days', '3 days for 2 batches: a day needs a batch. Give 2 days or fewer.')
        """
        if self.days > self.batches:
            return "days", (f"{self.days} days for {self.batches} batches: a day needs a batch. "
                            f"Give {self.batches} days or fewer.")  # fmt: skip
        for name in ("mean", "batch", "ball"):
            if getattr(self, f"{name}_low") >= getattr(self, f"{name}_high"):
                return f"{name}_low", f"{name}_low must lie under {name}_high."
        return "", ""


def _number(name: str, low: float | None, help_: str) -> Key:
    return number_key(name, "", low, None, help_, required=True)


CONFIRM = Section(
    key_table(
        text_key("of", "The trial that recommends the setting.", required=True),
        text_key("made_from", "Checksum of its plan and records.", required=True),
        text_key("setting", "The setting in words, one for each factor.", required=True, many=True),
        id_key("response", "The response that is confirmed.", required=True),
        whole_key("batches", 2, 60, "New batches."),
        whole_key("days", 1, 60, "Mixing days that they are spread over."),
        whole_key("balls", 1, 50, "Balls read of each batch."),
        *(
            _number(f"{name}_{end}", None, _END)
            for name in ("mean", "batch", "ball")
            for end in ("low", "high")
        ),
        _number("estimate", None, "Mean of the setting by the first trial."),
        _number("estimate_sd", 0.0, "Its standard error."),
        *(
            _number(f"{name}_sd", 0.0, _SD)
            for name in ("day", "session", "lot", "batch", "ball", "meter")
        ),
        *(
            _number(f"{name}_df", 1.0, "Degrees of freedom of its range.")
            for name in ("mean", "batch", "ball")
        ),
        text_key("instrument", "What the first trial was read with."),
    ),
    Confirm,
)
