"""Codes to scan: for a terminal, and as drawings on labels and sheets.

`doughlab bench` shows the page's address with it; the labels of balls are drawn from `code_path`.
"""

from __future__ import annotations

import io


def terminal_code(text: str) -> str:
    """Draw a QR code with letters, dark on light, two rows in one line.

    Parameters
    ----------
    text : str
        What it says when it is scanned.

    Examples
    --------
    >>> drawn = terminal_code("LQ/B07-3").splitlines()
    >>> len(drawn) * 2 >= 21 + 4, len({len(line) for line in drawn})
    (True, 1)
    """
    import segno

    code = segno.make(text, micro=False, error="m")
    rows = [[bool(cell) for cell in row] for row in code.matrix_iter(border=2)]
    if len(rows) % 2:
        rows.append([False] * len(rows[0]))
    marks = {(True, True): " ", (True, False): "▄", (False, True): "▀", (False, False): "█"}
    out = io.StringIO()
    for upper, lower in zip(rows[::2], rows[1::2], strict=True):
        out.write("".join(marks[pair] for pair in zip(upper, lower, strict=True)) + "\n")
    return out.getvalue().rstrip("\n")


def code_drawing(text: str, *, border: int = 4) -> str:
    """Draw a QR code as SVG, one unit for each module.

    Parameters
    ----------
    text : str
        What it says when it is scanned.
    border : int
        White modules around it.

    Examples
    --------
    >>> code_drawing("LQ/B07-3").count('viewBox="0 0 29 29"')
    1
    """
    import segno

    code = segno.make(text, micro=False, error="h")
    out = io.BytesIO()
    code.save(out, kind="svg", border=border, omitsize=True, xmldecl=False, svgclass=None,
              lineclass=None, light="#ffffff")  # fmt: skip
    return out.getvalue().decode("utf-8").strip()
