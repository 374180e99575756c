"""Files that would keep the reader busy for minutes are refused in a sentence, before any cell."""

import io
import re
import time
import zipfile

import pytest

from doughlab.errors import InputError
from doughlab.record.folder import read_folder
from doughlab.record.sheets_file import MOST_CELLS, is_filled
from doughlab.record.sheets_read import read_book

from .sheets_hand import bench_bytes


@pytest.fixture(scope="module")
def plain(resting):
    return bench_bytes(resting.folder)


def changed(data, change, part="xl/worksheets/sheet1.xml"):
    """The file with one of its parts changed."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(out, "w", 8) as new:
        for name in old.namelist():
            content = old.read(name)
            new.writestr(name, change(content) if name == part else content)
    return out.getvalue()


def merged(ref, prefix=b""):
    def change(content):
        cell = b'<%smergeCells count="1"><%smergeCell ref="%s"/></%smergeCells>' % (
            prefix, prefix, ref, prefix,
        )  # fmt: skip
        return content.replace(b"</sheetData>", b"</sheetData>" + cell)

    return change


MERGED = (
    "big.xlsx has merged cells; sheets of ours have none. Take the merge away (Merge cells, once "
    "more), or make the sheet again and copy the values over: doughlab sheets FOLDER"
)


@pytest.mark.parametrize("change", [
    merged(b"A1:XFD1048576"), merged(b"A1:CV20000"), merged(b"A1:B2", prefix=b"x:"),
])  # fmt: skip
def test_merged_cells_are_refused_at_once(resting, plain, change):
    """A merge of the whole sheet took over 100 s and 4.9 GB before."""
    start = time.process_time()
    with pytest.raises(InputError) as e:
        read_book(changed(plain, change), read_folder(resting.folder), name="big.xlsx")
    assert str(e.value) == MERGED
    assert time.process_time() - start < 2.0


def test_millions_of_cells_are_refused_at_once(resting, plain):
    cells = b'<row r="900"><c r="A900"/></row>' * 160_000
    start = time.process_time()
    with pytest.raises(InputError) as e:
        big = changed(plain, lambda c: c.replace(b"</sheetData>", cells + b"</sheetData>"))
        read_book(big, read_folder(resting.folder), name="big.xlsx")
    count = re.search(r"holds ([0-9,]+) cells", str(e.value))[1]
    assert int(count.replace(",", "")) > 320_000 > MOST_CELLS
    assert str(e.value).endswith(
        "cells; a sheet of ours has some hundreds. Look whether it is the right file, or delete "
        "what stands below and beside the rows."
    )
    assert time.process_time() - start < 3.0


def test_a_part_in_other_letters_cannot_hide_a_merge(resting, plain):
    wide = changed(plain, lambda c: merged(b"A1:CV20000")(c).decode().encode("utf-16"))
    with pytest.raises(InputError) as e:
        read_book(wide, read_folder(resting.folder), name="big.xlsx")
    assert str(e.value) == (
        "big.xlsx is written in letters that we do not read (UTF-16). Save it as .xlsx (Excel "
        "workbook), then read it again."
    )


def test_much_that_unpacks_is_refused(resting, plain):
    blown = changed(
        plain, lambda c: c.replace(b"</sheetData>", b"</sheetData>" + b" " * 13_000_000)
    )
    with pytest.raises(
        InputError, match=r"^big\.xlsx unpacks to 13 MB; that is no sheet of ours\."
    ):
        read_book(blown, read_folder(resting.folder), name="big.xlsx")
    assert is_filled(blown)  # so it is never written over


def test_our_own_sheet_is_far_below_every_limit(plain):
    with zipfile.ZipFile(io.BytesIO(plain)) as packed:
        assert sum(i.file_size for i in packed.infolist()) < 500_000
        assert not any(b"mergeCell" in packed.read(n) for n in packed.namelist())
