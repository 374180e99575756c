"""Pictures: alternative texts with the numbers, captions with the answer, the same bytes."""

import base64
import re
import subprocess
import sys
from dataclasses import replace

import pytest

from doughlab.errors import InputError
from doughlab.report.findings import summarise
from doughlab.report.pictures import (
    picture_balls,
    picture_contrasts,
    picture_hold,
    picture_interaction,
    picture_means,
    picture_plan,
    picture_residuals,
)
from doughlab.report.text import Texts


def test_alternative_text_of_means_names_every_mean_and_range(ph):
    alt = picture_means(ph, "water").alt
    for row in ph.means("water", hold=48).to_dict("records"):
        wanted = f"{row['estimate']:.2f} ({row['ci_low']:.2f} to {row['ci_high']:.2f})"
        assert f"{row['level']} {wanted}" in alt
    assert "8 batches" in alt and "Window 5.35 to 5.75" in alt


def test_alternative_text_of_differences_names_range_and_verdict(ph):
    alt = picture_contrasts(ph, "hold").alt.replace("\u2212", "-").replace("\u00a0", " ")
    for c in ph.answer("hold").comparisons:
        assert f"{c.words} {c.estimate_text.strip()} {c.range_text}, {c.verdict_text}" in alt


def test_alternative_text_of_lines_names_every_point(ph):
    alt = picture_hold(ph).alt.replace("\u00a0", " ")
    for hold in ("24", "48", "72"):
        for row in ph.means("water", hold=hold).to_dict("records"):
            assert f"{hold} h {row['estimate']:.2f} ({row['ci_low']:.2f}" in alt


def test_lost_balls_and_dates_stand_in_the_alternative_texts(ph, demo):
    assert "Lost: " + ", ".join(ph.dataset.lost) in picture_balls(ph).alt
    alt = picture_plan(demo.frozen_plan).alt
    assert len(re.findall(r"D\d mixes on 2026-03-\d\d", alt)) == 4


def test_caption_says_the_answer(ph):
    caption = picture_means(ph, "water").caption
    assert caption.startswith(summarise(ph, ph.answer("water"), Texts()))
    assert "Open marks are balls" in caption


def test_printed_picture_holds_caption_and_numbers(ph):
    picture = picture_means(ph, "water")
    assert repr(picture) == f"{picture.caption}\n{picture.alt}"
    assert "0x" not in repr(picture)


def test_notebook_view_is_a_figure_with_alternative_text(ph):
    html = picture_residuals(ph)._repr_html_()
    assert html.startswith("<figure") and html.endswith("</figcaption></figure>")
    source = re.search(r'src="data:image/png;base64,([^"]+)"', html)[1]
    assert base64.b64decode(source).startswith(b"\x89PNG")
    assert re.search(r'alt="Distances of \d+ values', html)


def test_same_result_gives_the_same_bytes(ph):
    one, other = picture_means(ph, "water"), picture_means(ph, "water")
    assert one.svg() == other.svg() and one.svg() == one.svg()
    assert one.png() == other.png()
    assert not re.search(r"<dc:date>|Created with", one.svg())


def test_svg_asks_nothing_from_outside(ph):
    svg = picture_hold(ph).svg()
    links = re.findall(r'(?:href|src)="([^"]*)"', svg)
    assert links and all(link.startswith("#") for link in links)


def test_a_plan_without_dates_has_no_calendar(demo):
    with pytest.raises(InputError, match="start_on"):
        picture_plan(replace(demo.frozen_plan, schedule=()))


@pytest.mark.parametrize(
    ("ranges", "wanted"),
    [
        ([(0.02, 0.08)], "No difference that matters."),
        ([(0.12, 0.3)], "The difference matters."),
        ([(0.02, 0.3)], "A difference is shown, though it may be too small to matter."),
        ([(-0.2, 0.3)], "This trial cannot tell."),
        ([(0.12, 0.3)] * 2, "Every difference matters."),
        ([(-0.2, 0.2)] * 3, "This trial cannot tell any two apart, nor call them the same."),
        ([(0.12, 0.3), (-0.05, 0.05)], "What matters: tap and reverse osmosis. "
         "The same for the kitchen: tap and bottled."),
        ([(0.12, 0.3)] * 4 + [(-0.2, 0.2)],
         "Of 5 differences: 4 large enough to matter and 1 not settled."),
    ],
)  # fmt: skip
def test_summary_says_what_the_verdicts_come_to(ph, ranges, wanted):
    answer = ph.answer("water")
    known = answer.comparisons
    made = tuple(
        replace(known[i % 3], ci_low=low, ci_high=high, at="")
        for i, (low, high) in enumerate(ranges)
    )
    assert summarise(ph, replace(answer, comparisons=made), Texts()) == wanted


def test_loading_the_report_room_draws_nothing_and_loads_nothing_heavy():
    code = (
        "import sys, doughlab.report; doughlab.report.__all__; "
        "heavy = {'matplotlib', 'pandas', 'numpy', 'jinja2'} & set(sys.modules); "
        "import doughlab.report.pictures, doughlab.report.page; "
        "heavy |= {'matplotlib', 'jinja2'} & set(sys.modules); print(sorted(heavy))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_a_picture_never_says_no_sign_of_what_is_told_apart(score):
    """The hold is given for each mixing water apart: the picture of both says that they part."""
    assert score.answer("hold").split == "mixing_water"
    own = picture_interaction(score, "mixing_water", "hold").caption
    assert "no sign" not in own and "the lines part" in own
    other = picture_interaction(score, "water", "hold").caption
    assert "no sign that water acts differently along hold" in other
    assert "Mind: hold acts differently along mixing water" in other
