"""Scores: one number per judge and ball, the weighted mean of the rubric's criteria.

The analysis takes its scored responses from here.
A score with a missing or doubled criterion is missing, and says which; nothing is filled in.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

from doughlab.record.records import Records
from doughlab.sections import Response
from doughlab.settings import Settings

Row = dict[str, Any]


@dataclass(frozen=True)
class BallScore:
    """What one judge gave one ball.

    Attributes
    ----------
    ball_id, judge : str
    value : float or None
        Weighted mean of the criteria; None where one is missing or stands twice.
    missing : tuple of str
        Criteria without a score.
    doubled : tuple of str
        Criteria that this judge scored twice.
    position : int or None
        Place in the serving order.
    plates : tuple of float
        Value of each plate, where the ball was tasted twice under two codes; `value` is their
        mean.
    """

    ball_id: str
    judge: str
    value: float | None
    missing: tuple[str, ...] = ()
    doubled: tuple[str, ...] = ()
    position: int | None = None
    plates: tuple[float, ...] = ()

    @property
    def spread(self) -> float | None:
        """Standard deviation over the plates of the ball; None where there was one."""
        if len(self.plates) < 2 or self.value is None:
            return None
        squares = math.fsum((p - self.value) ** 2 for p in self.plates)
        return math.sqrt(squares / (len(self.plates) - 1))


def ball_scores(records: Records, settings: Settings, response: Response | str) -> list[BallScore]:
    """Average the rubric for each judge and ball.

    Parameters
    ----------
    records : Records
    settings : Settings
        Its rubric gives criteria and weights; a criterion of weight 0 is not needed.
    response : Response or str
        A response in table scores.

    Returns
    -------
    list of BallScore
        In the order of entry, one for each judge and ball that has any score.

    Examples
    --------
    >>> from doughlab.sections import Criterion, Response
    >>> settings = Settings("Demo", "DE", rubric={"crust": Criterion("crust", weight=2.0),
    ...                                           "crumb": Criterion("crumb")})
    >>> rows = [{"ball_id": "B01-2", "judge": "ada", "criterion": c, "score": s}
    ...         for c, s in (("crust", 8.0), ("crumb", 5.0))]
    >>> ball_scores(Records.of(scores=rows), settings, Response("bake", "scores", "score", 1.0))
    [BallScore(ball_id='B01-2', judge='ada', value=7.0, missing=(), doubled=(), position=None,
    plates=())]
    """
    wanted = settings.response(response) if isinstance(response, str) else response
    weights = {name: c.weight for name, c in settings.rubric.items() if c.weight > 0}
    cards: dict[tuple[str, str], list[Row]] = {}
    for row in records.scores:
        cards.setdefault((row["ball_id"], row["judge"]), []).append(row)
    return [
        _join([_card(ball, judge, own, wanted.column, weights) for own in _by_plate(rows)])
        for (ball, judge), rows in cards.items()
    ]


def _by_plate(rows: list[Row]) -> list[list[Row]]:
    """Part the rows of a judge and a ball by the code on the plate; no code goes with the first."""
    plates: dict[Any, list[Row]] = {}
    first = next((r["blind_code"] for r in rows if r["blind_code"] is not None), None)
    for row in rows:
        plates.setdefault(first if row["blind_code"] is None else row["blind_code"], []).append(row)
    return list(plates.values())


def _join(cards: list[BallScore]) -> BallScore:
    """Take the mean of a ball's plates; a plate that is not whole is left out for the others."""
    whole = [card for card in cards if card.value is not None]
    if len(cards) == 1 or not whole:
        return cards[0]
    values = tuple(card.value for card in whole if card.value is not None)
    return replace(whole[0], value=math.fsum(values) / len(values), plates=values)


def _card(
    ball: str, judge: str, rows: list[Row], column: str, weights: dict[str, float]
) -> BallScore:
    given: dict[str, list[float]] = {}
    for row in rows:
        if row[column] is not None:
            given.setdefault(row["criterion"], []).append(float(row[column]))
    missing = tuple(c for c in weights if c not in given)
    doubled = tuple(c for c, found in given.items() if len(found) > 1 and c in weights)
    value = None
    if weights and not missing and not doubled:
        total = math.fsum(weights.values())
        value = math.fsum(w * given[c][0] for c, w in weights.items()) / total
    positions = [r["position"] for r in rows if r["position"] is not None]
    return BallScore(ball, judge, value, missing, doubled, positions[0] if positions else None)
