"""Trainees: whether their readings and doses agree with those of an experienced person.

`doughlab record trainee` stores the pairs, `today` and `check` ask here who is due; the band is the
kitchen's own, from [training].

The rule. Pairs are judged in blocks, each pair in one block only: a window that slides agrees by
luck in the end. A block agrees when the range that holds 95 of 100 differences lies in the band
with a stated certainty (tolerance range of stats.tolerance: mean -+ k SD). The first block of a
round may be wrong in 2.5 of 100, the next in 1.25, and so on: over all of them at most 5 in 100
trainees agree of whom fewer than 95 of 100 differences lie in the band. Calculated for blocks of
10 and a band of 0.1 pH (tests/record/test_trainee.py): of trainees whose limits are the band
itself 1.5 in 100 agree within four blocks; of those whose differences have an SD of 0.015 pH all
agree within two blocks, of 0.02 pH 97 in 100, of 0.025 pH 73. Agreement ends when two pairs of a
later block lie outside the band, or a whole later block has its limits of agreement (mean -+ 1.96
SD; Bland & Altman 1986) outside; then a new round begins.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from typing import Any

from doughlab.errors import InputError, Problem
from doughlab.record.records import Records
from doughlab.settings import Settings

Row = dict[str, Any]
KINDS = {"reading": "readings", "dose": "doses"}
WITHIN = 1.96  # standard deviations that hold 95 of 100 differences: Bland & Altman (1986)
BY_LUCK = 0.05  # of all blocks of a round together
OUTSIDE = 2  # pairs of a later block outside the band that end an agreement


@cache
def block_factor(n: int, block: int) -> float:
    """Give the standard deviations that must fit into the band, for a block of a round.

    Parameters
    ----------
    n : int
        Pairs of the block, 2 or more.
    block : int
        First, second, ... of its round: the certainty asked for grows, so that all of them
        together are wrong in no more than 5 of 100.

    References
    ----------
    Wald & Wolfowitz (1946); see `stats.tolerance.tolerance_factor`.

    Examples
    --------
    >>> round(block_factor(10, 1), 2), round(block_factor(10, 2), 2)
    (3.77, 4.16)
    """
    from doughlab.stats.tolerance import tolerance_factor

    return tolerance_factor(n, 0.95, confidence=1.0 - BY_LUCK * 0.5 ** min(block, 16))


@dataclass(frozen=True)
class Agreement:
    """Differences of paired numbers, trainee less experienced.

    Attributes
    ----------
    n : int
    mean, sd : float
        Of the differences.
    low, high : float
        Limits of agreement: between them lie about 95 of 100 differences.

    Examples
    --------
    >>> print(fit_agreement([0.02, -0.01, 0.03, 0.00, 0.01]))
    5 pairs differ by 0.01 on average; 95 in 100 lie within -0.021 to 0.041
    """

    n: int
    mean: float
    sd: float

    @property
    def low(self) -> float:
        """Lower limit of agreement."""
        return self.mean - WITHIN * self.sd

    @property
    def high(self) -> float:
        """Upper limit of agreement."""
        return self.mean + WITHIN * self.sd

    def within(self, band: float) -> bool:
        """Tell whether both limits lie inside plus and minus the band."""
        return max(-self.low, self.high) <= band

    def sure(self, block: int) -> tuple[float, float]:
        """Give the range that holds 95 of 100 differences with the certainty asked for."""
        half = block_factor(self.n, block) * self.sd
        return self.mean - half, self.mean + half

    def agrees(self, band: float, block: int) -> bool:
        """Tell whether that range lies inside plus and minus the band."""
        low, high = self.sure(block)
        return max(-low, high) <= band

    def __str__(self) -> str:
        """Say it in a line."""
        return (
            f"{self.n} pairs differ by {self.mean:.2g} on average; 95 in 100 lie within "
            f"{self.low:.2g} to {self.high:.2g}"
        )


def fit_agreement(differences: Sequence[float]) -> Agreement:
    """Find mean and spread of paired differences.

    Parameters
    ----------
    differences : sequence of float
        Trainee less experienced, two or more.

    Raises
    ------
    InputError
        With fewer than two.
    """
    n = len(differences)
    if n < 2:
        raise InputError(f"{n} pair tells nothing about agreement. Take two or more.")
    mean = math.fsum(differences) / n
    sd = math.sqrt(math.fsum((d - mean) ** 2 for d in differences) / (n - 1))
    return Agreement(n, mean, sd)


@dataclass(frozen=True)
class Standing:
    """How far a trainee has come with readings or doses.

    Attributes
    ----------
    trainee, kind : str
        Initials; "reading" or "dose".
    pairs : int
        Taken so far.
    wanted : int
    agreement : Agreement or None
        Of the last whole block; None with too few.
    band : float
        pH, or per cent of the dose.
    agreed_at : datetime or None
        When the last pair of the block was taken with which they agreed.
    block : int
        Which block of its round the last whole one was.
    fresh : int
        Pairs taken since the last whole block.
    fallen_at : datetime or None
        When an agreement ended that pairs after it did not bear out.
    due : bool
        Whether pairs are to be taken, for the first time or again.
    again_on : str
        Date by which they are repeated; empty before they agreed.
    """

    trainee: str
    kind: str
    pairs: int
    wanted: int
    band: float
    agreement: Agreement | None = None
    agreed_at: datetime | None = None
    due: bool = True
    again_on: str = ""
    block: int = 1
    fresh: int = 0
    fallen_at: datetime | None = None

    @property
    def words(self) -> str:
        """What to tell, in a line."""
        what = f"{self.trainee}, {KINDS[self.kind]}"
        unit = "pH" if self.kind == "reading" else "%"
        if self.agreed_at is not None:
            state = "repeat it now" if self.due else f"repeat by {self.again_on}"
            return (
                f"{what}: agreed within {self.band:g} {unit} on {self.agreed_at:%Y-%m-%d}; {state}"
            )
        more = f"take {self.wanted} fresh pairs ({self.fresh} taken)"
        if self.fallen_at is not None:
            return (
                f"{what}: agreement ended on {self.fallen_at:%Y-%m-%d}: pairs after it lie "
                f"outside {self.band:g} {unit}; look at it together and {more}"
            )
        if self.agreement is None:
            return f"{what}: {self.pairs} of {self.wanted} pairs beside an experienced person"
        low, high = self.agreement.sure(self.block)
        return (
            f"{what}: by block {self.block} of {self.wanted} pairs, 95 in 100 may lie as far as "
            f"{low:+.2g} to {high:+.2g} {unit} (tolerance range), the band is {self.band:g}; look "
            f"at it together and {more}"
        )


def differences(rows: Sequence[Row], kind: str) -> list[float]:
    """Give trainee less experienced: in pH, or in per cent of the experienced person's dose.

    Examples
    --------
    >>> differences([{"trainee_value": 5.2, "experienced_value": 5.0}], "dose")
    [4.0]
    """
    found = []
    for row in rows:
        off = row["trainee_value"] - row["experienced_value"]
        if kind == "dose":
            off = 100.0 * off / row["experienced_value"]
        found.append(round(off, 9))
    return found


def trainee_standings(settings: Settings, records: Records, at: datetime) -> list[Standing]:
    """Tell for every trainee how readings and doses stand at a time.

    Parameters
    ----------
    settings : Settings
        Section [training].
    records : Records
    at : datetime
        With offset.

    Returns
    -------
    list of Standing
        Readings of each trainee; doses too once there is a pair of them.

    Examples
    --------
    >>> from doughlab.training import Training
    >>> settings = Settings("Demo", "DE", training=Training(("ben",), ("ada",)))
    >>> now = datetime.fromisoformat("2026-03-02T09:00+00:00")
    >>> trainee_standings(settings, Records(), now)[0].words
    'ben, readings: 0 of 10 pairs beside an experienced person'
    """
    out = []
    for trainee in settings.training.trainees:
        for kind in KINDS:
            rows = [
                r for r in records.trainees
                if r["trainee"] == trainee and r["kind"] == kind and r["at"] <= at
            ]  # fmt: skip
            if rows or kind == "reading":
                out.append(_stand(settings, trainee, kind, rows, at))
    return out


def _stand(settings: Settings, trainee: str, kind: str, rows: list[Row], at: datetime) -> Standing:
    training = settings.training
    band = training.band_ph if kind == "reading" else training.band_dose_pct
    rows = sorted(rows, key=lambda r: r["at"])
    found = judge_blocks(differences(rows, kind), band=band, wanted=training.pairs)
    agreed_at = None if found.agreed is None else rows[found.agreed]["at"]
    fallen_at = None if found.fallen is None else rows[found.fallen]["at"]
    again = "" if agreed_at is None else _months_later(agreed_at, training.repeat_months)
    due = agreed_at is None or f"{at:%Y-%m-%d}" >= again
    return Standing(
        trainee, kind, len(rows), training.pairs, band, found.last, agreed_at, due, again,
        found.block, len(rows) - found.start, fallen_at,
    )  # fmt: skip


@dataclass
class Blocks:
    """Where a trainee stands after all pairs; see `judge_blocks`.

    Attributes
    ----------
    agreed, fallen : int or None
        The pair that completed the block with which they agree, or that ended an agreement.
    start : int
        Where the next block begins.
    block : int
        Which block of its round the last whole one was.
    last : Agreement or None
        Of the last whole block.
    """

    agreed: int | None = None
    fallen: int | None = None
    start: int = 0
    block: int = 1
    last: Agreement | None = None
    tries: int = 0

    def take(self, end: int, found: Agreement, band: float) -> None:
        """Judge a whole block that ends before a pair."""
        self.tries += 1
        self.block, self.last, self.start = self.tries, found, end
        if found.agrees(band, self.tries):
            self.agreed, self.fallen, self.tries = end - 1, None, 0
        elif self.agreed is not None and not found.within(band):
            self.end(end - 1)

    def end(self, pair: int) -> None:
        """End an agreement; a new round begins with the next pair."""
        self.agreed, self.fallen, self.start, self.tries = None, pair, pair + 1, 0


def judge_blocks(off: Sequence[float], *, band: float, wanted: int) -> Blocks:
    """Judge differences block by block, by the rule at the head of this module.

    Parameters
    ----------
    off : sequence of float
        Trainee less experienced, in the order of time.
    band : float
        Same unit.
    wanted : int
        Pairs of a block.

    Examples
    --------
    >>> judge_blocks([0.01, -0.01] * 5, band=0.1, wanted=10).agreed
    9
    >>> judge_blocks([0.01, -0.01] * 5 + [0.5, -0.5], band=0.1, wanted=10).fallen
    11
    """
    found = Blocks()
    outside = 0
    for i, one in enumerate(off):
        if i == found.start:
            outside = 0
        outside += abs(one) > band
        if found.agreed is not None and outside >= OUTSIDE:
            found.end(i)
        elif i + 1 - found.start == wanted:
            found.take(i + 1, fit_agreement(off[found.start : i + 1]), band)
    return found


def _months_later(at: datetime, months: int) -> str:
    """Give the date some months later; the last of a month stays inside the month."""
    from calendar import monthrange

    year, month = divmod(at.year * 12 + at.month - 1 + months, 12)
    day = min(at.day, monthrange(year, month + 1)[1])
    return f"{year:04d}-{month + 1:02d}-{day:02d}"


def trainee_words(settings: Settings, records: Records, at: datetime) -> str:
    """Say who is due; empty where nobody is.

    Examples
    --------
    >>> now = datetime.fromisoformat("2026-03-02T09:00+00:00")
    >>> trainee_words(Settings("Demo", "DE"), Records(), now)
    ''
    """
    return "; ".join(s.words for s in trainee_standings(settings, records, at) if s.due)


def write_card(settings: Settings, standing: Standing) -> str:
    """Give the text of a trainee's card: what was done, with whom, when, until when.

    Examples
    --------
    >>> print(write_card(Settings("Demo", "DE"), Standing("ben", "reading", 3, 10, 0.1)))
    Demo (DE)
    ben, readings: 3 of 10 pairs beside an experienced person
    Each pair is one sample, measured by both without seeing the other's number.
    Pairs are judged in blocks, once each; of people who do not agree, at most 5 in 100...
    """
    lines = [f"{settings.name} ({settings.code})", standing.words]
    if standing.agreement is not None:
        lines.append(f"{standing.agreement}.")
    same = {"reading": "one sample, measured", "dose": "one water, dosed"}[standing.kind]
    lines.append(f"Each pair is {same} by both without seeing the other's number.")
    lines.append(
        "Pairs are judged in blocks, once each; of people who do not agree, at most "
        f"{100 * BY_LUCK:g} in 100 would be taken to agree by luck."
    )
    if standing.agreed_at is not None:
        lines.append("Signed: trainee ________  experienced ________  date ________")
    return "\n".join(lines)


def check_trainees(settings: Settings, records: Records) -> Iterator[Problem]:
    """Find pairs that cannot be used, and readings that a trainee took before agreeing.

    Examples
    --------
    >>> list(check_trainees(Settings("Demo", "DE"), Records()))
    []
    """
    training = settings.training
    path = "record/trainees.csv"
    for row in records.trainees:
        for column in ("trainee", "experienced"):
            known = training.trainees if column == "trainee" else training.experienced
            if row[column] not in known:
                words = (
                    f"{column} '{row[column]}' is not named in [training] of trial.toml. Add the "
                    "initials there, or correct them."
                )
                yield Problem(path, words, row.get("_row"), column)
        if row["kind"] == "reading" and not all(
            2.5 <= row[c] <= 9.0 for c in ("trainee_value", "experienced_value")
        ):
            words = "a reading lies outside pH 2.5 to 9. A decimal point may be missing."
            yield Problem(path, words, row.get("_row"), "trainee_value")
    yield from _early_readings(settings, records)


def _early_readings(settings: Settings, records: Records) -> Iterator[Problem]:
    """Flag, once for each trainee, readings of the trial taken before agreement."""
    if not settings.training.trainees:
        return
    for trainee in settings.training.trainees:
        mine = [r for r in records.readings if r["entered_by"] == trainee]
        early = []
        for row in mine:
            (standing, *_) = [
                s for s in trainee_standings(settings, records, row["read_at"])
                if (s.trainee, s.kind) == (trainee, "reading")
            ]  # fmt: skip
            if standing.due:
                early.append(row)
        if early:
            what = "1 reading" if len(early) == 1 else f"{len(early)} readings"
            words = (
                f"{what} entered by {trainee}, who had no agreement within "
                f"{settings.training.band_ph:g} pH on that day. They are used; let somebody "
                "experienced read beside."
            )
            yield Problem("record/readings.csv", words, early[0].get("_row"), "entered_by", "note")
