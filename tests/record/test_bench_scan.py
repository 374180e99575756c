"""Codes that a camera sees: the address in the terminal, the label on a photo from a phone.

The decoder is zxing-cpp, a general-purpose reader of codes; the codes are drawn by segno.
"""

import io

import pytest
import segno
import zxingcpp
from PIL import Image, ImageFilter

from doughlab.record.bench_forms import Refused
from doughlab.record.bench_scan import read_code
from doughlab.record.sheets_code import terminal_code

DARK = {"█": (255, 255), "▀": (255, 0), "▄": (0, 255), " ": (0, 0)}  # light ink on a dark screen


def draw_terminal(text, *, wide=8):
    """Draw the letters as a terminal does: half blocks, one cell twice as high as wide."""
    lines = text.splitlines()
    picture = Image.new("L", (len(lines[0]), 2 * len(lines)))
    for y, line in enumerate(lines):
        for x, letter in enumerate(line):
            for half in (0, 1):
                picture.putpixel((x, 2 * y + half), DARK[letter][half])
    large = (picture.width * wide, picture.height * wide)
    picture = picture.resize(large, Image.Resampling.NEAREST)
    screen = Image.new("L", (picture.width + 80, picture.height + 80), 0)
    screen.paste(picture, (40, 40))
    return screen


@pytest.mark.parametrize(
    "address", ["http://192.168.178.123:8400/Zk3mQ9vT_w-4xLbN/", "http://10.0.0.4:8341/abc/"]
)
def test_the_code_in_the_terminal_is_the_address(address):
    (found,) = zxingcpp.read_barcodes(draw_terminal(terminal_code(address)))
    assert found.text == address


def photo(*texts, kind="JPEG", turn=0.0, blur=0.0):
    """A photo of labels: paper on a table, turned and a little out of focus."""
    table = Image.new("RGB", (900, 700), (120, 96, 80))
    for i, text in enumerate(texts):
        out = io.BytesIO()
        segno.make(text, micro=False, error="h").save(out, kind="png", scale=8, border=4)
        label = Image.open(io.BytesIO(out.getvalue())).convert("RGB")
        table.paste(label, (60 + 420 * i, 160))
    table = table.rotate(turn, expand=True, fillcolor=(120, 96, 80))
    out = io.BytesIO()
    table.filter(ImageFilter.GaussianBlur(blur)).save(out, kind, quality=80)
    return out.getvalue()


def test_a_turned_and_blurred_photo_of_a_label_is_read():
    assert read_code(photo("LQ/B07-3", turn=23, blur=2.0)) == "LQ/B07-3"
    assert read_code(photo("LQ/B07-3", kind="PNG")) == "LQ/B07-3"


@pytest.mark.parametrize(
    ("data", "words"),
    [(photo(), "No code was found in the photo. Hold the phone a hand's width from the label, the "
      "whole code in the picture, without glare, and take it again; or choose the ball below."),
     (photo("LQ/B07-3", "LQ/B07-4"), "The photo shows 2 codes. Take one label at a time."),
     (b"GIF89a" + b"0" * 50, "This is no photo (JPEG, PNG or WebP). Take it again."),
     (photo("LQ/B07-3")[:700], None), (bytes.fromhex("ffd8ffe0") + b"x" * 40, None)],
)  # fmt: skip
def test_what_cannot_be_read_is_said(data, words):
    with pytest.raises(Refused) as e:
        read_code(data)
    assert (
        str(e.value) == words
        if words
        else str(e.value).startswith("The photo is damaged or cut off.")
    )


def test_a_photo_of_too_many_dots_is_refused_before_it_is_unpacked():
    out = io.BytesIO()
    Image.new("1", (12_000, 6_000)).save(out, "PNG")
    with pytest.raises(Refused, match="The photo is too large to read"):
        read_code(out.getvalue())
