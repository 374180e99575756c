"""Scanning: the code on a label, read from a photo that a phone sent.

A browser lends the camera to secure pages only, and a page over the local network is not one. So
the phone's own camera takes a photo, and the laptop reads it. Nothing of the photo is kept.
"""

from __future__ import annotations

import io

from doughlab.record.bench_forms import Refused
from doughlab.record.bench_photo import photo_kind

MOST_PIXELS = 30_000_000
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
    from PIL import Image

    if not photo_kind(data):
        raise Refused("This is no photo (JPEG, PNG or WebP). Take it again.")
    try:
        with Image.open(io.BytesIO(data), formats=("JPEG", "PNG", "WEBP")) as picture:
            if picture.width * picture.height > MOST_PIXELS:
                raise Refused(f"The photo is too large to read. {AGAIN}")
            grey = picture.convert("L")
    except (OSError, ValueError, SyntaxError) as error:
        raise Refused(f"The photo cannot be read. {AGAIN}") from error
    kinds = zxingcpp.barcode_formats_from_str("QRCode")
    found = {code.text for code in zxingcpp.read_barcodes(grey, formats=kinds)}
    if not found:
        raise Refused(f"No code was found in the photo. {AGAIN}")
    if len(found) > 1:
        raise Refused(f"The photo shows {len(found)} codes. Take one label at a time.")
    return found.pop()
