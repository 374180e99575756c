"""The pH that a plan wants its water at: "as is", or a target with its acid, as "6.2 acetic".

Plan, record and analysis read such levels here and nowhere else; imports nothing heavy.
It leaves grams to dosing; a level says where the water is to be, not how much that takes.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from doughlab.errors import InputError, OutOfRange, UnknownName
from doughlab.water.constants import ACIDS, TARGET_PH_HIGH, TARGET_PH_LOW

if TYPE_CHECKING:
    from doughlab.sections import Factor
    from doughlab.settings import Settings

PH_FACTOR: Final = "water_ph"
AS_IS: Final = "as is"
DOSE_FACTOR: Final = "acid_g"
# What a dosed water may lie beside its target besides a step of the meter: two readings of one
# water with one meter after its buffers (common practice, no source).
MISSED_PH: Final = 0.05

_SODA = "sodium bicarbonate"
_AGENTS = {
    **{name: name for name in ACIDS},
    "vinegar": "acetic",
    "lemon": "citric",
    "soda": _SODA,
    "bicarbonate": _SODA,
    _SODA: _SODA,
}
_LEVEL = re.compile(r"(?:ph\s*)?(?P<ph>[0-9]+(?:[.,][0-9]+)?)(?:\s+(?P<agent>[a-z ]+?))?(?: acid)?")


@dataclass(frozen=True)
class WaterTarget:
    """Hold what a level of the water's pH asks for.

    Attributes
    ----------
    level : str
        As typed in trial.toml.
    ph : float or None
        The target, 4.5 to 8.3; None for a water as it comes.
    agent : str
        acetic, citric, lactic or sodium bicarbonate; empty where the level does not say.

    Examples
    --------
    >>> WaterTarget("as is").words(0.01)
    'water as it comes, nothing added'
    """

    level: str
    ph: float | None = None
    agent: str = ""

    def reach(self, resolution: float) -> tuple[float, float]:
        """Give the readings that count as the target: 0.05 pH and one step of the meter around it.

        Parameters
        ----------
        resolution : float
            Step of the instrument, pH.

        Raises
        ------
        InputError
            For a water as it comes: it has no target.

        Examples
        --------
        >>> read_target("6.2 acetic").reach(0.01)
        (6.14, 6.26)
        """
        if self.ph is None:
            raise InputError(f"'{self.level}' has no target pH.")
        tolerance = MISSED_PH + resolution
        return round(self.ph - tolerance, 3), round(self.ph + tolerance, 3)

    def words(self, resolution: float) -> str:
        """Say what to do before the flour goes in.

        Examples
        --------
        >>> read_target("6.2 acetic").words(0.01)
        'water to pH 6.2 with acetic acid; read 6.14 to 6.26 before flour goes in'
        """
        if self.ph is None:
            return "water as it comes, nothing added"
        low, high = self.reach(resolution)
        return (
            f"water to pH {self.ph:g}{_with(self.agent)}; read {low:.2f} to {high:.2f} before "
            "flour goes in"
        )


def _with(agent: str) -> str:
    if not agent:
        return ""
    return f" with {agent}" if agent == _SODA else f" with {agent} acid"


def read_target(level: str) -> WaterTarget:
    """Read a level of the water's pH.

    Parameters
    ----------
    level : str
        "as is", or a pH with what brings it there: "6.2 acetic", "pH 6,2 vinegar", "7.5 soda";
        the pH alone where the plan leaves the acid open.

    Returns
    -------
    WaterTarget

    Raises
    ------
    InputError, UnknownName
        For what is no such level, or an acid that is not known.
    OutOfRange
        For a target outside 4.5 to 8.3.

    Examples
    --------
    >>> read_target("6.2 acetic")
    WaterTarget(level='6.2 acetic', ph=6.2, agent='acetic')
    >>> read_target("as is").ph is None
    True
    """
    text = " ".join(level.lower().split())
    if text == AS_IS:
        return WaterTarget(level)
    found = _LEVEL.fullmatch(text)
    if found is None:
        raise InputError(
            f"'{level}' is no pH for a water. Write \"as is\", or a pH with its acid, as "
            '"6.2 acetic".'
        )
    ph = float(found["ph"].replace(",", "."))
    if not TARGET_PH_LOW <= ph <= TARGET_PH_HIGH:
        raise OutOfRange(
            f"'{level}': pH {ph:g} is not dosed; choose {TARGET_PH_LOW} to {TARGET_PH_HIGH}.",
            value=ph, low=TARGET_PH_LOW, high=TARGET_PH_HIGH,
        )  # fmt: skip
    agent = found["agent"] or ""
    if agent and agent not in _AGENTS:
        raise UnknownName("acid", agent, _AGENTS, where=f"'{level}'")
    return WaterTarget(level, ph, _AGENTS.get(agent, ""))


def find_target_factor(settings: Settings) -> Factor | None:
    """Find the factor that sets the water's pH, where the trial has one.

    It is the one called water_ph, or one set per day or batch whose levels all read as "as is" or
    a pH with its acid.

    Examples
    --------
    >>> from doughlab.sections import Factor
    >>> from doughlab.settings import Settings
    >>> dosed = Factor("tank", "batch", "category", ("as is", "6.2 acetic"))
    >>> find_target_factor(Settings("Demo", "DE", factors={"tank": dosed})).name
    'tank'
    """
    own = settings.factors_set("day", "batch")
    for factor in own:
        if factor.name == PH_FACTOR:
            return factor
    return next((f for f in own if _names_acids(f)), None)


def _names_acids(factor: Factor) -> bool:
    """Tell whether every level reads, every pH with its acid: a bare number may be anything."""
    if factor.kind != "category":
        return False
    try:
        targets = [read_target(level) for level in factor.levels]
    except InputError:
        return False
    dosed = [t for t in targets if t.ph is not None]
    return bool(dosed) and all(t.agent for t in dosed)


def planned_target(settings: Settings, batch: Mapping[str, Any]) -> WaterTarget | None:
    """Give what a batch of the plan wants of its water.

    Parameters
    ----------
    settings : Settings
    batch : mapping
        Row of plan/batches.csv; may be empty.

    Returns
    -------
    WaterTarget or None
        None where the plan does not say, or its level cannot be read (`check_levels` says that).

    Examples
    --------
    >>> from doughlab.sections import Factor
    >>> from doughlab.settings import Settings
    >>> factor = Factor("water_ph", "batch", "category", ("as is", "6.2 acetic"))
    >>> settings = Settings("Demo", "DE", factors={"water_ph": factor})
    >>> planned_target(settings, {"water_ph": "6.2 acetic"}).ph
    6.2
    """
    factor = find_target_factor(settings)
    if factor is None or batch.get(factor.column) is None:
        return None
    try:
        return read_target(factor.level_of(batch[factor.column]))
    except InputError:
        return None


def check_levels(settings: Settings) -> list[tuple[str, str]]:
    """List the levels of the factor water_ph that cannot be read: factor and sentence.

    Examples
    --------
    >>> from doughlab.sections import Factor
    >>> from doughlab.settings import Settings
    >>> factor = Factor("water_ph", "batch", "category", ("as is", "3 acetic"))
    >>> check_levels(Settings("Demo", "DE", factors={"water_ph": factor}))
    [('water_ph', "'3 acetic': pH 3 is not dosed; choose 4.5 to 8.3.")]
    """
    factor = find_target_factor(settings)
    found = []
    for level in factor.levels if factor is not None else ():
        try:
            read_target(level)
        except InputError as error:
            found.append((PH_FACTOR, str(error)))
    return found


def is_dosed(settings: Settings, batch: Mapping[str, Any], mix: Mapping[str, Any]) -> bool:
    """Tell whether a batch's water is dosed: by its plan, or by what was written down.

    Examples
    --------
    >>> from doughlab.settings import Settings
    >>> is_dosed(Settings("Demo", "DE"), {}, {"acid": "vinegar", "acid_g": 26.0})
    True
    """
    target = planned_target(settings, batch)
    if target is not None and target.ph is not None:
        return True
    return bool(batch.get(DOSE_FACTOR) or mix.get(DOSE_FACTOR))


def plans_doses(settings: Settings) -> bool:
    """Tell whether a trial's own settings have a water dosed.

    Examples
    --------
    >>> from doughlab.sections import Factor
    >>> from doughlab.settings import Settings
    >>> factor = Factor("water_ph", "batch", "category", ("as is", "6.2 acetic"))
    >>> plans_doses(Settings("Demo", "DE", factors={"water_ph": factor}))
    True
    """
    factor = find_target_factor(settings)
    wanted = factor.levels if factor is not None else ()
    return DOSE_FACTOR in settings.factors or any(
        " ".join(level.lower().split()) != AS_IS for level in wanted
    )


def gate_words(settings: Settings, batch: Mapping[str, Any], mix: Mapping[str, Any]) -> str:
    """Say what stands between a dosed water and the flour; empty where nothing does.

    Parameters
    ----------
    settings : Settings
        `reading_method.resolution` is the step of the meter.
    batch : mapping
        Row of plan/batches.csv; may be empty.
    mix : mapping
        Row of record/mixes.csv, as far as it is written down.

    Returns
    -------
    str
        For the cook; about the dough only, never about drinking.

    Examples
    --------
    >>> from doughlab.sections import Factor
    >>> from doughlab.settings import Settings
    >>> factor = Factor("water_ph", "batch", "category", ("as is", "6.2 acetic"))
    >>> settings = Settings("Demo", "DE", factors={"water_ph": factor})
    >>> gate_words(settings, {"water_ph": "6.2 acetic"}, {"water_ph": 6.25})
    ''
    >>> gate_words(settings, {"water_ph": "6.2 acetic"}, {"water_ph": 6.41})[:52]
    'the water reads pH 6.41, 0.21 above its target 6.2 ('
    """
    target = planned_target(settings, batch)
    if target is not None and target.ph is None and mix.get(DOSE_FACTOR):
        return (
            f"planned with its water as it comes, but {mix[DOSE_FACTOR]:g} g of acid are written "
            "down. Correct one of them, or leave a note."
        )
    if not is_dosed(settings, batch, mix):
        return ""
    read, resolution = mix.get("water_ph"), settings.reading_method.resolution
    if read is None:
        wanted = ""
        if target is not None and target.ph is not None:
            low, high = target.reach(resolution)
            wanted = f" (target {target.ph:g}, {low:.2f} to {high:.2f})"
        return (
            f"the pH of the dosed water is not written down{wanted}. Read it before flour goes "
            "in, and add it: water_ph=NUMBER."
        )
    return _missed_words(target, float(read), resolution)


def _missed_words(target: WaterTarget | None, read: float, resolution: float) -> str:
    """Say that a reading misses its target and what to do; empty where it does not."""
    if target is None or target.ph is None:
        return ""
    low, high = target.reach(resolution)
    if low - 1e-9 <= read <= high + 1e-9:
        return ""
    side = "above" if read > target.ph else "below"
    mend = "Too much went in: begin again with fresh water."
    if (side == "above") != (target.agent == _SODA):
        mend = "Add a little more by weight, stir, read again."
    return (
        f"the water reads pH {read:.2f}, {abs(read - target.ph):.2f} {side} its target "
        f"{target.ph:g} ({low:.2f} to {high:.2f}). No flour yet? {mend} Flour is in? Leave a "
        "note; the planned level is analysed."
    )
