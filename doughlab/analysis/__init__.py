"""The analysis room: from a trial's records to answers with ranges and verdicts.

`analyse(trial, "ph")` gives an `Analysis`. It stands on a `Dataset` (one value per ball, or per
judge and ball, with the frozen plan's settings), fitted as a `TrialModel` with the terms that the
plan decided on. Each question becomes an `Answer` made of `Comparison`s, each with its 95 % range
and verdict. `check_model` looks for unusual balls and batches; nothing is ever dropped.
`second_look` fits what the batches got (pH, alkalinity, acid, temperatures) beside the plan; it
gives no verdict and changes none.
"""

from doughlab.analysis.achieved import SecondLook, second_look
from doughlab.analysis.analyse import Analysis, analyse
from doughlab.analysis.answers import Answer
from doughlab.analysis.contrasts import Comparison
from doughlab.analysis.dataset import Dataset, TrialLike, build_dataset
from doughlab.analysis.models import TrialModel, fit_model
from doughlab.analysis.residuals import ModelChecks, check_model

__all__ = [
    "Analysis",
    "Answer",
    "Comparison",
    "Dataset",
    "ModelChecks",
    "SecondLook",
    "TrialLike",
    "TrialModel",
    "analyse",
    "build_dataset",
    "check_model",
    "fit_model",
    "second_look",
]
