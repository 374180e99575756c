"""Pictures of a water: pH against grams of acid, what supplies cost, which number decides.

Notebooks call these with results of the water room; strips and line labels come from the room.
Nothing is calculated here but places on the paper.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from doughlab.analysis.wording import joined, signed
from doughlab.errors import UnknownName
from doughlab.report.blocks import typeset
from doughlab.report.lines import LEFT_IN, LETTER_IN, RIGHT_MOST_IN, label_ends
from doughlab.report.picture import Picture
from doughlab.report.strips import Band, Strip, draw_strips, new_axes
from doughlab.report.style import (
    CRUST,
    FIGURE_WIDTH_IN,
    HAIR,
    INK,
    PAPER,
    PLAIN,
    SOFT_INK,
    Look,
    assign_looks,
    use_style,
)
from doughlab.report.text import Texts
from doughlab.water.cautions import CAUTIONS, SHORT
from doughlab.water.costs import balls_a_day, crossing_words, lever_words

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from doughlab.water.costs import CostComparison, Sensitivity
    from doughlab.water.dose import Dose

HEIGHT_IN = 3.4
TOP_IN = 0.3
ALONG = ("balls", "kg")
_CLOSED, _OPEN = Look(INK, "o"), Look(SOFT_INK, "s", (4, 2))
_TOLD = 5  # points of a curve that the alternative text names


def plot_dose(
    table: Mapping[str, Any],
    *,
    dose: Dose | None = None,
    readings: Sequence[tuple[float, float]] = (),
    texts: Texts | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Draw the pH of a water against grams of acid, closed and open.

    Parameters
    ----------
    table : mapping of arrays, shape (n,)
        As `dose_table` gives it: grams, ph_closed, ph_open.
    dose : Dose, optional
        Marks its target with the grams for it and their 95 % range.
    readings : sequence of (float, float)
        Grams and pH as read, for the water of the table; drawn as open marks.
    texts : Texts, optional
    ax : Axes or None
        None makes a new figure in the style of the house.

    Returns
    -------
    Axes

    Examples
    --------
    >>> import numpy as np
    >>> from doughlab.water import AcidProduct, WaterSample
    >>> from doughlab.water.dosing import dose_table
    >>> tap = WaterSample("tap", ph=7.9, alkalinity_mg_l=150, temp_c=18)
    >>> vinegar = AcidProduct("white vinegar", 5, "w/v")
    >>> table = dose_table(tap, np.linspace(0, 50, 26), acid="acetic", water_kg=12, product=vinegar)
    >>> ax = plot_dose(table)
    >>> ax.get_xlabel()
    'acid product, g'
    """
    texts = texts or Texts()
    ax = ax or _new_axes(max(len(texts.say(k)) for k in ("line_closed", "line_open")))
    grams = [float(g) for g in table["grams"]]
    with use_style():
        for column, look in (("ph_closed", _CLOSED), ("ph_open", _OPEN)):
            ax.plot(grams, table[column], color=look.colour, dashes=look.dashes or (None, None),
                    zorder=3, gid=column)  # fmt: skip
        if readings:
            ax.plot(*zip(*readings, strict=True), ls="", marker="o", ms=4.5, mfc="none", mec=INK,
                    mew=0.9, zorder=4, clip_on=False, gid="readings")  # fmt: skip
        if dose is not None:
            _mark_target(ax, dose, texts)
        ax.set_xlim(min(grams), max(grams))
        ax.set_xlabel(_dose_axis(dose, texts))
        _y_words(ax, "pH")
        ends = [(float(table["ph_closed"][-1]), texts.say("line_closed"), _CLOSED),
                (float(table["ph_open"][-1]), texts.say("line_open"), _OPEN)]  # fmt: skip
        label_ends(ax, ends)
    return ax


def _dose_axis(dose: Dose | None, texts: Texts) -> str:
    if dose is None:
        return texts.say("axis_grams")
    return texts.say("axis_dose", agent=dose.agent, water_kg=f"{dose.water_kg:.4g}")


def _mark_target(ax: Axes, dose: Dose, texts: Texts) -> None:
    """Draw the target as a dotted line, and the grams for it with their range."""
    ph, low, high = dose.target_ph, dose.product_low_g, dose.product_high_g
    ax.axhline(ph, color=CRUST, lw=0.9, dashes=(1, 2), zorder=1, gid="target")
    ax.plot([low, high], [ph, ph], color=CRUST, lw=2.6, solid_capstyle="butt", zorder=5,
            gid="range")  # fmt: skip
    ax.plot([dose.product_g], [ph], ls="", marker="D", ms=6.5, mfc=CRUST, mec=PAPER, mew=0.9,
            zorder=6, gid="dose")  # fmt: skip
    words = texts.say("dose_mark", **_dose_numbers(dose))
    ax.annotate(typeset(words), (high, ph), xytext=(6, 5), textcoords="offset points", color=INK,
                fontsize=10, zorder=7, bbox={"fc": PAPER, "ec": "none", "pad": 0.6})  # fmt: skip


def _dose_numbers(dose: Dose) -> dict[str, str]:
    d = dose.decimals
    return {
        "grams": f"{dose.product_g:.{d}f}",
        "low": f"{dose.product_low_g:.{d}f}",
        "high": f"{dose.product_high_g:.{d}f}",
    }


def picture_dose(
    table: Mapping[str, Any],
    *,
    dose: Dose | None = None,
    readings: Sequence[tuple[float, float]] = (),
    texts: Texts | None = None,
) -> Picture:
    """Picture the pH of a water against grams of acid, closed and open.

    Parameters
    ----------
    table, dose, readings, texts
        As for `plot_dose`.

    Returns
    -------
    Picture
        Its text names points of both curves, the dose with its range and the readings; its
        caption ends with the cautions on acid.

    Examples
    --------
    >>> import numpy as np
    >>> from doughlab.water import AcidProduct, WaterSample
    >>> from doughlab.water.dosing import dose_table
    >>> tap = WaterSample("tap", ph=7.9, alkalinity_mg_l=150, temp_c=18)
    >>> vinegar = AcidProduct("white vinegar", 5, "w/v")
    >>> table = dose_table(tap, np.linspace(0, 50, 26), acid="acetic", water_kg=12, product=vinegar)
    >>> picture_dose(table).alt[:25]
    'pH along grams of product'
    """
    texts = texts or Texts()
    ax = plot_dose(table, dose=dose, readings=readings, texts=texts)
    curve = texts.say("alt_curve", closed=_points(table, "ph_closed"),
                      open=_points(table, "ph_open"))  # fmt: skip
    alt, caption = curve, texts.say("caption_curve")
    if dose is not None:
        alt = texts.say(
            "alt_dose", water=dose.water, ph=f"{dose.target_ph:.2f}", agent=dose.agent,
            water_kg=f"{dose.water_kg:.4g}", vessel=dose.vessel, curve=curve, **_dose_numbers(dose),
        )  # fmt: skip
        aired = f"{dose.ph_after_air:.2f}"
        caption = texts.say("caption_dose", sentence=dose.sentence, aired=aired)
    if readings:
        alt += texts.say("alt_readings", rows=joined(f"{g:.4g} g {ph:.2f}" for g, ph in readings))
    cautions = (SHORT, CAUTIONS["sealed"], CAUTIONS["dough only"])
    return _picture(ax, alt, " ".join((caption, *cautions)))


def _points(table: Mapping[str, Any], column: str) -> str:
    """Name a few points of a curve, both ends among them."""
    grams, values = list(table["grams"]), list(table[column])
    last = len(grams) - 1
    places = sorted({round(i * last / (_TOLD - 1)) for i in range(_TOLD)})
    return ", ".join(f"{float(grams[i]):.3g} g {float(values[i]):.2f}" for i in places)


def plot_costs(
    costs: CostComparison,
    *,
    along: str = "balls",
    texts: Texts | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Draw what supplies cost in a year along the volume, with rings where two cost the same.

    Parameters
    ----------
    costs : CostComparison
    along : str
        "balls" (a day) or "kg" (of dough a year).
    texts : Texts, optional
    ax : Axes or None
        None makes a new figure in the style of the house.

    Returns
    -------
    Axes
        The kitchen's own volume is the dotted line.

    Raises
    ------
    UnknownName
        For another `along`.

    Examples
    --------
    >>> from doughlab.water.costs import compare_costs
    >>> from doughlab.water.supply import Supply, Use
    >>> bottled = Supply("bottled", "bottled", price_per_l=0.32)
    >>> tank = Supply("tank", "tap", price_per_l=0.004)
    >>> costs = compare_costs([bottled, tank], Use(dough_kg_per_year=20_000), currency="EUR")
    >>> ax = plot_costs(costs)
    >>> ax.get_xlabel()
    'balls a day'
    """
    texts = texts or Texts()
    ax = ax or _new_axes(max(len(name) for name in costs.per_year), left_in=0.62)
    volumes = [_volume(costs, kg, along) for kg in costs.dough_kg_per_year]
    looks = assign_looks(list(costs.per_year))
    with use_style():
        for name, values in costs.per_year.items():
            look = looks[name]
            ax.plot(volumes, values, color=look.colour, dashes=look.dashes or (None, None),
                    zorder=3, gid="cost")  # fmt: skip
        for crossing, kg in costs.shown_crossings():
            height = _interpolate(kg, costs.dough_kg_per_year, costs.per_year[crossing.first])
            ax.plot([_volume(costs, kg, along)], [height], ls="", marker="o", ms=7, mfc=PAPER,
                    mec=CRUST, mew=1.4, zorder=5, gid="crossing")  # fmt: skip
        own = _volume(costs, costs.use.dough_kg_per_year, along)
        ax.axvline(own, color=CRUST, lw=0.9, dashes=(1, 2), zorder=1, gid="own")
        ax.set_xlim(0, volumes[-1])
        ax.set_ylim(bottom=0)
        ax.annotate(texts.say("own_volume", volume=f"{own:.0f}"), (own, 1.0),
                    xycoords=ax.get_xaxis_transform(), xytext=(4, -2), color=SOFT_INK,
                    textcoords="offset points", va="top", fontsize=9.5)  # fmt: skip
        ax.set_xlabel(_along_words(along, texts))
        money = costs.currency
        _y_words(ax, texts.say("axis_cost_in", currency=money) if money else texts.say("axis_cost"))
        label_ends(ax, [(v[-1], name, looks[name]) for name, v in costs.per_year.items()])
    return ax


def _volume(costs: CostComparison, kg: float, along: str) -> float:
    if along not in ALONG:
        raise UnknownName("axis", along, ALONG)
    return kg if along == "kg" else balls_a_day(costs.use, kg)


def _along_words(along: str, texts: Texts) -> str:
    return texts.say("axis_kg_a_year") if along == "kg" else texts.say("axis_balls_a_day")


def _interpolate(x: float, xs: Sequence[float], ys: Sequence[float]) -> float:
    """Place a ring on the drawn line."""
    i = next(i for i in range(1, len(xs)) if xs[i] >= x)
    share = (x - xs[i - 1]) / (xs[i] - xs[i - 1])
    return ys[i - 1] + share * (ys[i] - ys[i - 1])


def picture_costs(
    costs: CostComparison, *, along: str = "balls", texts: Texts | None = None
) -> Picture:
    """Picture what supplies cost in a year along the volume.

    Parameters
    ----------
    costs, along, texts
        As for `plot_costs`.

    Returns
    -------
    Picture
        Its text names every cost at both ends and at the own volume, and every crossing.

    Examples
    --------
    >>> from doughlab.water.costs import compare_costs
    >>> from doughlab.water.supply import Supply, Use
    >>> bottled = Supply("bottled", "bottled", price_per_l=0.32)
    >>> tank = Supply("tank", "tap", price_per_l=0.004)
    >>> costs = compare_costs([bottled, tank], Use(dough_kg_per_year=20_000), currency="EUR")
    >>> picture_costs(costs).alt[:25]
    'Cost of each supply in a '
    """
    texts = texts or Texts()
    ax = plot_costs(costs, along=along, texts=texts)
    first, last = (_volume(costs, costs.dough_kg_per_year[i], along) for i in (0, -1))
    rows = "; ".join(
        f"{n} " + texts.say("from_to", low=f"{v[0]:.0f}", high=f"{v[-1]:.0f}")
        for n, v in costs.per_year.items()
    )
    found = "; ".join(crossing_words(c, costs.use, along=along) for c in costs.crossings)
    words = _along_words(along, texts)
    alt = texts.say("alt_costs", along=words, low=f"{first:.0f}", high=f"{last:.0f}", rows=rows,
                    crossings=found)  # fmt: skip
    money = f" {costs.currency}" if costs.currency else ""
    own = sorted(costs.at_use.items(), key=lambda kv: kv[1])
    caption = texts.say(
        "caption_costs", along=words, cheapest=costs.cheapest, crossings=_near(costs, along, texts),
        volume=f"{_volume(costs, costs.use.dough_kg_per_year, along):.0f}",
        rows=joined(f"{name} {cost:.0f}{money}" for name, cost in own),
    )  # fmt: skip
    return _picture(ax, alt, caption)


def _near(costs: CostComparison, along: str, texts: Texts) -> str:
    """Say the crossings that are drawn."""
    drawn = list(dict.fromkeys(c for c, _ in costs.shown_crossings()))
    if not drawn:
        return texts.say("crossing_none")
    said = "; ".join(crossing_words(c, costs.use, along=along) for c in drawn)
    return f"{said[0].upper()}{said[1:]}"


def plot_levers(
    levers: Sensitivity, *, most: int = 6, texts: Texts | None = None, ax: Axes | None = None
) -> Axes:
    """Draw how each number moves the difference between two supplies; 0 is equal cost.

    Parameters
    ----------
    levers : Sensitivity
    most : int
        How many numbers are drawn, the strongest first.
    texts : Texts, optional
    ax : Axes or None
        None makes a new figure in the style of the house.

    Returns
    -------
    Axes
        A bar that crosses 0 belongs to a number that decides.

    Examples
    --------
    >>> from doughlab.water.costs import compare_levers
    >>> from doughlab.water.supply import Supply, Use
    >>> bottled = Supply("bottled", "bottled", price_per_l=0.32)
    >>> unit = Supply("unit", "reverse osmosis", price_per_l=0.004, purchase=1900)
    >>> levers = compare_levers(bottled, unit, Use(dough_kg_per_year=20_000))
    >>> ax = plot_levers(levers)
    >>> ax.get_xlabel()
    'bottled − unit, cost a year'
    """
    texts = texts or Texts()
    strips = []
    for lever, low, high in levers.ends[:most]:
        decides = min(low, high) < 0 < max(low, high)
        strips.append(
            Strip(
                label=lever_words(lever),
                words=typeset(texts.say("from_to", low=_money(low), high=_money(high))),
                look=Look(CRUST, "o") if decides else PLAIN,
                estimate=levers.difference,
                low=min(low, high),
                high=max(low, high),
            )
        )
    words = typeset(texts.say("band_same_cost", first=levers.first))
    head = texts.say("lever_head", change=f"{levers.change_pct:g}")
    ax = draw_strips(strips, bands=[Band(0.0, 0.0, "margin", words)], head=head, ax=ax)
    names = {"first": levers.first, "second": levers.second}
    if levers.currency:
        label = texts.say("axis_difference_cost_in", currency=levers.currency, **names)
    else:
        label = texts.say("axis_difference_cost", **names)
    ax.set_xlabel(typeset(label))
    return ax


def _money(value: float) -> str:
    return signed(value, 0).strip()


def picture_levers(levers: Sensitivity, *, most: int = 6, texts: Texts | None = None) -> Picture:
    """Picture how each number moves the difference between two supplies.

    Parameters
    ----------
    levers, most, texts
        As for `plot_levers`.

    Returns
    -------
    Picture
        Its text names both ends of every bar; its caption names the numbers that decide.

    Examples
    --------
    >>> from doughlab.water.costs import compare_levers
    >>> from doughlab.water.supply import Supply, Use
    >>> bottled = Supply("bottled", "bottled", price_per_l=0.32)
    >>> unit = Supply("unit", "reverse osmosis", price_per_l=0.004, purchase=1900)
    >>> levers = compare_levers(bottled, unit, Use(dough_kg_per_year=20_000))
    >>> picture_levers(levers).alt[:25]
    'Difference of the yearly '
    """
    texts = texts or Texts()
    ax = plot_levers(levers, most=most, texts=texts)
    rows = "; ".join(
        f"{lever_words(lever)} " + texts.say("from_to", low=_money(low), high=_money(high))
        for lever, low, high in levers.ends[:most]
    )
    alt = texts.say(
        "alt_levers", first=levers.first, second=levers.second, rows=rows,
        difference=_money(levers.difference), change=f"{levers.change_pct:g}",
    )  # fmt: skip
    answer = ". ".join(f"{s[0].upper()}{s[1:]}" for s in levers.sentences)
    return _picture(ax, alt, texts.say("caption_levers", answer=answer))


def _new_axes(longest: int, *, left_in: float = LEFT_IN) -> Axes:
    """Make an Axes with room for words above it and for line names at its right."""
    ax = new_axes(HEIGHT_IN, left_in=left_in)
    box = ax.get_position()
    right = min(RIGHT_MOST_IN, 0.32 + LETTER_IN * longest)
    width = (FIGURE_WIDTH_IN - left_in - right) / FIGURE_WIDTH_IN
    ax.set_position((box.x0, box.y0, width, box.height - TOP_IN / HEIGHT_IN))
    return ax


def _y_words(ax: Axes, words: str) -> None:
    """Write what the y axis is above it."""
    box = ax.get_position()
    ax.text(-box.x0 / box.width + 0.015, 1.04, words, transform=ax.transAxes, ha="left",
            va="bottom")  # fmt: skip
    ax.tick_params(axis="x", color=HAIR)


def _picture(ax: Axes, alt: str, caption: str) -> Picture:
    from matplotlib.figure import Figure

    figure = ax.get_figure(root=True)
    if not isinstance(figure, Figure):
        raise TypeError("an Axes outside a figure cannot become a picture")
    return Picture(figure, typeset(alt), typeset(caption))
