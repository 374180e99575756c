"""Pictures: a figure with its alternative text and its caption, for notebooks and the report.

`figures` and `calendar` draw; their picture functions wrap what was drawn in a Picture.
The alternative text carries the numbers drawn, so that a notebook prints them.
"""

from __future__ import annotations

import base64
import html
import io
import sys
from dataclasses import dataclass
from typing import TYPE_CHECKING

from doughlab.report.style import use_style

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_UNDATED = {"Date": None, "Creator": None}


@dataclass(frozen=True, repr=False)
class Picture:
    """A figure that can be read aloud: drawing, alternative text, caption.

    Attributes
    ----------
    fig : matplotlib Figure
        Taken from pyplot, so that nothing has to be closed and a notebook shows it once.
    alt : str
        One or more sentences with the numbers that are drawn.
    caption : str
        One or more sentences that say the answer.

    Examples
    --------
    >>> from matplotlib.figure import Figure
    >>> Picture(Figure(), "tap 5.62, bottled 5.55", "Tap lies higher.")
    Tap lies higher.
    tap 5.62, bottled 5.55
    >>> from matplotlib.figure import Figure
    >>> drawn = Picture(Figure(figsize=(4, 2)), "one line", "It rises.")
    >>> drawn.svg()[:5], drawn.png()[1:4], drawn.width_px, 'alt="one line"' in drawn.as_html()
    ('<?xml', b'PNG', 500, True)
    """

    fig: Figure
    alt: str
    caption: str

    def __post_init__(self) -> None:
        """Take the figure from pyplot, where a notebook made it there."""
        pyplot = sys.modules.get("matplotlib.pyplot")
        if pyplot is not None:
            pyplot.close(self.fig)

    def __repr__(self) -> str:
        """Give caption and alternative text, the same wherever it runs."""
        return f"{self.caption}\n{self.alt}"

    def svg(self) -> str:
        """Draw as SVG text; the same figure gives the same bytes.

        Returns
        -------
        str
            Letters are outlines, so no font is needed to show it; the ground is left to the page.
        """
        buffer = io.StringIO()
        with use_style():
            self.fig.savefig(buffer, format="svg", metadata=_UNDATED, facecolor="none")
        return buffer.getvalue()

    def png(self) -> bytes:
        """Draw as PNG; the same figure gives the same bytes with the same libraries."""
        buffer = io.BytesIO()
        with use_style():
            self.fig.savefig(buffer, format="png", metadata={"Software": None})
        return buffer.getvalue()

    @property
    def width_px(self) -> int:
        """Widest it is shown, in CSS pixels: three tenths above the size it was drawn for."""
        return round(self.fig.get_size_inches()[0] * 125)

    def as_html(self) -> str:
        """Give a figure element with the drawing inside as SVG, without an outside request.

        Returns
        -------
        str
            `<figure>` with `<img alt>` and `<figcaption>`.
        """
        data = base64.b64encode(self.svg().encode()).decode()
        return self._element(f"data:image/svg+xml;base64,{data}")

    def _repr_html_(self) -> str:
        data = base64.b64encode(self.png()).decode()
        return self._element(f"data:image/png;base64,{data}")

    def _element(self, source: str) -> str:
        return (
            f'<figure style="margin:1.2em 0;max-width:{self.width_px}px">'
            f'<img style="width:100%" src="{source}" alt="{html.escape(self.alt)}">'
            f"<figcaption>{html.escape(self.caption)}</figcaption></figure>"
        )
