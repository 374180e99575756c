"""A decimal comma stands in words, tables and pictures, and nowhere where a point is no mark."""

import re

import pytest

from doughlab.errors import InputError
from doughlab.report.marks import mark_numbers, mark_picture
from doughlab.report.page import compose_document, render_document
from doughlab.report.pictures import picture_means
from doughlab.report.text import Texts

COMMA = Texts({"decimal_mark": ","})


def test_numbers_of_every_kind_take_the_comma():
    said = "pH 5.62 (5.58 to 5.66); \u22120.31, \u00b10.10, +0.5 % of 10.0 g at 0.1 mol/L."
    assert mark_numbers(said, ",") == (
        "pH 5,62 (5,58 to 5,66); \u22120,31, \u00b10,10, +0,5 % of 10,0 g at 0,1 mol/L."
    )


def test_versions_files_and_dates_keep_their_points():
    for said in ("doughlab 0.1.0", "record/readings.csv", "3.2026.1", "v1.2", "a" * 20 + "1.5" * 9):
        assert mark_numbers(said, ",") == said


def test_the_page_of_a_trial_has_no_number_with_a_point_left(tiny):
    page = render_document(compose_document(tiny, texts=COMMA), COMMA)
    shown = re.sub(r'src="data:[^"]*"|<style>.*?</style>', "", page, flags=re.DOTALL)
    methods = shown.index('id="sources"')
    assert re.findall(r"[^>]{0,20}\b\d+\.\d+\b(?!\.\d)[^<]{0,9}", shown[:methods]) == []
    assert re.search(r"margin pH\u00a00,10", shown)


def test_the_axes_of_a_picture_take_the_comma(ph):
    picture = mark_picture(picture_means(ph, "water"), ",")
    (ax,) = picture.fig.axes
    before = ax.get_xlim()
    ticks = [t.get_text() for t in ax.get_xticklabels()]
    assert ticks and all(re.fullmatch(r"\d,\d+", t) for t in ticks)
    assert ax.get_xlim() == before
    assert re.search(r"\d,\d", picture.alt) and not re.search(r"\d\.\d", picture.alt)


def test_another_mark_is_refused():
    with pytest.raises(InputError) as caught:
        Texts({"decimal_mark": ";"}, "report-texts.toml")
    assert str(caught.value) == (
        'report-texts.toml: text \'decimal_mark\' is ";". Take "." or ",".'
    )


def test_no_number_is_grouped_by_commas_so_that_a_decimal_comma_cannot_be_misread(whole):
    """SI Brochure (BIPM, 9th ed.), 5.4.4: no comma or point between groups of three digits."""
    page = render_document(whole, Texts())
    shown = re.sub(r'src="data:[^"]*"|<style>.*?</style>', "", page, flags=re.DOTALL)
    assert re.findall(r"[^>]{0,20}\b[1-9]\d{0,2},\d{3}\b[^<]{0,9}", shown) == []
