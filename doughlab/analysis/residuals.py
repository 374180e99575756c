"""Checks of a fitted model: unusual or decisive balls and batches, unequal spread.

`analyse` notices with it and the report prints it; every check is a number first, a picture second.
What is unusual is reported and never dropped.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtr, stdtr

from doughlab.analysis.influence import GroupInfluence, leave_out
from doughlab.analysis.models import TrialModel
from doughlab.analysis.wording import decimals_for, level_words, signed
from doughlab.sections import Factor
from doughlab.stats.multiplicity import holm
from doughlab.units import format_quantity

Floats = NDArray[np.floating]
Codes = NDArray[np.integer]

FLAG_BELOW = 0.05
LEAST_DF = 5.0  # below it one residual decides its own yardstick
BOUND = 1.0 - 1e-6
NO_SPREAD = 1e-6
DRAWS = 499
SEED = 20260302
ROOM_SPREADS = 2.5
BATCH_FACTS = {"room_temp_c": "its room was", "dough_temp_c": "its dough was"}


@dataclass(frozen=True)
class ModelChecks:
    """How well the model describes the balls.

    Attributes
    ----------
    balls : DataFrame
        One row per fitted row: ball, batch (and judge), residual (response units), statistic
        (studentised), p_value (adjusted over all of them), flagged. Statistic and p_value are
        blank where fewer than five degrees of freedom are left over, or the model fits the row
        whatever its value.
    batches : DataFrame
        One row per batch: batch, residual (mean distance of its balls from their settings),
        estimate (predicted batch effect), statistic (against its own SD), p_value (adjusted),
        flagged. No rows where the model has no batches; blank statistics where fewer than five
        are left over beside the fixed terms.
    spread : DataFrame
        One row per factor: term, level and other (most and least spread), estimate (ratio of
        their SDs), statistic, df_num, df_den, p_value (adjusted), flagged.
    sentences : tuple of str
        What to know, in words.
    model : TrialModel
        The model that was checked.

    Examples
    --------
    >>> from doughlab.notebook import analyse_demo
    >>> from doughlab.analysis import check_model
    >>> checks = check_model(analyse_demo("ph").model)
    >>> len(checks.balls), checks.unusual_balls
    (70, [])
    >>> checks.unusual_batches, len(checks.without("block").table)
    ([], 24)
    """

    balls: pd.DataFrame
    batches: pd.DataFrame
    spread: pd.DataFrame
    sentences: tuple[str, ...]
    model: TrialModel = field(repr=False)

    @cached_property
    def influence(self) -> GroupInfluence | None:
        """What each batch does to the primary differences; None where there is one batch only.

        It takes a fit per batch and is made when it is first looked at.
        """
        if self.model.dataset.frame.loc[self.model.fit.design.index, "batch"].nunique() < 2:
            return None
        return leave_out(self.model)

    def without(self, group: str) -> GroupInfluence:
        """Compare without each group: "batch", "block", "session", "ball", "judge" or a lot.

        Parameters
        ----------
        group : str
        """
        return leave_out(self.model, group)

    @cached_property
    def unusual_balls(self) -> list[str]:
        """Balls whose residual is flagged."""
        return list(dict.fromkeys(self.balls.loc[self.balls["flagged"], "ball"]))

    @cached_property
    def unusual_batches(self) -> list[str]:
        """Batches whose effect is flagged."""
        return list(self.batches.loc[self.batches["flagged"], "batch"])

    def __str__(self) -> str:
        """Give the numbers of the checks in a few lines."""
        lines = ["balls and their spread: too little is left over to judge them by"]
        if self.balls["statistic"].notna().any():
            worst = self.balls.iloc[_largest(self.balls)]
            lines = [f"largest of {len(self.balls)} residuals: {worst['ball']}, "
                     f"{worst['statistic']:+.1f} SD (p = {worst['p_value']:.2g})"]  # fmt: skip
        if self.batches["statistic"].notna().any():
            b = self.batches.iloc[_largest(self.batches)]
            lines.append(f"largest of {len(self.batches)} batch effects: {b['batch']}, "
                         f"{b['statistic']:+.1f} SD (p = {b['p_value']:.2g})")  # fmt: skip
        for row in self.spread.itertuples():
            lines.append(f"spread by {row.term}: {row.level} {row.estimate:.2f} x {row.other} "
                         f"(p = {row.p_value:.2g})")  # fmt: skip
        if self.influence is not None:
            lines.append(self.influence.line)
        return "\n".join(line[:80] for line in [*lines, *self.sentences][:15])

    def _repr_html_(self) -> str:
        """Give the facts of `str` for a notebook."""
        import html

        return f"<pre>{html.escape(str(self))}</pre>"


def _largest(table: pd.DataFrame) -> int:
    return int(np.nanargmax(np.abs(table["statistic"].to_numpy(dtype=float))))


def check_model(model: TrialModel) -> ModelChecks:
    """Check a fitted model: balls, batches and spread.

    Parameters
    ----------
    model : TrialModel
        Or an `Analysis`, whose `model` is taken.

    Returns
    -------
    ModelChecks
        Reported, never dropped.

    References
    ----------
    Studentised conditional residuals: Nobre & Singer (2007), Biometrical Journal 49, 863. Unequal
    spread: Brown & Forsythe (1974), J. Am. Stat. Assoc. 69, 364. Adjusted over the balls and
    batches by Bonferroni, over the factors by Holm. (Pages from memory.)

    Examples
    --------
    >>> from doughlab.notebook import analyse_demo
    >>> checks = check_model(analyse_demo("ph").model)
    >>> len(checks.unusual_balls), len(checks.unusual_batches)
    (0, 0)
    """
    model = getattr(model, "model", model)
    balls = check_balls(model)
    batches = check_batches(model)
    spread = check_spread(model)
    words = (*_ball_words(model, balls), *_batch_words(model, batches), *_spread_words(spread))
    return ModelChecks(balls, batches, spread, words, model)


def check_balls(model: TrialModel) -> pd.DataFrame:
    """Studentise the conditional residual of every fitted row."""
    rows = model.dataset.frame.loc[list(model.fit.design.index)]
    residual, inner = standard_residuals(model)
    df = _inner_df(model)
    # a regression keeps it below the df; where more random terms let it pass, t(df) stands
    bounded = inner**2 < df * BOUND
    square = np.where(bounded, inner**2, 0.0)
    outer = np.where(bounded, inner * np.sqrt(max(df - 1.0, 0.0) / (df - square)), inner)
    left = np.maximum(np.where(bounded, df - 1.0, df), 1.0)
    p = np.minimum(1.0, len(outer) * 2.0 * stdtr(left, -np.abs(outer)))
    if df < LEAST_DF:
        outer, p = np.full(len(outer), np.nan), np.full(len(outer), np.nan)
    names = ["ball", "batch", *(["judge"] if "judge" in rows else [])]
    table = rows[names].reset_index(drop=True)
    return table.assign(residual=residual, statistic=outer, p_value=p, flagged=p < FLAG_BELOW)


def standard_residuals(model: TrialModel) -> tuple[Floats, Floats]:
    """Give the conditional residuals, plain and divided by their own SD.

    Returns
    -------
    residual : array, shape (n,)
        In the unit of the response.
    standard : array, shape (n,)
        NaN where the model fits a row perfectly, whatever its value: it cannot be judged.
    """
    fit = model.fit
    residual = fit.residuals().to_numpy()
    spread = np.sqrt(np.maximum(conditional_variances(model), 0.0))
    known = spread > 1e-7 * max(float(np.abs(fit.y - fit.y.mean()).max()), 1e-300)
    standard = np.divide(residual, spread, out=np.full_like(residual, np.nan), where=known)
    return residual, standard


def conditional_variances(model: TrialModel) -> Floats:
    """Give the variance of every conditional residual, shape (n,).

    The conditional residual is s P y, with P = V^-1 - V^-1 X (X' V^-1 X)^-1 X' V^-1, so its
    variance is s^2 P_ii (Nobre & Singer 2007). V is inverted in the space of the groups.
    """
    fit = model.fit
    s = float(fit.components[-1])
    live = [i for i, a in enumerate(fit.components[:-1]) if a > 0]
    codes = [fit.prepared.groupings[i].codes for i in live]
    sizes = [len(fit.prepared.groupings[i].levels) for i in live]
    starts = np.concatenate([[0], np.cumsum(sizes)]).astype(int)
    places = [c + start for c, start in zip(codes, starts[:-1], strict=True)]
    basis = column_basis(fit.design.matrix)
    inverse_x, diagonal = basis / s, np.full(len(fit.y), 1.0 / s)
    if live:
        z = _indicator(places, int(starts[-1]))
        ratios = np.repeat(fit.components[live], sizes)
        inner = np.linalg.inv(np.diag(1.0 / ratios) + z.T @ z / s)
        inverse_x = (basis - z @ (inner @ (z.T @ basis)) / s) / s
        for first in places:
            for second in places:
                diagonal = diagonal - inner[first, second] / s**2
    middle = np.linalg.inv(basis.T @ inverse_x)
    return s**2 * (diagonal - np.einsum("ia,ab,ib->i", inverse_x, middle, inverse_x))


def column_basis(matrix: Floats) -> Floats:
    """Give an orthonormal basis of the columns of a matrix, shape (n, rank)."""
    size = np.linalg.norm(matrix, axis=0)
    u, s, _ = np.linalg.svd(matrix / np.where(size > 0, size, 1.0), full_matrices=False)
    return u[:, s > 1e-9 * s[0]]


def _indicator(places: list[Codes], width: int) -> Floats:
    """Lay group positions out as one 0/1 matrix, shape (n, width)."""
    z = np.zeros((len(places[0]), width))
    for place in places:
        z[np.arange(len(place)), place] = 1.0
    return z


def _inner_df(model: TrialModel) -> float:
    """Count what is left over within the smallest groups: rows minus the rank of [X Z].

    A random term estimated at zero groups nothing; its degrees of freedom are in the residual.
    """
    fit = model.fit
    pairs = zip(fit.prepared.groupings, fit.components[:-1], strict=True)
    groups = [(g.codes, len(g.levels)) for g, variance in pairs if variance > 0]
    own = column_basis(fit.design.matrix).shape[1]
    return float(len(fit.y) - own - _rank_beyond(model, groups))


def _rank_beyond(model: TrialModel, groups: list[tuple[Codes, int]]) -> int:
    """Count what groups add to the fixed terms: the rank of [X Z] minus that of X."""
    if not groups:
        return 0
    starts = np.cumsum([0, *(size for _, size in groups)])
    places = [codes + at for (codes, _), at in zip(groups, starts, strict=False)]
    basis, z = column_basis(model.fit.design.matrix), _indicator(places, int(starts[-1]))
    rest = z - basis @ (basis.T @ z)
    values = np.linalg.eigvalsh(rest.T @ rest)
    return int((values > 1e-8 * max(1.0, float(values[-1]))).sum())


def check_batches(model: TrialModel) -> pd.DataFrame:
    """Set the predicted effect of every batch against the SD it would have."""
    columns = ["batch", "residual", "estimate", "statistic", "p_value", "flagged"]
    fit = model.fit
    if "batch" not in fit.random_names:
        return pd.DataFrame(columns=columns)
    effects = fit.random_effects("batch")
    total = float(fit.variances["batch"])
    spread = np.sqrt(np.maximum(total - effects["std_error"].to_numpy() ** 2, 0.0))
    estimate = effects["estimate"].to_numpy()
    known = spread > 1e-9 * np.sqrt(max(total, 1e-300))
    z = np.divide(estimate, spread, out=np.zeros_like(estimate), where=known)
    p = np.minimum(1.0, len(z) * 2.0 * ndtr(-np.abs(z)))
    group = fit.prepared.groupings[fit.random_names.index("batch")]
    if _rank_beyond(model, [(group.codes, len(group.levels))]) < LEAST_DF:
        z, p = np.full(len(z), np.nan), np.full(len(z), np.nan)
    rows = model.dataset.frame.loc[list(fit.design.index)]
    rest = fit.residuals(kind="marginal").groupby(rows["batch"]).mean()
    levels = list(effects["level"])
    return pd.DataFrame(
        {
            "batch": levels,
            "residual": rest.reindex(levels).to_numpy(),
            "estimate": estimate,
            "statistic": z,
            "p_value": p,
            "flagged": p < FLAG_BELOW,
        },
        columns=columns,
    )


def check_spread(model: TrialModel) -> pd.DataFrame:
    """Compare the spread of the residuals between the levels of each factor.

    Each residual is divided by its own SD, so that levels which the model fits more closely do not
    look tighter; what it fits perfectly is left out. The p value is the share of 499 drawn data
    sets of the fitted model, with one spread for all, that look as unequal (seeded): residuals of
    a model hang together, so the tables of the F distribution would flag too often.
    """
    rows = model.dataset.frame.loc[list(model.fit.design.index)]
    _, standard = standard_residuals(model)
    judged = model.settings.factors if _inner_df(model) >= LEAST_DF else {}
    drawn = draw_residuals(model) if judged else np.empty((0, 0))
    found = []
    for name, factor in judged.items():
        places = {
            level: np.flatnonzero((rows[name] == level).to_numpy() & np.isfinite(standard))
            for level in model.levels(factor)
        }
        places = {level: at for level, at in places.items()
                  if len(at) > 2 and np.std(standard[at]) > NO_SPREAD}  # fmt: skip
        if len(places) > 1:
            found.append(_compare_spread(factor, standard, drawn, places))
    table = pd.DataFrame(
        found,
        columns=["term", "level", "other", "estimate", "statistic", "df_num", "df_den", "p_value"],
    )
    if len(table):
        table["p_value"] = holm(table["p_value"].to_numpy())
    return table.assign(flagged=table["p_value"] < FLAG_BELOW)


def draw_residuals(model: TrialModel, *, draws: int = DRAWS, seed: int = SEED) -> Floats:
    """Draw data sets from a fitted model and give their standardised conditional residuals.

    Parameters
    ----------
    model : TrialModel
    draws : int
    seed : int

    Returns
    -------
    array, shape (n, draws)
        Divided by the same SDs as the residuals of the records; variances are taken as fitted.
    """
    fit, rng = model.fit, np.random.default_rng(seed)
    s, n = float(fit.components[-1]), len(fit.y)
    y = np.sqrt(s) * rng.standard_normal((n, draws))
    live = [i for i, a in enumerate(fit.components[:-1]) if a > 0]
    sizes = [len(fit.prepared.groupings[i].levels) for i in live]
    starts = np.cumsum([0, *sizes])
    places = [fit.prepared.groupings[i].codes + at for i, at in zip(live, starts, strict=False)]
    ratios = np.repeat(fit.components[live], sizes)
    z = _indicator(places, int(starts[-1])) if live else np.zeros((n, 0))
    y += z @ (np.sqrt(ratios)[:, None] * rng.standard_normal((len(ratios), draws)))
    inner = np.linalg.inv(np.diag(1.0 / ratios) + z.T @ z / s) if live else np.zeros((0, 0))
    basis = column_basis(fit.design.matrix)
    both = np.column_stack([basis, y])
    inverse = (both - z @ (inner @ (z.T @ both)) / s) / s
    inverse_x, inverse_y = inverse[:, : basis.shape[1]], inverse[:, basis.shape[1] :]
    fitted = np.linalg.solve(basis.T @ inverse_x, basis.T @ inverse_y)
    spread = np.sqrt(np.maximum(conditional_variances(model), np.finfo(float).tiny))
    return np.asarray(s * (inverse_y - inverse_x @ fitted) / spread[:, None])


def _compare_spread(
    factor: Factor, standard: Floats, drawn: Floats, places: dict[str, NDArray[np.intp]]
) -> dict[str, object]:
    statistic, df_num, df_den, _ = brown_forsythe([standard[at] for at in places.values()])
    chance = _spread_statistics([drawn[at] for at in places.values()])
    p = (1.0 + float((chance >= statistic).sum())) / (1.0 + len(chance))
    sds = {level: float(np.std(standard[at], ddof=1)) for level, at in places.items()}
    most, least = max(sds, key=lambda k: sds[k]), min(sds, key=lambda k: sds[k])
    return {
        "term": factor.words,
        "level": level_words(factor, most),
        "other": level_words(factor, least),
        "estimate": sds[most] / sds[least],
        "statistic": statistic,
        "df_num": df_num,
        "df_den": df_den,
        "p_value": p,
    }


def _spread_statistics(groups: list[Floats]) -> Floats:
    """Give the statistic of `brown_forsythe` for each column of the groups."""
    distances = [np.abs(g - np.median(g, axis=0)) for g in groups]
    n = sum(len(d) for d in distances)
    grand = sum(d.sum(axis=0) for d in distances) / n
    between = sum(len(d) * (d.mean(axis=0) - grand) ** 2 for d in distances)
    within = sum(((d - d.mean(axis=0)) ** 2).sum(axis=0) for d in distances)
    scale = (n - len(groups)) / (len(groups) - 1)
    return np.asarray(scale * between / np.maximum(within, np.finfo(float).tiny))


def brown_forsythe(groups: list[Floats]) -> tuple[float, int, int, float]:
    """Test whether groups spread alike, by distances from their medians.

    Parameters
    ----------
    groups : list of array
        Two or more groups.

    Returns
    -------
    statistic, df_num, df_den, p_value
        1 as p value where nothing spreads.

    Examples
    --------
    >>> import numpy as np
    >>> brown_forsythe([np.array([1.0, 2.0, 3.0]), np.array([4.0, 5.0, 6.0])])[0]
    0.0
    """
    from scipy.special import fdtrc

    distances = [np.abs(g - np.median(g)) for g in groups]
    n = sum(len(d) for d in distances)
    grand = float(np.concatenate(distances).mean())
    between = sum(len(d) * (float(d.mean()) - grand) ** 2 for d in distances)
    within = sum(float(((d - d.mean()) ** 2).sum()) for d in distances)
    df_num, df_den = len(groups) - 1, n - len(groups)
    if df_den < 1 or within <= 0.0:
        return 0.0, df_num, df_den, 1.0
    statistic = (between / df_num) / (within / df_den)
    return float(statistic), df_num, df_den, float(fdtrc(df_num, df_den, statistic))


def _ball_words(model: TrialModel, balls: pd.DataFrame) -> list[str]:
    d = decimals_for(model.dataset.response.margin)
    hit = balls[balls["flagged"]]
    return [
        f"{row['ball']}{' (' + row['judge'] + ')' if 'judge' in balls else ''} lies "
        f"{_away(row['residual'], d)} where the model puts it ({row['statistic']:+.1f} SD). "
        "Used all the same."
        for row in hit.to_dict("records")
    ][:5]


def _away(distance: float, decimals: int) -> str:
    size = signed(abs(distance), decimals).strip().lstrip("+")
    return f"{size} {'above' if distance > 0 else 'below'}"


def _batch_words(model: TrialModel, batches: pd.DataFrame) -> list[str]:
    d = decimals_for(model.dataset.response.margin)
    found = []
    for row in batches[batches["flagged"]].to_dict("records"):
        facts = batch_facts(model, str(row["batch"]))
        tail = f"; {'; '.join(facts)}" if facts else ""
        found.append(f"{row['batch']} lies {_away(row['residual'], d)} its setting{tail}. "
                     "Used all the same.")  # fmt: skip
    return found[:5]


def batch_facts(model: TrialModel, batch: str) -> list[str]:
    """Say which recorded temperature of a batch stands out from those of the others.

    Parameters
    ----------
    model : TrialModel
    batch : str

    Returns
    -------
    list of str
        "its room was 84 °F" where it lies more than 2.5 SD from the mean of the other batches.
    """
    frame = model.dataset.frame
    found = []
    for column, words in BATCH_FACTS.items():
        if column not in frame:
            continue
        values = frame.groupby("batch")[column].first().dropna()
        others = values.drop(batch, errors="ignore")
        if batch not in values or len(others) < 4:
            continue
        spread = max(float(others.std()), 0.25)
        if abs(float(values[batch]) - float(others.mean())) > ROOM_SPREADS * spread:
            show = model.settings.show_temperature
            shown = format_quantity(float(values[batch]), "temp_c", show=show, digits=0)
            found.append(f"{words} {shown}")
    return found


def _spread_words(spread: pd.DataFrame) -> list[str]:
    return [
        f"Balls spread {row.estimate:.1f} times as much at {row.term} {row.level} as at "
        f"{row.other} (p = {row.p_value:.2g}); ranges are averages over both."
        for row in spread[spread["flagged"]].itertuples()
    ]
