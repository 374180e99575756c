"""Notebooks are executed, small, and free of things that differ from run to run."""

import json
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))


def cells(path, kind):
    found = json.loads(path.read_text(encoding="utf-8"))["cells"]
    return [c for c in found if c["cell_type"] == kind]


def test_there_are_notebooks():
    assert len(NOTEBOOKS) >= 4


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.stem)
def test_every_code_cell_carries_its_count(path):
    counts = [c["execution_count"] for c in cells(path, "code")]
    assert counts == list(range(1, len(counts) + 1))


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.stem)
def test_no_cell_is_over_12_lines(path):
    sizes = [len("".join(c["source"]).splitlines()) for c in cells(path, "code")]
    assert max(sizes) <= 12


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.stem)
def test_no_error_and_no_warning_in_the_outputs(path):
    for cell in cells(path, "code"):
        for output in cell["outputs"]:
            assert output["output_type"] != "error"
            assert output.get("name") != "stderr", output


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.stem)
def test_no_path_or_address_in_the_outputs(path):
    for cell in cells(path, "code"):
        text = re.sub(r"base64,[A-Za-z0-9+/=]+", "", json.dumps(cell["outputs"]))  # pictures
        assert not re.search(r"0x[0-9a-f]{6,}", text)
        assert not re.search(r"(?<![\w.:/=+])/(home|root|tmp|work|Users)/", text)


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.stem)
def test_opens_with_the_question_and_its_answer(path):
    first = json.loads(path.read_text(encoding="utf-8"))["cells"][0]
    assert first["cell_type"] == "markdown"
    assert "?" in "".join(first["source"])
