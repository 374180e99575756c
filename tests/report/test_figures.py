"""What the figures of answers draw: places, labels, order, looks; never pixels."""

import re
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from doughlab.errors import InputError, UnknownName
from doughlab.report.figures import axis_words, one_per_ball, plot_contrasts, plot_means
from doughlab.report.lines import plot_hold, plot_interaction, spread_apart
from doughlab.report.strips import Strip, draw_strips
from doughlab.report.style import PLAIN, build_looks
from doughlab.report.text import Texts
from doughlab.sections import Response


def drawn(ax, kind):
    """Lines of an Axes with a mark of ours: "mean", "range", "batches", "balls", "band" ..."""
    return [line for line in ax.lines if line.get_gid() == kind]


def texts_of(ax):
    return [t.get_text() for t in ax.texts]


@pytest.fixture(scope="module")
def windowless(ph):
    """The same without a window: means are drawn as the answer averages them."""
    settings = replace(ph.settings, window=None)
    return replace(ph, model=replace(ph.model, settings=settings))


def test_means_over_a_window_stand_at_the_hold_of_use(ph):
    """The window is about the ball at use; the answer itself is averaged over the holds."""
    assert ph.answer("water").averaged_over_holds
    table = ph.means("water", hold=48)
    drawn_at = [m.get_xdata()[0] for m in drawn(plot_means(ph, "water"), "mean")]
    assert drawn_at == pytest.approx(list(table["estimate"]))


def test_means_lie_where_the_analysis_puts_them_in_its_order(windowless):
    ax = plot_means(windowless, "water")
    table = windowless.means("water")
    assert [m.get_xdata()[0] for m in drawn(ax, "mean")] == pytest.approx(list(table["estimate"]))
    heights = [m.get_ydata()[0] for m in drawn(ax, "mean")]
    assert heights == sorted(heights, reverse=True), "the first level stands on top"
    ends = [tuple(r.get_xdata()) for r in drawn(ax, "range")]
    assert np.ravel(ends) == pytest.approx(np.ravel(table[["ci_low", "ci_high"]]))
    for level in table["level"]:
        assert level in texts_of(ax)


def test_every_ball_of_the_records_stands_under_its_mean(windowless):
    ph = windowless
    ax = plot_means(ph, "water")
    shown = sorted(x for line in drawn(ax, "balls") for x in line.get_xdata())
    assert shown == pytest.approx(sorted(ph.dataset.frame["y"]))
    for mean, strokes in zip(drawn(ax, "mean"), drawn(ax, "batches"), strict=True):
        assert max(strokes.get_ydata()) < mean.get_ydata()[0]
    by_batch = ph.dataset.frame.groupby("batch")["y"].mean()
    strokes = sorted(x for line in drawn(ax, "batches") for x in line.get_xdata())
    assert strokes == pytest.approx(sorted(by_batch))


def test_means_at_the_hold_of_use_show_balls_of_that_hold_only(score):
    answer = score.answer("water")
    assert answer.at_hold == 48.0
    ax = plot_means(score, "water")
    balls = one_per_ball(score.dataset.frame)
    at_48 = balls[balls["hold"].astype(str) == "48"]
    shown = sorted(x for line in drawn(ax, "balls") for x in line.get_xdata())
    assert shown == pytest.approx(sorted(at_48["y"]))


def test_a_score_is_averaged_over_the_judges_of_a_ball(score):
    frame = score.dataset.frame
    balls = one_per_ball(frame)
    assert "judge" not in balls and balls["ball"].is_unique
    one = balls.iloc[0]
    assert one["y"] == pytest.approx(frame.loc[frame["ball"] == one["ball"], "y"].mean())


def test_window_is_a_band_with_its_ends_and_words(ph, score):
    ax = plot_means(ph, "water")
    window = ph.settings.window
    ends = {line.get_xdata()[0] for line in drawn(ax, "band")}
    assert ends == {window.low, window.high}
    assert f"window {window.low:.2f} to {window.high:.2f}" in texts_of(ax)
    assert not drawn(plot_means(score, "water"), "band"), "the window is about pH only"


def test_margin_is_a_band_and_each_difference_has_its_verdict_in_words(ph):
    ax = plot_contrasts(ph, "water")
    comparisons = ph.answer("water").comparisons
    assert {line.get_xdata()[0] for line in drawn(ax, "band")} == {-0.1, 0.1}
    found = [m.get_xdata()[0] for m in drawn(ax, "mean")]
    assert found == pytest.approx([c.estimate for c in comparisons])
    for c in comparisons:
        assert any(t.endswith(c.verdict_text) for t in texts_of(ax)), c.verdict_text


def test_each_water_keeps_its_look_in_every_figure(ph, score):
    looks = build_looks(ph.settings)
    waters = ph.settings.factor("water").levels
    assert len({(looks.of("water", w).colour, looks.of("water", w).marker) for w in waters}) == 3
    wanted = [(looks.of("water", w).marker, looks.of("water", w).colour) for w in waters]
    for result in (ph, score):
        means = drawn(plot_means(result, "water"), "mean")
        assert [(m.get_marker(), m.get_markerfacecolor()) for m in means] == wanted
        for ax in (plot_hold(result), plot_interaction(result, "water", "mixing_water")):
            means = drawn(ax, "mean")
            assert [(m.get_marker(), m.get_markerfacecolor()) for m in means] == wanted
        balls = drawn(plot_means(result, "hydration"), "balls")
        assert {(b.get_marker(), b.get_markeredgecolor()) for b in balls} == set(wanted)


def test_a_factor_without_colour_is_drawn_in_ink(ph):
    means = drawn(plot_means(ph, "hydration"), "mean")
    assert {m.get_markerfacecolor() for m in means} == {PLAIN.colour}


def test_lines_pass_through_the_means_at_each_hold(ph):
    ax = plot_hold(ph)
    for level, line in zip(ph.settings.factor("water").levels, drawn(ax, "line"), strict=True):
        wanted = []
        for hold in ("24", "48", "72"):
            table = ph.means("water", hold=hold)
            wanted.append(float(table.loc[table["level"] == level, "estimate"].iloc[0]))
        assert list(line.get_ydata()) == pytest.approx(wanted)
    assert [t.get_text() for t in ax.get_xticklabels()] == ["24 h", "48 h", "72 h"]
    count = sum(len(line.get_xdata()) for line in drawn(ax, "balls"))
    assert count == ph.dataset.recorded


def test_axes_carry_words_and_units(ph, score):
    assert plot_means(ph, "water").get_xlabel() == "pH"
    assert plot_means(score, "water").get_xlabel() == "bake score, points"
    assert "bake score, points" in texts_of(plot_hold(score))
    core = Response("core", "bakes", "core_temp_c", 2.0, unit="temp_c", title="core of the ball")
    assert axis_words(core) == "core of the ball, °C"


def test_a_figure_is_drawn_into_given_axes_and_unknown_to_pyplot(ph):
    from matplotlib.figure import Figure

    ax = Figure().add_subplot()
    assert plot_means(ph, "water", ax=ax) is ax
    import sys

    pyplot = sys.modules.get("matplotlib.pyplot")
    plot_means(ph, "water")
    assert pyplot is None or not pyplot.get_fignums()


def test_letters_stay_readable_at_eight_centimetres(ph):
    # 5 inches wide shrinks to 8 cm by 0.63; 6 points are a footnote in print (common practice)
    for ax in (plot_means(ph, "water"), plot_contrasts(ph, "water"), plot_hold(ph)):
        width_cm = ax.figure.get_size_inches()[0] * 2.54
        smallest = min(t.get_fontsize() for t in (*ax.texts, *ax.get_xticklabels()))
        assert smallest * 8 / width_cm >= 5.5


def touching(ax):
    """Pairs of texts on one line that overlap."""
    ax.figure.draw_without_rendering()
    rows = {}
    for text in ax.texts:
        if text.get_text():
            rows.setdefault(round(text.get_position()[1], 3), []).append(text)
    found = []
    for row in rows.values():
        ordered = sorted(row, key=lambda t: t.get_window_extent().x0)
        for one, other in pairwise(ordered):
            if one.get_window_extent().x1 > other.get_window_extent().x0:
                found.append((one.get_text(), other.get_text()))
    return found


@pytest.mark.parametrize("factor", ["water", "hold", "mixing_water"])
def test_words_at_left_and_right_of_a_strip_do_not_touch(ph, factor):
    assert not touching(plot_contrasts(ph, factor))


def test_long_names_take_a_line_of_their_own():
    long = "municipal supply after carbon - municipal supply, softened"
    words = "+0.063 (+0.003 to +0.122)  differs; at least 0.003"
    strips = [Strip(long, words, estimate=0.1, low=0.0, high=0.2), Strip("a", words)]
    ax = draw_strips(strips)
    assert not touching(ax)
    assert strips[0].height_in > strips[1].height_in


def test_unknown_factors_and_a_factor_along_itself_are_refused(ph):
    with pytest.raises(UnknownName, match="Did you mean 'water'"):
        plot_means(ph, "watr")
    with pytest.raises(InputError, match="cannot be drawn along itself"):
        plot_interaction(ph, "water", "water")


def test_labels_are_spread_apart_and_keep_their_order():
    rng = np.random.default_rng(7)
    for _ in range(50):
        heights = rng.uniform(0.2, 0.8, size=5)
        placed = np.array(spread_apart(list(heights), 0.05))
        assert (np.argsort(placed) == np.argsort(heights)).all()
        assert np.diff(np.sort(placed)).min() >= 0.05 - 1e-9


def test_own_words_stand_on_the_figure(ph):
    own = Texts({"range_head": "Mittel (95 %-Bereich)"})
    assert "Mittel (95 %-Bereich)" in texts_of(plot_means(ph, "water", texts=own))


def test_printed_means_are_the_drawn_ones(ph):
    ax = plot_means(ph, "water")
    means = [m.get_xdata()[0] for m in drawn(ax, "mean")]
    ranges = [r.get_xdata() for r in drawn(ax, "range")]
    printed = [t for t in texts_of(ax) if re.fullmatch(r"\d\.\d\d \(\d\.\d\d to \d\.\d\d\)", t)]
    assert len(printed) == 3
    for text, mean, ends in zip(printed, means, ranges, strict=True):
        numbers = [float(n) for n in re.findall(r"\d\.\d\d", text)]
        assert numbers == pytest.approx([mean, *ends], abs=0.005001)
