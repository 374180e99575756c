"""Acids as they are bought: strength, what it is counted on, density.

Used by dosing and titration to turn mmol of acid into grams of a bottle.
It leaves how much is needed to dosing and the acid's chemistry to constants.
"""

from __future__ import annotations

from dataclasses import dataclass

from doughlab.errors import InputError, OutOfRange, UnknownName
from doughlab.water.constants import (
    ACIDS,
    CITRIC_MONOHYDRATE_G_MOL,
    LEMON_BOTTLED_G_L,
    LEMON_DENSITY,
    LEMON_FRESH_G_L,
    LEMON_FRESH_SD_G_L,
    US_VINEGAR_LEAST_G_PER_100ML,
    VINEGAR_DENSITY,
)

BASES = ("w/v", "w/w")
# How far a label may be off, 95 %, in per cent of the strength: common practice, no source. A
# label of 4 or 6 % taken for 5 % is off by 20 %, w/v taken for w/w by 0.55 %.
_LABEL_DOUBT_PCT = 5.0
# From here on an acid is called concentrated. EU rule on classification (Regulation (EC) No
# 1272/2008, Annex VI): acetic acid irritates eyes and skin from 10 % by weight on (from memory).
_CONCENTRATED_PCT = 10.0


@dataclass(frozen=True)
class AcidProduct:
    """Hold one acid as it is bought.

    Attributes
    ----------
    name : str
        As it stands on the bottle.
    strength_pct : float
        Per cent of acid, 0.1 to 100; for vinegar the acidity on the label.
    basis : str
        "w/v": grams in 100 mL (vinegar labels); "w/w": grams in 100 g.
    density_g_ml : float or None
        Needed for w/v; 1.0055 is taken for vinegar of about 5 %.
    acid : str
        acetic, citric or lactic; empty where the dose says which.
    doubt_pct : float
        How far the strength may be off, 95 %, in per cent of it.
    may_carry_sulphites : bool
        True for bottled lemon juice.

    Raises
    ------
    OutOfRange, UnknownName, InputError
        For a strength, basis or acid that cannot be, or a density that is missing.

    Examples
    --------
    >>> vinegar = AcidProduct("white vinegar", strength_pct=5, basis="w/v")
    >>> round(vinegar.grams_per_mol("acetic"), 1)
    1207.6
    >>> vinegar.liquid, AcidProduct.citric_powder().liquid
    (True, False)
    """

    name: str
    strength_pct: float
    basis: str = "w/v"
    density_g_ml: float | None = None
    acid: str = ""
    doubt_pct: float = _LABEL_DOUBT_PCT
    may_carry_sulphites: bool = False

    def __post_init__(self) -> None:
        """Refuse what cannot stand on a bottle."""
        if self.basis not in BASES:
            raise UnknownName("basis of strength", self.basis, BASES, where=self.name)
        if self.acid and self.acid not in ACIDS:
            raise UnknownName("acid", self.acid, ACIDS, where=self.name)
        for what, unit, value, low, high in (
            ("a strength of", " %", self.strength_pct, 0.1, 100.0),
            ("a density of", " g/mL", self.density_g_ml, 0.9, 1.6),
            ("a doubt of", " %", self.doubt_pct, 0.0, 60.0),
        ):
            if value is not None and not low <= value <= high:
                raise OutOfRange(
                    f"{self.name}: {what} {value:g}{unit} lies outside {low:g} to {high:g}{unit}. "
                    "Read the label again: vinegar is usually 4 to 8 %.",
                    value=value, low=low, high=high,
                )  # fmt: skip

    @classmethod
    def lemon_juice(cls, *, bottled: bool = False, acidity_g_l: float | None = None) -> AcidProduct:
        """Make lemon juice from its acidity as citric acid, g/L.

        Fresh juice is taken at 48.0 g/L (SD 3.8), bottled at the middle of 34 to 39 g/L; a stated
        acidity replaces both.

        References
        ----------
        Penniston et al. (2008), J. Endourol. 22, 567.

        Examples
        --------
        >>> AcidProduct.lemon_juice().strength_pct
        4.8
        """
        low, high = LEMON_BOTTLED_G_L
        middle, half = (low + high) / 2, (high - low) / 2 + 2.0
        if not bottled:
            middle, half = LEMON_FRESH_G_L, 2 * LEMON_FRESH_SD_G_L
        if acidity_g_l is not None:
            middle, half = acidity_g_l, 0.05 * acidity_g_l
        name = "lemon juice, bottled" if bottled else "lemon juice, fresh"
        doubt = round(100 * half / middle, 1)
        return cls(name, round(middle / 10, 6), "w/v", LEMON_DENSITY, "citric", doubt, bottled)

    @classmethod
    def citric_powder(cls, *, monohydrate: bool = False) -> AcidProduct:
        """Make citric acid powder, anhydrous or with its crystal water.

        Examples
        --------
        >>> round(AcidProduct.citric_powder(monohydrate=True).strength_pct, 1)
        91.4
        """
        pure = 100.0 * ACIDS["citric"].molar_mass / CITRIC_MONOHYDRATE_G_MOL
        name = "citric acid monohydrate" if monohydrate else "citric acid anhydrous"
        return cls(name, pure if monohydrate else 100.0, "w/w", None, "citric", 1.0)

    @property
    def concentrated(self) -> bool:
        """Tell whether it is stronger than 10 %: then eyes and skin come before the dose.

        Examples
        --------
        >>> AcidProduct("lactic acid", 80, "w/w", acid="lactic").concentrated
        True
        """
        return self.strength_pct > _CONCENTRATED_PCT

    @property
    def liquid(self) -> bool:
        """Tell whether it is poured; citric acid above 90 % is a powder."""
        return not (self.acid == "citric" and self.strength_pct > 90.0)

    @property
    def label_note(self) -> str:
        """Say what is odd about the label; empty where nothing is.

        References
        ----------
        FDA Compliance Policy Guide 525.825: vinegar holds at least 4 g acetic acid in 100 mL.

        Examples
        --------
        >>> AcidProduct("white vinegar", 3, "w/v").label_note
        'white vinegar: 3 % is weaker than what US policy calls vinegar (4 g in 100 mL).'
        """
        least = US_VINEGAR_LEAST_G_PER_100ML
        if "vinegar" not in self.name.lower() or self.strength_pct >= least:
            return ""
        return (
            f"{self.name}: {self.strength_pct:g} % is weaker than what US policy calls vinegar "
            f"({least:g} g in 100 mL)."
        )

    @property
    def mass_fraction(self) -> float:
        """Give grams of acid in one gram of the product.

        Examples
        --------
        >>> round(AcidProduct("white vinegar", 5, "w/v").mass_fraction, 5)
        0.04973
        """
        if self.basis == "w/w":
            return self.strength_pct / 100.0
        return self.strength_pct / 100.0 / self._density()

    def grams_per_mol(self, acid: str) -> float:
        """Give grams of the product that hold one mol of acid.

        Raises
        ------
        InputError
            When the product holds another acid.
        """
        if self.acid and self.acid != acid:
            raise InputError(
                f"{self.name} holds {self.acid} acid, the dose asks for {acid} acid. "
                f"Use acid='{self.acid}' or another product."
            )
        return ACIDS[acid].molar_mass / self.mass_fraction

    def _density(self) -> float:
        """Give the stated density, or that of vinegar of about 5 %."""
        if self.density_g_ml is not None:
            return self.density_g_ml
        if self.acid in ("", "acetic") and self.strength_pct <= 10:
            return VINEGAR_DENSITY
        raise InputError(
            f"{self.name}: {self.strength_pct:g} % by volume (w/v) needs its density. Weigh 100 mL "
            "of it and give density_g_ml, or take the strength by weight from the label: "
            f"'{self.strength_pct:g}% w/w'."
        )
