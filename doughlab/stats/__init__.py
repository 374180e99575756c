"""Statistics without a dough word: mixed models, their tests, means and simulations.

`fit_mixed` fits a table and gives a `MixedFit`, which answers with tables: `anova`, `means`,
`contrasts`, `slope`, `predict`. A `FixedDesign` tests thousands of responses on one design, and
`run_study` draws them in seeded chunks.
"""

from doughlab.stats.fit import fit_mixed
from doughlab.stats.inference import FTest
from doughlab.stats.repeat import Study, build_responses, run_study
from doughlab.stats.result import MixedFit
from doughlab.stats.simulate import ContrastSet, FixedDesign, ManyTests

__all__ = [
    "ContrastSet",
    "FTest",
    "FixedDesign",
    "ManyTests",
    "MixedFit",
    "Study",
    "build_responses",
    "fit_mixed",
    "run_study",
]
