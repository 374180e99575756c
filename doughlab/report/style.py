"""The look of every figure: paper, ink, one warm accent, and a colour and marker per level.

Called by `figures`, `calendar`, `page` and the notebooks; nothing changes when it is imported.
What is drawn is left to `figures`, the words to `text`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from doughlab.settings import Factor, Settings

PAPER = "#fdfcf9"
INK = "#22262b"
SOFT_INK = "#5b6168"
HAIR = "#c9c5bc"
CRUST = "#a8431b"  # the one warm accent
MARGIN_BAND = "#efece4"
WINDOW_BAND = "#f9e9dd"

# Colours of levels in order of use: plum, straw, well, umber, mauve, night; from a search of ours:
# lightness L* 24, 56, 40, 32, 48, 16, so that no two are nearer than 7.5 in grey print, and no two,
# nor one and the accent, nearer than 20 in CIE 1976 L*a*b* to normal, protan, deutan or tritan
# eyes (tests/report/test_style.py names the published matrices).
LEVEL_COLOURS = ("#632143", "#978559", "#0c60b1", "#594930", "#a7578c", "#281a63")
LEVEL_MARKERS = ("o", "s", "^", "D", "v", "P")
LEVEL_DASHES: tuple[tuple[float, ...], ...] = (
    (), (5, 2), (1.5, 1.5), (7, 2, 1.5, 2), (3, 1.5), (7, 1.5, 1.5, 1.5, 1.5, 1.5),
)  # fmt: skip

FIGURE_WIDTH_IN = 4.4  # so that its small letters are 11 px on a phone of 390 px
FONTS = ("STIXGeneral", "DejaVu Serif")  # both come with matplotlib: the same bytes everywhere


@dataclass(frozen=True)
class Look:
    """How one level is drawn everywhere: colour, marker and dash, never colour alone.

    Attributes
    ----------
    colour : str
        Hex colour.
    marker : str
        A marker as matplotlib names it.
    dashes : tuple of float
        On and off lengths in line widths; empty for a whole line.
    """

    colour: str
    marker: str
    dashes: tuple[float, ...] = ()


PLAIN = Look(INK, "o")


@dataclass(frozen=True)
class Looks:
    """The looks of one trial: the factor that carries colour, and each of its levels.

    Attributes
    ----------
    factor : str
        Name of the factor whose levels carry colour and marker; empty where there is none.
    levels : mapping of str to Look
        In the order of trial.toml.

    Examples
    --------
    >>> build_looks([]).of("water", "tap").colour == INK
    True
    """

    factor: str = ""
    levels: Mapping[str, Look] = field(default_factory=dict)

    def of(self, factor: str, level: str) -> Look:
        """Give the look of a level; ink and a circle for a factor that carries no colour."""
        return self.levels.get(level, PLAIN) if factor == self.factor else PLAIN


def assign_looks(levels: Sequence[str]) -> dict[str, Look]:
    """Give each level a colour, a marker and a dash, by its place.

    After six levels the colours come again with other markers, so that thirty-six pairs of
    colour and marker are different.

    Parameters
    ----------
    levels : sequence of str, shape (k,)
        In the order of trial.toml.

    Returns
    -------
    dict of str to Look

    Examples
    --------
    >>> looks = assign_looks(["tap", "bottled"])
    >>> looks["bottled"].marker
    's'
    """
    n = len(LEVEL_COLOURS)
    return {
        level: Look(
            LEVEL_COLOURS[i % n],
            LEVEL_MARKERS[(i + i // n) % n],
            LEVEL_DASHES[(i + i // n) % n],
        )
        for i, level in enumerate(levels)
    }


def build_looks(factors: Settings | Sequence[Factor]) -> Looks:
    """Choose the factor that carries colour in a trial, and assign its looks.

    The first water factor carries colour; without one, the first factor of trial.toml.

    Parameters
    ----------
    factors : Settings or sequence of Factor
        The trial's settings, or its factors in file order.

    Returns
    -------
    Looks

    Examples
    --------
    >>> from doughlab.settings import Factor
    >>> hold = Factor("hold", "ball", "number", ("24", "48"), "h", values=(24.0, 48.0))
    >>> water = Factor("water", "batch", "water", ("tap", "bottled"))
    >>> build_looks([hold, water]).factor
    'water'
    """
    known = list(factors.factors.values()) if hasattr(factors, "factors") else list(factors)
    if not known:
        return Looks()
    chosen = next((f for f in known if f.kind == "water"), known[0])
    return Looks(chosen.name, assign_looks(chosen.levels))


def style_settings() -> dict[str, object]:
    """Give the drawing settings of the house as matplotlib names them.

    Returns
    -------
    dict
        For `matplotlib.rc_context`; a fresh copy at each call.

    Examples
    --------
    >>> style_settings()["svg.hashsalt"]
    'doughlab'
    """
    return {
        "font.family": list(FONTS),
        "mathtext.fontset": "stix",
        "font.size": 10.5,
        "axes.titlesize": 10.5,
        "axes.labelsize": 10.5,
        "xtick.labelsize": 10,
        "ytick.labelsize": 10.5,
        "legend.fontsize": 10,
        "text.color": INK,
        "axes.labelcolor": INK,
        "axes.edgecolor": INK,
        "xtick.color": INK,
        "ytick.color": INK,
        "xtick.direction": "out",
        "xtick.major.size": 3.5,
        "ytick.major.size": 0,
        "axes.linewidth": 0.8,
        "axes.spines.top": False,
        "axes.spines.right": False,
        "axes.spines.left": False,
        "axes.facecolor": "none",
        "axes.axisbelow": True,
        "axes.grid": False,
        "axes.unicode_minus": True,
        "figure.facecolor": PAPER,
        "savefig.facecolor": PAPER,
        "figure.dpi": 100,
        "savefig.dpi": 200,
        "lines.linewidth": 1.4,
        "legend.frameon": False,
        "svg.hashsalt": "doughlab",
        "svg.fonttype": "path",
        "path.simplify": False,
    }


@contextmanager
def use_style() -> Iterator[None]:
    """Draw in the style of the house inside a with block; outside nothing changes.

    Examples
    --------
    >>> import matplotlib
    >>> before = matplotlib.rcParams["font.size"]
    >>> with use_style():
    ...     inside = matplotlib.rcParams["font.size"]
    >>> inside == 10.5 and matplotlib.rcParams["font.size"] == before
    True
    """
    import matplotlib as mpl

    with mpl.rc_context(style_settings()):  # type: ignore[arg-type]
        yield
