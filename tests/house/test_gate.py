"""The gate of the check script finds what it is there for."""

from pathlib import Path

import pytest

from ..loading import load_script

HERE = Path(__file__).parent
gate = load_script(HERE / "gate.py")


@pytest.fixture
def run(tmp_path):
    (tmp_path / "notebooks").mkdir()
    (tmp_path / "notebooks" / "sanitize.cfg").write_text("")
    (tmp_path / "allowed.toml").write_text("minimum_tests = 2\n")
    junit = tmp_path / "run.xml"

    def found(inside, allowed="minimum_tests = 2\n"):
        junit.write_text(f"<testsuites><testsuite>{inside}</testsuite></testsuites>")
        (tmp_path / "allowed.toml").write_text(allowed)
        return gate.findings(junit, root=tmp_path, allowed_file=tmp_path / "allowed.toml")

    return found


TWO = '<testcase classname="a" name="b"/><testcase classname="a" name="c"/>'
SKIP = '<testcase classname="a" name="d"><skipped/></testcase>'


def test_clean_run_has_no_finding(run):
    assert run(TWO) == []


def test_too_few_tests_are_told(run):
    found = run('<testcase classname="a" name="b"/>')
    assert found == ["1 tests were collected; at least 2 are expected"]


def test_a_skip_that_is_not_listed_is_told(run):
    assert run(TWO + SKIP) == ["skipped and not listed: a::d"]


def test_a_listed_skip_needs_a_reason(run):
    listed = 'minimum_tests = 2\n[[skipped]]\ntest = "a::d"\nreason = ""\n'
    assert len(run(TWO + SKIP, listed)) == 1
    assert run(TWO + SKIP, listed.replace('""', '"no such hardware"')) == []


def test_an_ignored_cell_is_told(run, tmp_path):
    (tmp_path / "notebooks" / "n.ipynb").write_text(
        '{"cells": [{"cell_type": "code", "source": ["# NBVAL_IGNORE_OUTPUT\\n"], "metadata": {}}]}'
    )
    assert run(TWO) == ["ignored cell and not listed: n.ipynb, cell 0"]


def test_a_sanitise_rule_is_told(run, tmp_path):
    (tmp_path / "notebooks" / "sanitize.cfg").write_text("[digits]\nregex: a\nreplace: b\n")
    assert run(TWO) == ["sanitise rule and not listed: digits"]
