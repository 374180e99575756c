"""Early: why a trial names no settings yet, and what is missing.

`choose` asks here before it names anything; `words` and the report print the sentences.
What is recommended once nothing stands against it is left to `choose`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy.special import ndtr

from doughlab.analysis.analyse import analyse
from doughlab.analysis.dataset import TrialLike
from doughlab.analysis.wording import joined
from doughlab.decision.chance import Predictor, tenths
from doughlab.decision.window import WindowFound
from doughlab.errors import MissingRecords, NotEstimable, listed

LEAST_BATCHES = 3  # left over, as the plan wants them to judge by
LEAST_DAYS = 2
LEAST_DF = 2.95  # three, of which unbalanced records lose a little
HALF = 0.5


@dataclass(frozen=True)
class TooEarly:
    """Why nothing is recommended.

    Attributes
    ----------
    because : str
        Follows "because"; a clause without a full stop.
    missing : str
        What would have to be recorded or tried; a clause without a full stop.
    chances : bool
        Whether the chances of the settings can be told all the same.
    """

    because: str
    missing: str
    chances: bool = False

    @property
    def sentences(self) -> tuple[str, str]:
        """Two sentences for a cook."""
        head = "Nothing is recommended" if self.chances else (
            "Too early: nothing is recommended yet")  # fmt: skip
        return f"{head}, because {self.because}.", f"What is missing: {self.missing}."

    def mind(self, balls: Sequence[str]) -> TooEarly:
        """Ask for a second look at unusual balls first, which may be what spreads so far.

        Examples
        --------
        >>> print(TooEarly("balls differ", "a wider band").mind(["B02-5"]).sentences[1])
        What is missing: a second look at B02-5, far from its setting; or a wider band.
        """
        if not balls:
            return self
        first = f"a second look at {listed(list(balls))}, far from "
        first += "its setting" if len(balls) == 1 else "their settings"
        return replace(self, missing=f"{first}; or {self.missing}")


def find_too_early(
    predictor: Predictor, table: pd.DataFrame, window: WindowFound
) -> TooEarly | None:
    """Find what stands against recommending any setting.

    Parameters
    ----------
    predictor : Predictor
    table : DataFrame
        Tried settings with estimate, df and chance.
    window : WindowFound
        With both ends.

    Returns
    -------
    TooEarly or None
        None where a recommendation has something to stand on.
    """
    factors = predictor.model.settings.factors
    single = [f.words for f in factors.values() if len(predictor.model.levels(f)) < 2]
    if single:
        return TooEarly(f"only one level of {joined(single)} is recorded so far",
                        f"balls of the other levels of {joined(single)}")  # fmt: skip
    open_ = [f.words for n, f in factors.items()
             if f.set != "ball" and not predictor.model.is_judged(n)]  # fmt: skip
    if open_:
        return TooEarly(
            f"too few batches are left over to judge {joined(open_)} by",
            "more batches, so that every level comes with several batches of its own",
        )
    left = count_left_over(predictor)
    if predictor.days < LEAST_DAYS and left < LEAST_BATCHES:
        return TooEarly(
            "one mixing day with so few batches does not show how much batches and days differ",
            f"batches of another mixing day, or {LEAST_BATCHES - left} more of this one",
        )
    at = int(np.argmax(np.nan_to_num(table["chance"].to_numpy(dtype=float), nan=-1.0)))
    best = table.iloc[at]
    df = min(float(best["df"]), predictor.spread()[1])
    if not (np.isfinite(best["chance"]) and df >= LEAST_DF):
        return TooEarly(
            "too few batches and mixing days are recorded to say how far new balls will spread",
            "more batches, on more mixing days",
        )
    if best["chance"] < HALF:
        return TooEarly(*_under_half(best, window), chances=True)
    return None


def find_unrecorded(trial: TrialLike, response: str) -> TooEarly | None:
    """Say why the window's response cannot be judged; None where it can.

    Parameters
    ----------
    trial : TrialLike
    response : str
        Its name.
    """
    words = trial.settings.response(response).words
    try:
        analyse(trial, response)
    except (MissingRecords, NotEstimable) as error:
        why = str(error).removeprefix(f"{words}: ").rstrip(".")
        return TooEarly(f"{words} cannot be judged yet", why)
    return None


def _under_half(best: pd.Series, window: WindowFound) -> tuple[str, str]:
    low, high = window.ends or (-np.inf, np.inf)
    mean = float(best["estimate"])
    because = (
        f"even at the best setting tried only about {tenths(float(best['chance']))} of 10 new "
        f"balls are inside {window.text}; on average they are at {mean:.2f} there"
    )
    sd, half = float(best["sd"]), (high - low) / 2.0
    centred = float(ndtr(half / sd) - ndtr(-half / sd)) if sd > 0 else 1.0
    if low <= mean <= high or centred < HALF:
        return because, "balls that differ less from one another, or a wider band"
    side = "higher" if mean < low else "lower"
    return because, f"settings that were not tried yet and give a {side} value"


def count_left_over(predictor: Predictor) -> int:
    """Count the batches that are left over once the fixed terms have told batches apart.

    Parameters
    ----------
    predictor : Predictor

    Returns
    -------
    int
        Batches minus the columns of the model that are constant within every batch.
    """
    design = predictor.model.fit.design
    rows = predictor.model.frame.loc[list(design.index)]
    codes = pd.factorize(rows["batch"].astype(str))[0]
    matrix = pd.DataFrame(np.asarray(design.matrix, dtype=float))
    firsts = matrix.groupby(codes).transform("first").to_numpy()
    constant = np.isclose(matrix.to_numpy(), firsts, atol=1e-9).all(axis=0)
    own = matrix.loc[:, constant].groupby(codes).first().to_numpy()
    rank = int(np.linalg.matrix_rank(own)) if own.size else 0
    return int(codes.max()) + 1 - rank
