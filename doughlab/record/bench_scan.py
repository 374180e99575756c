"""Scanning: the code on a label, read from a photo that a phone sent.

A browser lends the camera to secure pages only, and a page over the local network is not one. So
the phone's own camera takes a photo, and the laptop reads it. Nothing of the photo is kept.
"""

from __future__ import annotations

from doughlab.record.bench_forms import Refused
from doughlab.record.bench_photo import open_photo

AGAIN = (
    "Hold the phone a hand's width from the label, the whole code in the picture, without glare, "
    "and take it again; or choose the ball below."
)


def read_code(data: bytes) -> str:
    """Read the code of one label.

    Parameters
    ----------
    data : bytes
        A JPEG, PNG or WebP.

    Returns
    -------
    str
        What the code says, such as "LQ/B07-3".

    Raises
    ------
    Refused
        When it is no photo, shows no code, or shows several that differ.
    """
    import zxingcpp

    with open_photo(data, again=AGAIN) as picture:
        grey = picture.convert("L")
    kinds = zxingcpp.barcode_formats_from_str("QRCode")
    found = {code.text for code in zxingcpp.read_barcodes(grey, formats=kinds)}
    if not found:
        raise Refused(f"No code was found in the photo. {AGAIN}")
    if len(found) > 1:
        raise Refused(f"The photo shows {len(found)} codes. Take one label at a time.")
    return found.pop()
