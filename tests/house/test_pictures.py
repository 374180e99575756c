"""The pictures of the README are those of the demo as it is now, and say so in words."""

import html
import importlib.util
import re

import pytest
from PIL import Image, ImageChops, ImageStat

from .read_code import ROOT

README = (ROOT / "README.md").read_text(encoding="utf-8")
SPEC = importlib.util.spec_from_file_location("readme_pictures", ROOT / "notebooks/pictures.py")
MADE = importlib.util.module_from_spec(SPEC)
SPEC.loader.exec_module(MADE)
SHOWN = {
    name: html.unescape(words)
    for name, words in re.findall(
        r'^<img src="notebooks/pictures/(\w+)\.png" width="\d+" alt="([^"]+)">$',
        README,
        re.MULTILINE,
    )
}


def test_the_readme_shows_every_picture_once():
    assert sorted(SHOWN) == sorted(MADE.PICTURES) == sorted(p.stem for p in MADE.FOLDER.iterdir())
    assert README.count("<img") == len(SHOWN)


@pytest.mark.parametrize("name", MADE.PICTURES)
def test_words_in_readme_and_file_are_what_the_demo_gives_now(name):
    words, _ = MADE.PICTURES[name]()
    assert SHOWN[name] == words
    assert MADE.tag(name, words) in README
    with Image.open(MADE.FOLDER / f"{name}.png") as image:
        assert image.info["Description"] == words, f"run notebooks/pictures.py {name}"
        assert image.width >= 2 * MADE.WIDTHS[name]  # sharp on a phone
    assert (MADE.FOLDER / f"{name}.png").stat().st_size < 120_000


@pytest.mark.parametrize("name", ["means", "month", "window"])
def test_a_picture_drawn_now_is_the_one_that_is_kept(name):
    """Not byte by byte: another font renderer may smooth letters another way."""
    words, draw = MADE.PICTURES[name]()
    again = Image.open(MADE.io.BytesIO(MADE.shrink(draw(), words))).convert("L")
    with Image.open(MADE.FOLDER / f"{name}.png") as kept:
        kept = kept.convert("L")
    assert again.size == kept.size
    (apart,) = ImageStat.Stat(ImageChops.difference(again, kept)).mean
    assert apart < 0.3  # grey steps of 255; one mark moved by its own width gives 0.4


def test_numbers_in_the_words_are_those_that_are_printed():
    from doughlab.notebook import analyse_demo, decide_demo

    means = analyse_demo("ph").means("water", hold=48)
    for row in means.itertuples():
        assert (
            f"{row.level} {row.estimate:.2f} ({row.ci_low:.2f} to {row.ci_high:.2f})"
            in (SHOWN["means"])
        )
    assert f"window {decide_demo().window.text}" in SHOWN["window"]
