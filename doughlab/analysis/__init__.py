"""The analysis room: from a trial's records to answers with ranges and verdicts.

`analyse(trial, "ph")` gives an `Analysis`. It stands on a `Dataset` (one value per ball, or per
judge and ball, with the frozen plan's settings), fitted as a `TrialModel` with the terms that the
plan decided on. Each question becomes an `Answer` made of `Comparison`s, each with its 95 % range
and verdict. `check_model` looks for unusual balls and batches; nothing is ever dropped.
`second_look` fits what the batches got (pH, alkalinity, acid, temperatures) beside the plan; it
gives no verdict and changes none. For a scored response `check_panel` says whether judges agree,
how each uses the scale, who repeats a score and whether the answer hangs on one of them;
`check_ordered` asks the same question of the scores as ordered categories. Neither changes a
verdict.
"""

from doughlab.analysis.achieved import SecondLook, second_look
from doughlab.analysis.agreement import (
    PanelCheck,
    agreement_by_model,
    check_panel,
    intraclass,
    rank_agreement,
)
from doughlab.analysis.analyse import Analysis, analyse
from doughlab.analysis.answers import Answer
from doughlab.analysis.contrasts import Comparison
from doughlab.analysis.dataset import Dataset, TrialLike, build_dataset
from doughlab.analysis.earlier import measure_spreads, read_spreads
from doughlab.analysis.judges import (
    compare_scale_use,
    count_ends,
    drop_judges,
    measure_repeats,
)
from doughlab.analysis.models import TrialModel, fit_model
from doughlab.analysis.ordered import OrderedCheck, check_ordered
from doughlab.analysis.residuals import ModelChecks, check_model

__all__ = [
    "Analysis",
    "Answer",
    "Comparison",
    "Dataset",
    "ModelChecks",
    "OrderedCheck",
    "PanelCheck",
    "SecondLook",
    "TrialLike",
    "TrialModel",
    "agreement_by_model",
    "analyse",
    "build_dataset",
    "check_model",
    "check_ordered",
    "check_panel",
    "compare_scale_use",
    "count_ends",
    "drop_judges",
    "fit_model",
    "intraclass",
    "measure_repeats",
    "measure_spreads",
    "rank_agreement",
    "read_spreads",
    "second_look",
]
