"""Statistics without a dough word: mixed models, their tests, means and simulations.

`fit_mixed` fits a table and gives a `MixedFit`, which answers with tables: `anova`, `means`,
`contrasts`, `slope`, `predict`. A `FixedDesign` tests thousands of responses on one design.
"""

from doughlab.stats.fit import fit_mixed
from doughlab.stats.inference import FTest
from doughlab.stats.result import MixedFit
from doughlab.stats.simulate import ContrastSet, FixedDesign, ManyTests

__all__ = ["ContrastSet", "FTest", "FixedDesign", "ManyTests", "MixedFit", "fit_mixed"]
