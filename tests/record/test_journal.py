"""Journals: what is checked, stored, corrected and resolved."""

from datetime import datetime

import pytest

from doughlab.errors import InputError, UnknownName
from doughlab.record.journal import append, read_journal, resolve
from doughlab.record.storage import NotStored
from doughlab.tables import table

NOTES, TEMPERATURES = table("notes"), table("temperatures")
NOW = datetime.fromisoformat("2026-03-05T14:10+01:00")
DAY = "2026-03-05T09:00+01:00"


def put(folder, *temps, **more):
    rows = [{"place": "cooler", "at": DAY, "temp_c": t, **more} for t in temps]
    return append(folder, TEMPERATURES, rows, now=NOW)


def temps(folder):
    return [row["temp_c"] for row in read_journal(folder, TEMPERATURES).rows]


def lines(folder, name="temperatures"):
    return (folder / "record" / f"{name}.csv").read_text(encoding="utf-8").splitlines()


def test_values_are_stored_in_the_units_of_the_table(tmp_path):
    ids = put(tmp_path, "41 F", "3,6", 4)
    assert temps(tmp_path) == [5.0, 3.6, 4.0]
    assert lines(tmp_path)[0].startswith("entry_id,entered_at,entered_by,action,replaces,reason,")
    assert lines(tmp_path)[2] == f"{ids[1]},2026-03-05T14:10+01:00,,add,,,cooler,{DAY},3.6,"


def test_one_bad_row_keeps_all_rows_out(tmp_path):
    rows = [{"place": "cooler", "at": DAY, "temp_c": 4}, {"place": "", "at": DAY, "temp_c": 140}]
    with pytest.raises(InputError) as caught:
        append(tmp_path, TEMPERATURES, rows, now=NOW)
    assert str(caught.value) == (
        "record/temperatures.csv, row 2, column place: place is empty. Enter place.\n"
        "record/temperatures.csv, row 2, column temp_c: temp_c 140 lies outside -30 to 60 °C. "
        "140 looks like Fahrenheit; in Celsius that is 60.0. Type 140 F if that is meant."
    )
    assert not (tmp_path / "record").exists()


def test_a_column_that_is_not_known_is_refused_with_the_nearest(tmp_path):
    with pytest.raises(InputError, match="column 'tmp_c' is not known"):
        append(tmp_path, TEMPERATURES, [{"place": "x", "at": DAY, "tmp_c": 4}], now=NOW)


def test_the_receiving_machine_says_when_it_was_entered(tmp_path):
    row = {"place": "cooler", "at": DAY, "temp_c": 4, "entered_at": "2020-01-01T00:00Z"}
    append(tmp_path, TEMPERATURES, [row], by="ana", now=NOW)
    (stored,) = read_journal(tmp_path, TEMPERATURES).rows
    assert (stored["entered_at"], stored["entered_by"]) == (NOW, "ana")


def test_an_entry_sent_twice_is_stored_once_and_acknowledged_twice(tmp_path):
    first = put(tmp_path, 4, entry_id="phone-1")
    again = append(
        tmp_path,
        TEMPERATURES,
        [
            {"place": "cooler", "at": DAY, "temp_c": "4.0", "entry_id": "phone-1"},
            {"place": "cooler", "at": DAY, "temp_c": 5, "entry_id": "phone-2"},
        ],
        now=NOW.replace(hour=16),
    )
    assert (first, again) == (["phone-1"], ["phone-1", "phone-2"])
    assert temps(tmp_path) == [4.0, 5.0]


def test_one_id_with_two_contents_is_refused(tmp_path):
    put(tmp_path, 4, entry_id="phone-1")
    with pytest.raises(InputError) as caught:
        put(tmp_path, 5, entry_id="phone-1")
    assert str(caught.value) == (
        "entry 'phone-1' is stored already with other values (temp_c). "
        "Correct it with --replaces and a reason."
    )
    assert temps(tmp_path) == [4.0]


def test_a_replaced_entry_counts_and_the_first_stays_in_the_history(tmp_path):
    first, _ = put(tmp_path, 36, 4)
    put(tmp_path, 3.6, action="replace", replaces=first, reason="decimal point")
    journal = read_journal(tmp_path, TEMPERATURES)
    assert [r["temp_c"] for r in journal.rows] == [3.6, 4.0]
    assert [r["temp_c"] for r in journal.history] == [36.0, 4.0, 3.6]
    assert journal.problems == []


def test_a_chain_of_corrections_ends_at_the_last(tmp_path):
    (first,) = put(tmp_path, 1)
    (second,) = put(tmp_path, 2, action="replace", replaces=first, reason="a")
    put(tmp_path, 3, action="replace", replaces=second, reason="b")
    assert temps(tmp_path) == [3.0]


def test_two_corrections_of_one_entry_leave_the_later_and_say_so(tmp_path):
    (first,) = put(tmp_path, 1)
    put(tmp_path, 2, action="replace", replaces=first, reason="a")
    put(tmp_path, 3, action="replace", replaces=first, reason="b")
    journal = read_journal(tmp_path, TEMPERATURES)
    assert [r["temp_c"] for r in journal.rows] == [3.0]
    assert [str(p) for p in journal.problems] == [
        f"record/temperatures.csv, row 4, column replaces: entry '{first}' was already replaced "
        "in row 3; the later row counts."
    ]
    assert journal.problems[0].level == "note"


def test_a_void_takes_back_whatever_stands_for_the_entry_now(tmp_path):
    (first,) = put(tmp_path, 1)
    put(tmp_path, 2, action="replace", replaces=first, reason="a")
    append(tmp_path, TEMPERATURES, [{"action": "void", "replaces": first, "reason": "never was"}],
           now=NOW)  # fmt: skip
    journal = read_journal(tmp_path, TEMPERATURES)
    assert journal.rows == []
    assert len(journal.history) == 3
    assert [p.level for p in journal.problems] == ["note"]


def test_a_void_needs_no_other_cell(tmp_path):
    (first,) = put(tmp_path, 1)
    append(tmp_path, TEMPERATURES, [{"action": "void", "replaces": first, "reason": "x"}], now=NOW)
    journal = read_journal(tmp_path, TEMPERATURES)
    assert (journal.rows, journal.problems) == ([], [])


def test_a_correction_without_reason_is_not_stored(tmp_path):
    (first,) = put(tmp_path, 1)
    with pytest.raises(InputError) as caught:
        put(tmp_path, 2, action="replace", replaces=first)
    assert str(caught.value) == (
        "a correction needs the entry it is about and a reason: --reason TEXT."
    )


def test_a_correction_of_nothing_is_not_stored(tmp_path):
    put(tmp_path, 1)
    with pytest.raises(UnknownName) as caught:
        put(tmp_path, 2, action="replace", replaces="nobody", reason="x")
    assert str(caught.value) == "record/temperatures.csv: entry 'nobody' is not known."
    assert temps(tmp_path) == [1.0]


HEAD = "entry_id,entered_at,action,replaces,reason,place,at,temp_c\n"


def resolved(*rows):
    text = HEAD + "".join(f"{row}\n" for row in rows)
    return resolve(text.encode(), TEMPERATURES)


def test_a_correction_of_an_unknown_entry_is_a_problem_and_not_used():
    journal = resolved(f"a,{DAY},add,,,cooler,{DAY},4", f"b,{DAY},replace,zz,typo,cooler,{DAY},5")
    assert [r["temp_c"] for r in journal.rows] == [4.0]
    assert [str(p) for p in journal.problems] == [
        "record/temperatures.csv, row 3, column replaces: entry 'zz' does not stand above this "
        "row, so there is nothing to replace. The row is not used. Copy the id from column "
        "entry_id."
    ]


def test_an_entry_cannot_be_corrected_before_it_was_made():
    journal = resolved(f"a,{DAY},void,b,x,cooler,{DAY},4", f"b,{DAY},add,,,cooler,{DAY},5")
    assert [r["temp_c"] for r in journal.rows] == [5.0]
    assert journal.problems[0].column == "replaces"


def test_a_row_with_a_bad_cell_is_not_used_and_named():
    journal = resolved(f"a,{DAY},add,,,cooler,{DAY},warm", f"b,{DAY},add,,,cooler,{DAY},5")
    assert [r["temp_c"] for r in journal.rows] == [5.0]
    (problem,) = journal.problems
    assert (problem.row, problem.column, problem.level) == (2, "temp_c", "error")


def test_a_correction_mends_a_row_that_could_not_be_read():
    journal = resolved(
        f"a,{DAY},add,,,cooler,{DAY},560", f"b,{DAY},replace,a,typo,cooler,{DAY},5.6"
    )
    assert [r["temp_c"] for r in journal.rows] == [5.6]
    (problem,) = journal.problems
    assert (problem.row, problem.column, problem.level) == (2, "temp_c", "note")
    assert problem.message.endswith("Corrected in row 3; this row is not used.")


def test_a_bad_correction_leaves_the_first_entry_and_is_named():
    journal = resolved(f"a,{DAY},add,,,cooler,{DAY},5", f"b,{DAY},replace,a,typo,cooler,{DAY},x")
    assert [r["temp_c"] for r in journal.rows] == [5.0]
    assert [(p.row, p.column) for p in journal.problems] == [(3, "temp_c")]


def test_an_id_that_stands_twice_counts_once():
    journal = resolved(f"a,{DAY},add,,,cooler,{DAY},5", f"a,{DAY},add,,,cooler,{DAY},6")
    assert [r["temp_c"] for r in journal.rows] == [5.0]
    assert str(journal.problems[0]) == (
        "record/temperatures.csv, row 3, column entry_id: entry_id 'a' stands already in row 2. "
        "Give it once."
    )


@pytest.mark.parametrize("eol", ["\n", "\r\n"])
def test_one_damaged_line_costs_no_other_line(eol):
    rows = [f'a,{DAY},add,,,"cooler,{DAY},5', f"b,{DAY},add,,,x", f"c,{DAY},add,,,cooler,{DAY},6"]
    text = HEAD + "".join(row + "\n" for row in rows)
    journal = resolve(text.replace("\n", eol).encode(), TEMPERATURES)
    assert [r["temp_c"] for r in journal.rows] == [6.0]
    assert [p.row for p in journal.problems] == [2, 3]


def test_letters_that_are_not_utf8_cost_one_line_only():
    good = f"b,{DAY},add,,,cooler,{DAY},6\n".encode()
    bad = f"a,{DAY},add,,,k\xfchl,{DAY},5\n".encode("latin-1")
    journal = resolve(HEAD.encode() + bad + good, TEMPERATURES)
    assert [r["temp_c"] for r in journal.rows] == [6.0]
    assert "record/temperatures.csv, row 2: holds letters that are not UTF-8" in str(
        journal.problems[0]
    )


def test_a_new_column_widens_the_file_and_keeps_every_row(tmp_path):
    put(tmp_path, 4)
    path = tmp_path / "record" / "temperatures.csv"
    head = "entry_id,entered_at,entered_by,action,replaces,reason,temp_c,place,at"
    rows = [f"a,{DAY},,add,,,4,cooler,{DAY}", f"b,{DAY},,add,,,5,cooler,{DAY}"]
    path.write_text("\n".join([head, *rows]) + "\n", encoding="utf-8")
    put(tmp_path, 6, note="door, open")
    assert lines(tmp_path)[0] == head + ",note"
    assert lines(tmp_path)[1] == rows[0] + ","
    assert lines(tmp_path)[3].endswith(',add,,,6,cooler,2026-03-05T09:00+01:00,"door, open"')
    journal = read_journal(tmp_path, TEMPERATURES)
    assert [r["temp_c"] for r in journal.rows] == [4.0, 5.0, 6.0]
    assert journal.problems == []


def test_a_column_of_somebody_else_is_kept_and_named(tmp_path):
    path = tmp_path / "record" / "temperatures.csv"
    path.parent.mkdir()
    path.write_text(HEAD.replace("\n", ",colour\n") + f"a,{DAY},add,,,cooler,{DAY},4,blue\n")
    put(tmp_path, 5)
    assert lines(tmp_path)[1].endswith(",4,blue")
    assert temps(tmp_path) == [4.0, 5.0]
    assert "column 'colour' is not known" in str(read_journal(tmp_path, TEMPERATURES).problems[0])


@pytest.mark.parametrize("first", ["", "place,at\n", "entry_id;entered_at;action\n"])
def test_nothing_is_written_under_a_first_line_that_does_not_fit(tmp_path, first):
    path = tmp_path / "record" / "temperatures.csv"
    path.parent.mkdir()
    text = first + ("\n" if not first else "") + f"a,{DAY},add,,,cooler,{DAY},4\n"
    path.write_text(text)
    with pytest.raises(NotStored, match=r"record/temperatures.csv, row 1"):
        put(tmp_path, 5)
    assert path.read_text() == text


def test_an_entry_is_found_by_the_beginning_of_its_id(tmp_path):
    put(tmp_path, 4, entry_id="abc-1")
    put(tmp_path, 5, entry_id="abd-1")
    journal = read_journal(tmp_path, TEMPERATURES)
    assert journal.entry("abc")["temp_c"] == 4.0
    with pytest.raises(InputError, match="'ab' fits several entries: abc-1, abd-1"):
        journal.entry("ab")


def test_a_text_with_a_line_break_is_refused_not_mended(tmp_path):
    with pytest.raises(InputError, match="note holds a character that cannot be printed"):
        put(tmp_path, 4, note="one\ntwo")


def test_a_missing_journal_is_empty(tmp_path):
    journal = read_journal(tmp_path, NOTES)
    assert (journal.rows, journal.problems, journal.torn) == ([], [], False)
