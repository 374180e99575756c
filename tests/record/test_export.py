"""The zip: no file from outside the folder, no text that a spreadsheet would run; reversible."""

import csv
import io
import json
import re
import zipfile

import pytest
from frictionless import Package, system
from hypothesis import given
from hypothesis import strategies as st

from doughlab.cli import main
from doughlab.record.bench_address import KEY_FILE, read_kept
from doughlab.record.export import FORMULA_WORDS, neutral_table

from .conftest import picture

STARTS = ("=", "+", "-", "@", "\t", "\r")  # OWASP, CSV Injection


def undone(text):
    """What datapackage.json in the zip says: one ' away, where such a sign follows it."""
    return text[1:] if re.match(r"'+[=+\-@\t\r]", text) else text


def table_of(*notes):
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows(
        [["note", "temp_c"], *([n, "-5"] for n in notes)]
    )
    return out.getvalue().encode()


def cells_of(data):
    return [row[0] for row in csv.reader(io.StringIO(data.decode(), newline=""))][1:]


@given(st.lists(st.text(alphabet="=+-@'a\t1 ,\"", max_size=6), min_size=1, max_size=5))
def test_no_text_begins_like_a_formula_and_each_comes_back(notes):
    data = neutral_table(table_of(*notes), ["note"])
    assert not [c for c in cells_of(data) if c.startswith(STARTS)]
    assert [undone(c) for c in cells_of(data)] == notes
    rows = list(csv.reader(io.StringIO(data.decode(), newline="")))[1:]
    assert {row[1] for row in rows} == {"-5"}


def test_numbers_and_plain_texts_keep_their_bytes():
    data = table_of("plain", "a=b", "it's")
    assert neutral_table(data, ["note"]) == data
    assert neutral_table(b"note\n=x\n\xff", ["note"]) == b"note\n=x\n\xff"  # damaged: as it is


def test_the_zip_is_neutral_and_the_journal_stays_as_typed(hand, tmp_path):
    hand.mix("B01", "03-02T09:00")
    hand.note("B01", "note", "03-02T10:00", "=HYPERLINK(1)")
    assert main(["check", str(hand.folder), "--zip", str(tmp_path / "all.zip")]) == 0
    assert ",=HYPERLINK(1)" in (hand.folder / "record/notes.csv").read_text()
    with zipfile.ZipFile(tmp_path / "all.zip") as found:
        assert b",'=HYPERLINK(1)" in found.read("record/notes.csv")
        assert json.loads(found.read("datapackage.json"))["description"] == FORMULA_WORDS
        assert found.read("record/mixes.csv") == (hand.folder / "record/mixes.csv").read_bytes()


@pytest.mark.parametrize("whole_folder", [False, True])
def test_a_link_out_of_the_folder_is_left_out_and_said(hand, tmp_path, capsys, whole_folder):
    outside = tmp_path / "outside"
    outside.mkdir()
    (outside / "secret.jpg").write_bytes(b"secret")
    photos = hand.folder / "record" / "photos"
    photos.parent.mkdir(exist_ok=True)
    if whole_folder:
        photos.symlink_to(outside)
    else:
        photos.mkdir()
        (photos / "secret.jpg").symlink_to(outside / "secret.jpg")
    (hand.folder / "report-texts.toml").symlink_to(outside / "secret.jpg")
    assert main(["check", str(hand.folder), "--zip", str(tmp_path / "all.zip")]) == 0
    said = capsys.readouterr().out
    assert "report-texts.toml is a link to something else and is not in the zip" in said
    with zipfile.ZipFile(tmp_path / "all.zip") as found:
        assert not [n for n in found.namelist() if found.read(n) == b"secret"]


def test_a_link_within_the_folder_fetches_nothing_hidden_and_the_package_still_holds(
    hand, tmp_path, capsys
):
    """Read by frictionless, which knows nothing of doughlab."""
    hand.mix("B01", "03-02T09:00")
    hand.note("B01", "note", "03-02T10:00", "@sum")
    read_kept(hand.folder)  # the random part of the bench's address
    photos = hand.folder / "record/photos"
    photos.mkdir()
    (photos / "B01_photo-0001.jpg").write_bytes(picture())
    (photos / "same.jpg").symlink_to(photos / "B01_photo-0001.jpg")
    (photos / "key.jpg").symlink_to(hand.folder / KEY_FILE)
    (photos / "toml.png").symlink_to(hand.folder / "trial.toml")
    (hand.folder / "report-texts.toml").symlink_to(hand.folder / KEY_FILE)
    (hand.folder / "waters.csv").rename(tmp_path / "waters.csv")
    (hand.folder / "waters.csv").symlink_to(tmp_path / "waters.csv")
    assert main(["check", str(hand.folder), "--zip", str(tmp_path / "all.zip")]) == 0
    left = re.findall(r"(\S+) is a link to something else", capsys.readouterr().out)
    assert sorted(left) == [
        "record/photos/key.jpg", "record/photos/toml.png", "report-texts.toml", "waters.csv",
    ]  # fmt: skip
    with zipfile.ZipFile(tmp_path / "all.zip") as found:
        assert not set(left) & set(found.namelist())
        assert found.read("record/photos/same.jpg") == picture()
        key = read_kept(hand.folder).key.encode()
        assert len(key) > 15 and not [n for n in found.namelist() if key in found.read(n)]
        found.extractall(tmp_path / "out")
    with system.use_context(trusted=True):
        report = Package(str(tmp_path / "out/datapackage.json")).validate()
    assert report.valid, report.flatten(["rowNumber", "fieldName", "message"])
    assert "waters" not in [task.name for task in report.tasks] and len(report.tasks) == 5
