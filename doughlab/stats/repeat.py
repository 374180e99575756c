"""Draw responses in seeded chunks, test them, and join the answers.

Called by studies of power, size and coverage that need more data sets than fit in one go.
Leaves the tests to simulate.py; what is not normal is drawn by the caller.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, fields
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from doughlab.errors import OutOfRange, UnknownName
from doughlab.stats.simulate import ContrastSet, FixedDesign, ManyTests

Floats = NDArray[np.floating[Any]]
Draw = Callable[[np.random.Generator, int], Floats]

CHUNK = 1000


@dataclass(frozen=True)
class Study:
    """How many data sets are drawn, and how.

    Attributes
    ----------
    count : int
        Data sets, 1 or more.
    seed : int
        Each chunk of 1,000 has its own stream made from it, so that the answers do not depend on
        the number of jobs.
    jobs : int
        Processes, through joblib; 1 runs here, -1 on every core.
    progress : bool
        Say on standard error how far it is, where that is a terminal.

    Examples
    --------
    >>> Study(2500, seed=1).jobs
    1
    """

    count: int
    seed: int
    jobs: int = 1
    progress: bool = True


@dataclass(frozen=True, eq=False)
class NormalResponses:
    """Draws normal responses: a mean, effects of random groups, and a residual.

    Attributes
    ----------
    mean : array, shape (n,)
        True mean of every row.
    effects : tuple of (int array of shape (n,), float)
        Group of every row and standard deviation, per random term.
    residual_sd : float
    step : float
        Responses are rounded to multiples of it, as an instrument shows them; 0 leaves them.

    Examples
    --------
    >>> draw = NormalResponses(np.full(3, 5.5), (), residual_sd=0.05, step=0.01)
    >>> draw(np.random.default_rng(1), 2).shape
    (3, 2)
    """

    mean: Floats
    effects: tuple[tuple[NDArray[np.integer[Any]], float], ...]
    residual_sd: float
    step: float = 0.0

    def __call__(self, rng: np.random.Generator, size: int) -> Floats:
        """Draw responses, shape (n, size)."""
        y = rng.normal(size=(len(self.mean), size)) * self.residual_sd + self.mean[:, None]
        for codes, sd in self.effects:
            y += (rng.normal(size=(int(codes.max()) + 1, size)) * sd)[codes]
        return np.round(y / self.step) * self.step if self.step else y


def build_responses(
    design: FixedDesign, sds: Mapping[str, float], *, mean: Floats | float = 0.0, step: float = 0.0
) -> NormalResponses:
    """Build the drawing of normal responses for a design.

    Parameters
    ----------
    design : FixedDesign
    sds : mapping of str to float
        Standard deviation of each random term of the design, and of "residual".
    mean : float or array, shape (n,)
        True mean of every row.
    step : float
        Rounding of the instrument, in the unit of the response; 0 for none.

    Returns
    -------
    NormalResponses

    Raises
    ------
    UnknownName
        For a term that the design does not have.

    Examples
    --------
    >>> import pandas as pd
    >>> rows = pd.DataFrame({"dose": list("aabb") * 2, "plot": list("stuvstuv")})
    >>> design = FixedDesign(rows, "~ dose", random=["plot"])
    >>> draw = build_responses(design, {"plot": 0.3, "residual": 0.1}, mean=5.5)
    >>> draw(np.random.default_rng(1), 4).shape
    (8, 4)
    """
    groupings = {g.name: g for g in design.prepared.design.groupings}
    for name in sds:
        if name not in groupings and name != "residual":
            raise UnknownName("Random term", name, [*groupings, "residual"], where="Design")
    effects = tuple((groupings[n].codes, sd) for n, sd in sds.items() if n != "residual")
    means = np.broadcast_to(np.asarray(mean, dtype=float), (design.n,))
    return NormalResponses(means, effects, float(sds.get("residual", 0.0)), step)


def run_study(
    design: FixedDesign,
    draw: Draw,
    *,
    study: Study,
    terms: Sequence[str] | None = None,
    contrasts: ContrastSet | None = None,
) -> ManyTests:
    """Draw and test many data sets on one design.

    Parameters
    ----------
    design : FixedDesign
    draw : function of (generator, size)
        Gives responses of shape (n, size). It must be importable when jobs is not 1.
    study : Study
    terms, contrasts
        As in `FixedDesign.test_many`.

    Returns
    -------
    ManyTests
        In the order of the chunks; the Monte Carlo error of a share p is
        `monte_carlo_error(p, count)`.

    Raises
    ------
    OutOfRange
        For fewer than one data set.

    Notes
    -----
    The processes come from joblib, so any of its backends serves; on several machines with dask:
    ``with joblib.parallel_config(backend="dask"): run_study(..., study=Study(10**6, 1, jobs=-1))``.

    Examples
    --------
    >>> import pandas as pd
    >>> rows = pd.DataFrame({"dose": list("aabb") * 2, "plot": list("stuvstuv")})
    >>> design = FixedDesign(rows, "~ dose", random=["plot"])
    >>> draw = build_responses(design, {"plot": 0.3, "residual": 0.1})
    >>> run_study(design, draw, study=Study(2500, seed=1)).p_value.shape
    (2500, 1)
    """
    if study.count < 1:
        raise OutOfRange(
            f"{study.count} data sets were asked for; ask for 1 or more.",
            value=study.count,
            low=1,
            high=None,
        )
    sizes = [min(CHUNK, study.count - start) for start in range(0, study.count, CHUNK)]
    seeds = np.random.SeedSequence(study.seed).spawn(len(sizes))
    one = partial(_test_chunk, design, draw, terms=terms, contrasts=contrasts)
    if study.jobs == 1:
        answers: Iterator[ManyTests] = map(one, seeds, sizes)
    else:
        from joblib import Parallel, delayed

        parallel = Parallel(n_jobs=study.jobs, return_as="generator")
        answers = parallel(
            delayed(one)(seed, size) for seed, size in zip(seeds, sizes, strict=True)
        )
    parts = list(_watched(answers, study))
    return join_tests(parts)


def _test_chunk(
    design: FixedDesign,
    draw: Draw,
    seed: np.random.SeedSequence,
    size: int,
    *,
    terms: Sequence[str] | None,
    contrasts: ContrastSet | None,
) -> ManyTests:
    """Draw and test one chunk."""
    y = draw(np.random.default_rng(seed), size)
    return design.test_many(y, terms=terms, contrasts=contrasts)


def _watched(answers: Iterator[ManyTests], study: Study) -> Iterator[ManyTests]:
    """Pass chunks on and say how far it is."""
    shown = study.progress and sys.stderr.isatty()
    done = 0
    for part in answers:
        done += len(part.settled)
        if shown:
            print(f"\rtested {done:,} of {study.count:,} drawn data sets", end="", file=sys.stderr)
        yield part
    if shown:
        print(file=sys.stderr)


def join_tests(parts: Sequence[ManyTests]) -> ManyTests:
    """Join the answers of several chunks on one design.

    Parameters
    ----------
    parts : sequence of ManyTests
        At least one; all with the same terms and contrasts.

    Returns
    -------
    ManyTests
        The mean correlation is weighted by the size of the chunks.
    """
    if len(parts) == 1:
        return parts[0]
    sizes = np.array([len(p.settled) for p in parts], dtype=float)
    joined: dict[str, Any] = {}
    for item in fields(ManyTests):
        values = [getattr(p, item.name) for p in parts]
        if item.name == "correlation":
            joined[item.name] = np.average(np.stack(values), axis=0, weights=sizes)
        elif item.name in ("terms", "df_num", "contrasts"):
            joined[item.name] = values[0]
        else:
            joined[item.name] = np.concatenate(values)
    return ManyTests(**joined)


def monte_carlo_error(share: float, count: int) -> float:
    """Give the standard error of a share found by simulation.

    Parameters
    ----------
    share : float
        0 to 1.
    count : int
        Data sets, 1 or more.

    Examples
    --------
    >>> round(monte_carlo_error(0.05, 20000), 5)
    0.00154
    """
    return float(np.sqrt(share * (1.0 - share) / count))
