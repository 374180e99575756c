"""Formulas and columns: what they are read as."""

import numpy as np
import pandas as pd
import pytest

from doughlab.errors import InputError, NotEstimable, UnknownName
from doughlab.stats.design import build_design, sum_coding
from doughlab.stats.terms import encode_column, expand_random, level_text, parse_formula


def names(formula):
    return [":".join(part.name for part in term) for term in parse_formula(formula).terms]


@pytest.mark.parametrize(
    ("formula", "terms"),
    [
        ("y ~ a * b", ["a", "b", "a:b"]),
        ("y ~ a / b", ["a", "a:b"]),
        ("y ~ (a + b + c)**2", ["a", "b", "c", "a:b", "a:c", "b:c"]),
        ("y ~ a * b - a:b", ["a", "b"]),
        ("y ~ C(x) + I(x**2)", ["C(x)", "I(x ** 2)"]),
        ("y ~ C(x)", ["x"]),
        ("y ~ poly(x, 2) + log(z)", ["poly(x, 2)", "log(z)"]),
        ("y ~ `bake day` + np.sqrt(x)", ["bake day", "np.sqrt(x)"]),
        ("y ~ 1", []),
    ],
)
def test_formulas_are_expanded_in_order(formula, terms):
    assert names(formula) == terms


def test_the_intercept_can_be_left_out():
    assert parse_formula("y ~ a").intercept
    assert not parse_formula("y ~ 0 + a").intercept
    assert not parse_formula("y ~ a - 1").intercept


@pytest.mark.parametrize(
    ("formula", "message"),
    [
        ("water", "Formula 'water' has no '~'. Write it as 'response ~ term + term'."),
        (
            "y ~ a + (1|b)",
            "Formula 'y ~ a + (1|b)' contains '|'. Give random terms apart, as in "
            'random=["plot"]; only random intercepts are fitted.',
        ),
        (
            "y ~ poly(x)",
            "Formula 'y ~ poly(x)': write poly(column, degree), degree 1 or more.",
        ),
        (
            "y ~ C(x, Sum)",
            "Formula 'y ~ C(x, Sum)': write C(column) alone; the coding is chosen by coding=.",
        ),
        ("y ~ I(x[0])", "Formula 'y ~ I(x[0])': 'x[0]' is not arithmetic."),
    ],
)
def test_formulas_that_cannot_be_read_say_why(formula, message):
    with pytest.raises(InputError) as caught:
        parse_formula(formula)
    assert str(caught.value) == message


@pytest.mark.parametrize("formula", ["y ~ a +", "y ~ (a", "~ a"])
def test_broken_formulas_are_input_errors(formula):
    with pytest.raises(InputError):
        parse_formula(formula)


def test_an_unknown_function_suggests_a_known_one():
    with pytest.raises(UnknownName) as caught:
        parse_formula("y ~ lg(x)")
    assert "Function 'lg' is not known. Did you mean 'log'?" in str(caught.value)


def test_no_code_is_run_from_a_formula():
    for text in ("y ~ I(__import__('os').getcwd())", "y ~ eval(x)", "y ~ I((lambda: 1)())"):
        with pytest.raises(InputError):
            parse_formula(text)


def test_nested_random_terms_are_expanded_once():
    assert expand_random(("day/batch", "day", "judge:batch")) == (
        ("day",),
        ("day", "batch"),
        ("judge", "batch"),
    )
    assert expand_random(("(1|day/batch)",)) == (("day",), ("day", "batch"))
    for wrong in ("x|batch", "a*b", "", "a + b"):
        with pytest.raises(InputError):
            expand_random((wrong,))


def test_level_texts_stay_as_typed():
    assert [level_text(v) for v in (175, 175.0, 0.2, "8 h", True)] == [
        "175",
        "175",
        "0.2",
        "8 h",
        "True",
    ]


def test_levels_are_sorted_by_size_or_text_and_categories_keep_their_order():
    codes, levels = encode_column(pd.Series([24, 8, 16, 8]))
    assert levels == ("8", "16", "24")
    assert codes.tolist() == [2, 0, 1, 0]
    assert encode_column(pd.Series(["tap", None, "", "bottled"]))[0].tolist() == [1, -1, -1, 0]
    kept = pd.Series(pd.Categorical(["b", "a"], categories=["b", "z", "a"]))
    assert encode_column(kept)[1] == ("b", "z", "a")
    mixed = pd.Series([1, "1", 2.0, "x"], dtype=object)
    assert encode_column(mixed)[1] == ("1", "2", "x")


def test_columns_are_coded_sum_to_zero_and_interactions_are_products():
    data = pd.DataFrame({"a": list("uuvvww"), "b": list("xyxyxy"), "y": range(6)})
    design, _ = build_design(data, "y ~ a * b")
    a, b = sum_coding(3)[[0, 0, 1, 1, 2, 2]], sum_coding(2)[[0, 1] * 3]
    np.testing.assert_array_equal(design.matrix, np.hstack([np.ones((6, 1)), a, b, a * b]))
    assert [(t.name, t.start, t.stop) for t in design.terms] == [
        ("(Intercept)", 0, 1),
        ("a", 1, 3),
        ("b", 3, 4),
        ("a:b", 4, 6),
    ]


def test_a_factor_without_its_margin_keeps_all_levels():
    data = pd.DataFrame({"a": list("uuvvww"), "b": list("xyxyxy"), "y": range(6)})
    cells, _ = build_design(data, "y ~ 0 + a")
    np.testing.assert_array_equal(cells.matrix, np.eye(3)[[0, 0, 1, 1, 2, 2]])
    nested, _ = build_design(data, "y ~ a / b")
    assert nested.matrix.shape[1] == 6  # b within each level of a


def test_poly_is_orthonormal_and_needs_enough_values():
    data = pd.DataFrame({"x": [1.0, 2, 4, 7, 9], "y": range(5)})
    design, _ = build_design(data, "y ~ poly(x, 3)")
    np.testing.assert_allclose(design.matrix[:, 1:].T @ design.matrix, np.eye(4)[1:], atol=1e-12)
    with pytest.raises(NotEstimable) as caught:
        build_design(data.assign(x=[1.0, 1, 2, 2, 2]), "y ~ poly(x, 2)")
    assert str(caught.value) == "poly(x, 2) needs at least 3 different values of 'x'."


def test_a_response_may_be_an_expression():
    data = pd.DataFrame({"y": [1.0, np.e, 0.5], "a": list("uvu")})
    _, y = build_design(data, "log(y) ~ a")
    np.testing.assert_allclose(y, [0, 1, np.log(0.5)])
    with pytest.raises(InputError) as caught:
        build_design(data.assign(y=[1.0, 0.0, 2.0]), "log(y) ~ a")
    assert str(caught.value) == "Response 'log(y)', row 2: it cannot be calculated there."


def test_text_cannot_be_calculated_with():
    data = pd.DataFrame({"y": [1.0, 2.0], "a": ["u", "v"]})
    with pytest.raises(InputError) as caught:
        build_design(data, "y ~ I(a**2)")
    assert str(caught.value) == (
        "Column 'a' holds text, but the formula calculates with it. "
        "Enter numbers in every row, or use the column as it stands as a factor."
    )
