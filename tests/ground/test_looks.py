"""Looks in trial.toml: read, and refused with what would be right."""

import pytest

from doughlab.looks import Looks
from doughlab.settings import parse_settings

HEAD = 'format = 1\nname = "Looked at"\ncode = "LK"\n'


def read(text):
    settings, problems = parse_settings(HEAD + text)
    return settings, [str(p) for p in problems]


def test_looks_are_read():
    settings, problems = read('[looks]\nafter_batches = [12, 24]\nspend = "even"\n')
    assert problems == []
    assert settings.looks == Looks((12, 24), "even")
    assert settings.looks.whole == 24


def test_without_the_section_only_the_end_is_looked_at():
    assert read("")[0].looks == Looks()
    assert Looks().whole is None


@pytest.mark.parametrize(
    ("line", "sentence"),
    [
        (
            "after_batches = [24, 12]",
            "trial.toml, row 5, column looks.after_batches: after_batches [24, 12] must rise: the "
            "batches at each look, the whole trial last, as [12, 24].",
        ),
        (
            "after_batches = [3, 4, 5, 6, 7, 8, 9, 10, 11]",
            "trial.toml, row 5, column looks.after_batches: after_batches names 9 looks; at most "
            "8 can be planned. Look less often.",
        ),
        (
            "after_batches = 12",
            "trial.toml, row 5, column looks.after_batches: after_batches must be a list in [ ]; "
            "found 12.",
        ),
        (
            'spend = "late"',
            "trial.toml, row 4, column looks.after_batches: 'after_batches' is missing. Batches "
            "at each look; the whole trial last.",
        ),
    ],
)
def test_what_is_refused(line, sentence):
    settings, problems = read(f"[looks]\n{line}\n")
    assert settings is None
    assert problems == [sentence]
