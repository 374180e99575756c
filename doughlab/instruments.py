"""Instruments: how pH is read, the bands within which a meter is believed, bottles of buffer.

What [reading_method], [meter] and [buffers.<name>] of trial.toml become; `sections` holds their
keys. What is done with them is left to the record room.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class ReadingMethod:
    """How pH is read; stored with every reading and never mixed.

    Examples
    --------
    >>> strips = ReadingMethod("strip", resolution=0.5)
    >>> round(strips.rounding_sd, 3), round(strips.reading_sd, 3)
    (0.144, 0.289)
    """

    kind: str = "slurry"
    sample_g: float = 10.0
    water_g: float = 100.0
    slurry_water: str = "purified water"
    wait_min: float = 5.0
    readings_per_ball: int = 3
    resolution: float = 0.01
    instrument: str = ""
    calibrate_every_h: float = 24.0
    temp_low_c: float | None = None
    temp_high_c: float | None = None

    @property
    def temp_in_order(self) -> bool:
        """Whether the band of sample temperatures, where both ends are given, is one."""
        low, high = self.temp_low_c, self.temp_high_c
        return low is None or high is None or low < high

    @property
    def prepared(self) -> str:
        """How a sample is made, as it is stored with every reading.

        Examples
        --------
        >>> ReadingMethod().prepared, ReadingMethod("direct").prepared
        ('10 g in 100 g purified water, 5 min', 'piece of dough')
        """
        if self.kind == "direct":
            return "piece of dough"
        return (
            f"{self.sample_g:g} g in {self.water_g:g} g {self.slurry_water}, {self.wait_min:g} min"
        )

    @property
    def rounding_sd(self) -> float:
        """The spread that steps alone leave: step / sqrt(12), in pH.

        The true value lies anywhere within half a step of the one shown, all alike (rectangular
        distribution: JCGM 100:2008, Guide to the Expression of Uncertainty, F.2.2.1).
        """
        return float(self.resolution / 12**0.5)

    @property
    def reading_sd(self) -> float:
        """The spread to assume between readings of a ball, in pH: rounding and repeatability.

        Repeatability is 0.01 for a meter and half a step for a colour matched by eye (common
        practice, no source): measure your own.
        """
        repeat = self.resolution / 2 if self.kind == "strip" else 0.01
        return float((self.rounding_sd**2 + repeat**2) ** 0.5)


@dataclass(frozen=True)
class Meter:
    """Bands within which the meter is believed, where they come from, and its probe.

    The bands are an example from a training page, wide on purpose: put in those of your meter's
    manual and name it in `bands_source`. `buffer_ph` is how far a buffer may be off what its bottle
    says, either way: the +-0.02 often printed on technical buffers (from memory). `settle_s`
    (seconds until the number stands still in a buffer) and `probe_life_months` are common practice,
    no source.
    """

    slope_low_pct: float = 85.0
    slope_high_pct: float = 105.0
    offset_mv: float = 30.0
    drift_ph: float = 0.05
    buffer_ph: float = 0.02
    settle_s: float = 60.0
    bands_source: str = "a training page; see the manual of your meter"
    probe: str = ""
    probe_since: str = ""
    probe_life_months: float = 12.0


@dataclass(frozen=True)
class Buffer:
    """The table printed on a bottle of buffer: pH by temperature."""

    name: str
    temps_c: tuple[float, ...]
    ph: tuple[float, ...]
