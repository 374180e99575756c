"""Tables: the one column list keeps its own rules."""

import pytest

from doughlab.cells import Column
from doughlab.errors import UnknownName
from doughlab.tables import JOURNAL_COLUMNS, RECORDS, TABLES, table
from doughlab.units import UNITS, unit_of

COLUMNS = [(t.name, c) for t in TABLES.values() for c in t.columns]


def test_the_folder_has_the_files_of_the_design():
    assert {t.path for t in TABLES.values()} == {
        "waters.csv", "plan/batches.csv", "plan/balls.csv", "plan/schedule.csv",
        "record/mixes.csv", "record/readings.csv", "record/bakes.csv", "record/scores.csv",
        "record/calibrations.csv", "record/temperatures.csv", "record/lots.csv",
        "record/notes.csv", "record/trainees.csv",
    }  # fmt: skip
    assert {TABLES[name].path.split("/")[0] for name in RECORDS} == {"record"}


@pytest.mark.parametrize(("name", "column"), COLUMNS, ids=lambda x: getattr(x, "name", x))
def test_a_column_is_a_name_with_its_unit_at_the_end(name, column):
    assert column.name.isidentifier()
    assert column.name == column.name.lower()
    assert column.title
    assert column.unit in UNITS
    odd = column.name == "water_ph_before"  # the moment stands last, as in *_at
    if column.kind == "number" and column.unit not in {"", "score"} and not odd:
        assert unit_of(column.name) == column.unit
    if column.kind in {"number", "integer"} and column.unit:
        assert column.low is not None and column.high is not None
        assert column.low < column.high
    assert (column.kind == "choice") == bool(column.allowed)


@pytest.mark.parametrize("name", TABLES)
def test_links_point_to_a_column_that_stands_once(name):
    for column in TABLES[name].columns:
        if column.link:
            target, key = column.link.split(".")
            assert TABLES[target].column(key).unique


@pytest.mark.parametrize("name", RECORDS)
def test_a_journal_opens_with_who_when_and_what(name):
    assert TABLES[name].columns[: len(JOURNAL_COLUMNS)] == JOURNAL_COLUMNS
    assert [c.name for c in JOURNAL_COLUMNS] == [
        "entry_id", "entered_at", "entered_by", "action", "replaces", "reason",
    ]  # fmt: skip


def test_a_mistyped_table_or_column_gets_the_nearest():
    with pytest.raises(UnknownName) as caught:
        table("reading")
    assert str(caught.value).startswith("table 'reading' is not known. Did you mean 'readings'?")
    with pytest.raises(UnknownName) as caught:
        table("lots").column("lot")
    assert str(caught.value).startswith(
        "column of record/lots.csv 'lot' is not known. Did you mean 'lot_id'?"
    )


def test_own_columns_are_added_once():
    own = Column("angle", "number", "Angle")
    wide = table("bakes").extended([own, Column("note", "text", "another")])
    assert wide.names == (*table("bakes").names, "angle")
    assert wide.column("note").title == "Note"
