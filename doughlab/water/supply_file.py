"""Read the supply file: use, supplies, offers and the feed, written by a person in TOML.

Called by the commands cost and compare; unknown keys are errors with a suggestion.
It leaves the sums to supply and offers.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

from doughlab.errors import InputError, UnknownName
from doughlab.slips import read_toml
from doughlab.water.offers import Offer
from doughlab.water.sample import WaterSample
from doughlab.water.supply import Part, Supply, Use

EXAMPLE = """\
# Prices in your own currency; the numbers below are invented. Change or delete what you do not
# have. A part is replaced every so many litres or months, whichever comes first.
currency = "EUR"

[use]
dough_kg_per_year = 20000
ball_g = 260
hydration_pct = 62
other_pct = 3
days_per_year = 300
peak_factor = 1.6            # busiest day over the mean day

[feed]                       # the water that goes into a unit
name = "tap"
ph = 7.8
alkalinity_mg_l = 150
hardness_mg_l = 200
temp_c = 12

[[supply]]
name = "tap"
kind = "tap"
price_per_l = 0.004

[[supply]]
name = "carbon filter"
kind = "filter"
price_per_l = 0.004
purchase = 180
life_years = 6
parts = [{ name = "cartridge", price = 45, every_l = 8000, every_months = 6 }]

[[supply]]
name = "reverse osmosis"
kind = "reverse osmosis"
price_per_l = 0.004
waste_l_per_l = 2.0
drain_per_l = 0.003
purchase = 1900
life_years = 8
service_per_year = 160
parts = [
    { name = "membrane", price = 140, every_l = 60000, every_months = 36 },
    { name = "pre-filters", price = 55, every_months = 6 },
]

[[supply]]
name = "bottled"
kind = "bottled"
price_per_l = 0.32
other_per_l = 0.02           # carrying, deposit

[[offer]]                    # what suppliers answered; leave out what they did not
supplier = "first"
rejection_pct = 95
litres_per_day = 190
tank_l = 40
waste_l_per_l = 2.0
adds_back = "mixing valve"
purchase = 1900
service_per_year = 160
answered = ["materials", "acceptance"]

[[offer]]
supplier = "second"
rejection_pct = 98
litres_per_day = 75
waste_l_per_l = 1.0
purchase = 1250
"""


@dataclass(frozen=True)
class SupplyFile:
    """Hold what a supply file says.

    Attributes
    ----------
    currency : str
        The user's own.
    use : Use
        Dough a year, ball, hydration.
    supplies : tuple of Supply
        In file order.
    offers : tuple of Offer
        In file order.
    feed : WaterSample or None
        The water that goes into a unit.

    Examples
    --------
    >>> parse_supply_file(EXAMPLE).currency
    'EUR'
    """

    currency: str
    use: Use
    supplies: tuple[Supply, ...]
    offers: tuple[Offer, ...]
    feed: WaterSample | None

    @property
    def tap(self) -> Supply | None:
        """Give the first supply of kind tap, for the price of feed and drain."""
        return next((s for s in self.supplies if s.kind == "tap"), None)


def read_supply_file(path: Path) -> SupplyFile:
    """Read a supply file.

    Raises
    ------
    InputError
        When the file is missing or cannot be read, with what to do.
    """
    try:
        text = Path(path).read_text(encoding="utf-8")
    except FileNotFoundError:
        raise InputError(
            f"{path} is not there. Write an example to start from: "
            f"doughlab water cost {path} --example"
        ) from None
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{path} cannot be read ({error}).") from None
    return parse_supply_file(text, name=Path(path).name)


def parse_supply_file(text: str, *, name: str = "supply.toml") -> SupplyFile:
    """Parse the text of a supply file.

    Raises
    ------
    InputError, UnknownName, OutOfRange
        With the place and what would be right.

    Examples
    --------
    >>> len(parse_supply_file(EXAMPLE).offers)
    2
    """
    data, hint, row = read_toml(text)
    if data is None:
        raise InputError(f"{name}, row {row}: cannot be read: {hint}")
    known = ("currency", "use", "feed", "supply", "offer")
    for key in data:
        if key not in known:
            raise UnknownName("section", key, known, where=name)
    if "use" not in data:
        raise InputError(f"{name}: [use] is missing; it needs dough_kg_per_year.")
    use = _make(Use, _table(data["use"], f"{name}, [use]"), f"{name}, [use]")
    feed = data.get("feed")
    return SupplyFile(
        str(data.get("currency", "")),
        use,
        tuple(
            _with_parts(Supply, t, f"{name}, supply {i}")
            for i, t in enumerate(_list(data.get("supply", []), f"{name}, [[supply]]"), start=1)
        ),
        tuple(
            _with_parts(Offer, t, f"{name}, offer {i}")
            for i, t in enumerate(_list(data.get("offer", []), f"{name}, [[offer]]"), start=1)
        ),
        None if feed is None else _make(WaterSample, _table(feed, f"{name}, [feed]"), name),
    )


def _with_parts(kind: type, table: Any, where: str) -> Any:
    """Make a supply or an offer with its parts."""
    values = dict(_table(table, where))
    if "parts" in values:
        found = _list(values["parts"], f"{where}, parts")
        values["parts"] = tuple(_make(Part, _table(p, where), f"{where}, part") for p in found)
    if "answered" in values:
        values["answered"] = tuple(str(a) for a in _list(values["answered"], where))
    return _make(kind, values, where)


def _make(kind: type, values: dict[str, Any], where: str) -> Any:
    """Make a record from a table; unknown keys name the nearest, missing ones are said."""
    known = [f.name for f in fields(kind)]
    for key in values:
        if key not in known:
            raise UnknownName("key", key, known, where=where)
    first = known[0]
    if first not in values:
        raise InputError(f"{where}: '{first}' is missing.")
    try:
        return kind(**values)
    except InputError as error:
        raise InputError(f"{where}: {error}") from None
    except TypeError as error:
        raise InputError(f"{where}: a value has the wrong kind ({error}).") from None


def _table(value: Any, where: str) -> dict[str, Any]:
    """Refuse what is not a table."""
    if not isinstance(value, dict):
        raise InputError(f"{where} is not a table. Write keys and values below its head.")
    return value


def _list(value: Any, where: str) -> list[Any]:
    """Refuse what is not a list."""
    if not isinstance(value, list):
        raise InputError(f"{where} is not a list. Write it with two brackets, [[...]].")
    return value
