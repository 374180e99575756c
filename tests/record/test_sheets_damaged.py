"""Five hundred damaged sheets: nothing wrong is accepted silently, nothing ends in a traceback.

Each seed takes a filled bench sheet whose true values are known, and damages it by openpyxl or in
its bytes; 150 more take a judge's score sheet. Whatever is stored afterwards must be one of the
true values; what the damage took or changed must be said.
"""

import io
import random
import zipfile
from dataclasses import replace
from datetime import date, datetime, time, timedelta

import pytest

from doughlab.errors import InputError
from doughlab.record.folder import read_folder
from doughlab.record.journal import read_journal
from doughlab.record.sheets_book import build_book
from doughlab.record.sheets_day import build_bench, build_scores
from doughlab.record.sheets_keep import keep
from doughlab.record.sheets_read import read_book, read_opened

from .conftest import rome
from .sheets_hand import DAY, EVE, NIGHT, filled, find, header, opened, packed

SEEDS, CHUNK = 500, 50
READS = {"B03-2": (5.41, 5.43, 5.40), "B04-2": (5.61, 5.58, 5.6), "B01-1": (5.2, 5.22, 5.21)}
BAKES = {"B03-4": 18.5, "B04-4": 19.5}


def true_cells():
    cells = {("notes 1", "Time"): "11:00", ("notes 1", "Ball, batch or trial"): "B03",
             ("notes 1", "What"): "note", ("notes 1", "Note"): "felt stiff"}  # fmt: skip
    for i, (ball, values) in enumerate(READS.items()):
        cells[f"read {ball}", "Time"] = f"{9 + i}:45"
        cells[f"read {ball}", "Sample, °C"] = 20.5
        for n, value in enumerate(values, start=1):
            cells[f"read {ball}", f"pH, reading {n}"] = value
    for ball, core in BAKES.items():
        cells |= {
            (f"bake {ball}", "Time"): "12:10",
            (f"bake {ball}", "Dough, before the oven, °C"): core,
        }
        cells[f"bake {ball}", "Seconds in the oven, s"] = 110
    return cells


def truth():
    """Everything that may be stored: (table, item, value or text, time)."""
    out = {("notes", "B03", "felt stiff", rome("03-04T11:00"))}
    for i, (ball, values) in enumerate(READS.items()):
        out |= {("readings", ball, v, rome(f"03-04T{9 + i:02d}:45")) for v in values}
    return out | {("bakes", ball, core, rome("03-04T12:10")) for ball, core in BAKES.items()}


def stored(contents):
    """What stands in the files now, as they are read again."""
    items = {
        "readings": ("ball_id", "ph", "read_at"),
        "bakes": ("ball_id", "core_temp_c", "baked_at"),
        "notes": ("about", "note", "at"),
    }
    return {
        (name, *(r[c] for c in columns))
        for name, columns in items.items()
        for r in read_journal(contents.path, contents.settings.table(name)).rows
    }


ODD = [
    "n/a", "none", "?", "5.4.1", "541", "pH 5.4 or so", True, False, date(2026, 5, 4),
    datetime(1941, 5, 1), time(5, 41), timedelta(hours=30), "=5+1", "=SUM(A1:A9)", "#N/A",
    "#DIV/0!", 1e308, -5.41, 0.541, 5410, "5,41 5,43", "1e3", "五", "<script>alert(1)</script>",
    "x" * 30_000, "5.41\n5.43", "' OR 1=1", "NaN", "inf", "-", "=cmd|' /C calc'!A0", "25:61",
]  # fmt: skip
BAD_TIMES = ["now", "yesterday 9:45", "25:61", 9.45, True, date(2026, 3, 9), "2026-05-04 09:45",
             datetime(2025, 3, 4, 9, 45), "=NOW()", "morning", "9"]  # fmt: skip


def put_odd_number(book, rng):
    ball = rng.choice(list(READS))
    find(book, f"read {ball}", f"pH, reading {rng.randint(1, 3)}").value = rng.choice(ODD)


def put_odd_core(book, rng):
    cell = find(book, f"bake {rng.choice(list(BAKES))}", "Dough, before the oven, °C")
    cell.value = rng.choice([v for v in ODD if v != 0.541])  # half a degree could be


def put_bad_time(book, rng):
    find(book, f"read {rng.choice(list(READS))}", "Time").value = rng.choice(BAD_TIMES)


def drop_the_time(book, rng):
    find(book, f"read {rng.choice(list(READS))}", "Time").value = None


def swap_cells(book, rng):
    """A pH where another number or the time belongs, and the reverse."""
    key = f"read {rng.choice(list(READS))}"
    other = find(book, key, rng.choice(["Sample, °C", "Time", "Ball", "Row"]))
    ph = find(book, key, f"pH, reading {rng.randint(1, 3)}")
    ph.value, other.value = other.value, ph.value


def swap_balls(book, rng):
    one, two = rng.sample(list(READS), 2)
    a, b = find(book, f"read {one}", "Ball"), find(book, f"read {two}", "Ball")
    a.value, b.value = b.value, a.value


def swap_names(book, rng):
    one, two = rng.sample(list(READS), 2)
    a, b = find(book, f"read {one}", "Row"), find(book, f"read {two}", "Row")
    a.value, b.value = b.value, a.value


def edit_an_id(book, rng):
    cell = find(book, f"read {rng.choice(list(READS))}", rng.choice(["Row", "Ball"]))
    cell.value = rng.choice([None, "B99-9", "B03-3", "=A1", 7, "read B09-9"])


def double_a_row(book, rng):
    page = book["Read"]
    row = find(book, f"read {rng.choice(list(READS))}", "Row").row
    for cell in page[row]:
        page.cell(rng.choice([14, 30]), cell.column).value = cell.value


def delete_a_row(book, rng):
    book["Read"].delete_rows(find(book, f"read {rng.choice(list(READS))}", "Row").row)


def delete_a_column(book, rng):
    book["Read"].delete_cols(rng.randint(1, 9))


def insert_a_column(book, rng):
    book["Read"].insert_cols(rng.randint(1, 9))


def swap_columns(book, rng):
    page = book["Read"]
    one, two = rng.sample(range(1, 11), 2)
    for row in range(1, page.max_row + 1):
        a, b = page.cell(row, one), page.cell(row, two)
        a.value, b.value = b.value, a.value


def edit_the_header(book, rng):
    page = book["Read"]
    row, _ = header(page)
    page.cell(row, rng.randint(1, 10)).value = rng.choice([None, "pH", "pH, reading 4", 5])


def write_beside(book, rng):
    row, column = rng.choice([(6, 14), (40, 3), (7, 28), (6, 300)])
    book[rng.choice(["Read", "Bake"])].cell(row, column).value = 5.41


def rename_the_sheet(book, rng):
    book["Read"].title = rng.choice(["Read (2)", "pH", "Bake2", "Sheet1"])


def delete_the_sheet(book, rng):
    book.remove(book["Read"])


def copy_the_sheet(book, rng):
    book.copy_worksheet(book["Read"])


def edit_the_ids(book, rng):
    page = book["ids"]
    cell = page.cell(rng.randint(1, page.max_row), rng.randint(1, 3))
    cell.value = rng.choice(["TX", "B03-3", 5, "scores"])


def delete_the_ids(book, rng):
    book.remove(book["ids"])


def edit_the_properties(book, rng):
    prop = rng.choice(book.custom_doc_props.props)
    prop.value = "XX"


def merge_cells(book, rng):
    row = find(book, f"read {rng.choice(list(READS))}", "Row").row
    book["Read"].merge_cells(start_row=row, end_row=row, start_column=3, end_column=6)


LOUD = [
    put_odd_number, put_odd_core, put_bad_time, drop_the_time, swap_cells, swap_balls, swap_names,
    edit_an_id, double_a_row, delete_a_row, delete_a_column, insert_a_column, swap_columns,
    edit_the_header, write_beside, rename_the_sheet, delete_the_sheet, copy_the_sheet,
    edit_the_ids, delete_the_ids, edit_the_properties, merge_cells,
]  # fmt: skip


def break_bytes(data, rng):
    """Cut the file, turn bytes over, or take one of its parts away."""
    kind = rng.choice(["cut", "turn", "part", "xml"])
    if kind == "cut":
        return data[: rng.randrange(len(data))]
    if kind == "turn":
        broken = bytearray(data)
        for _ in range(rng.randint(1, 30)):
            broken[rng.randrange(len(broken))] ^= 1 << rng.randrange(8)
        return bytes(broken)
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(out, "w") as new:
        chosen = rng.choice(old.namelist())
        for name in old.namelist():
            content = old.read(name)
            if name == chosen:
                if kind == "part":
                    continue
                middle = rng.randrange(len(content))
                content = content[:middle] + rng.choice([b"<", b"&", b"\x00", b"</a>"])
            new.writestr(name, content)
    return out.getvalue()


@pytest.fixture
def ground(hand):
    """A trial with its mixes, the filled sheet, and how its records were before."""
    for batch, at in [("B01", "03-02T09:00"), ("B02", "03-02T09:45"),
                      ("B03", "03-03T09:00"), ("B04", "03-03T09:45")]:  # fmt: skip
        hand.mix(batch, at)
    sheet = build_bench(read_folder(hand.folder), DAY, now=EVE)
    wanted = ("Read", "Bake", "Notes")
    sheet = replace(sheet, parts=tuple(p for p in sheet.parts if p.title in wanted))
    data = filled(build_book(sheet), true_cells())
    return read_folder(hand.folder), data


def read_in(contents, given):
    """Read a damaged file into the trial; what is said, and what stands in the records."""
    try:
        if isinstance(given, bytes):
            read = read_book(given, contents, name="damaged.xlsx")
        else:
            read = read_opened(given, contents, name="damaged.xlsx")
    except InputError as error:
        return [str(error)], set()
    kept = keep(read, contents, now=NIGHT)
    said = [*map(str, read.problems), *map(str, kept.problems), *kept.warnings]
    return said, stored(contents)


def forget(contents):
    """Take the records of the day away again; the mixes stay."""
    for name in ("readings", "bakes", "notes"):
        (contents.path / contents.settings.table(name).path).unlink(missing_ok=True)


def test_the_sheet_is_taken_whole_while_nothing_is_damaged(ground):
    contents, data = ground
    said, found = read_in(contents, data)
    assert found == truth() and not [s for s in said if "not stored" in s]


def test_whole_rows_may_be_moved(ground):
    contents, data = ground
    book = opened(data)
    book["Read"].insert_rows(6, 3)
    book.move_sheet("Read", -2)
    _, found = read_in(contents, book)
    assert found == truth()


@pytest.mark.parametrize("chunk", range(SEEDS // CHUNK))
def test_nothing_wrong_is_accepted_silently(ground, chunk):
    contents, data = ground
    right = truth()
    plain, _ = read_in(contents, data)  # what is said of a whole file
    for seed in range(chunk * CHUNK, (chunk + 1) * CHUNK):
        forget(contents)
        rng = random.Random(seed)
        if seed % 5 == 4:
            said, found = read_in(contents, break_bytes(data, rng))
            name = "bytes"
        else:
            damage = LOUD[(seed - seed // 5) % len(LOUD)]
            name = damage.__name__
            book = opened(data)
            damage(book, rng)
            said, found = read_in(contents, packed(book) if seed % 10 == 0 else book)
        wrong = found - right
        assert not wrong, f"seed {seed}, {name}: stored {wrong}"
        new = set(said) - set(plain)
        assert found == right or new, f"seed {seed}, {name}: lost without a word {right - found}"
        if name != "bytes":
            assert new, f"seed {seed}, {name}: nothing was said"
        assert all(len(s) < 1500 for s in said), f"seed {seed}, {name}: endless message"


POINTS = {"place 1": (7, 6), "place 2": (5, 5.5), "place 3": (8, 4), "place 4": (3, 9)}


def card_cells():
    cells = {}
    for i, (place, (crust, crumb)) in enumerate(POINTS.items()):
        cells |= {(place, "Time"): f"10:{i}5", (place, "crust"): crust, (place, "crumb"): crumb}
    return cells


@pytest.fixture
def card(hand):
    """A session of four baked balls, ada's filled score sheet, and what may be stored of it."""
    for batch, at in [("B01", "03-02T09:00"), ("B02", "03-02T09:45"),
                      ("B03", "03-03T09:00"), ("B04", "03-03T09:45")]:  # fmt: skip
        hand.mix(batch, at)
    contents = read_folder(hand.folder)
    sheet = build_scores(contents, DAY, "S02")[0]
    balls = {str(b["blind_code"]): b["ball_id"] for b in hand.plan.balls if b["session"] == "S02"}
    right = set()
    for line in sheet.parts[0].lines:
        ball = balls[line.item]
        hand.write("bakes", {"ball_id": ball, "baked_at": rome("03-04T09:45")})
        right |= {(ball, "ada", c, s) for c, s in zip(("crust", "crumb"), POINTS[line.key],
                                                      strict=True)}  # fmt: skip
    return read_folder(hand.folder), filled(build_book(sheet), card_cells()), right


def scored(contents):
    rows = read_journal(contents.path, contents.settings.table("scores")).rows
    return {(r["ball_id"], r["judge"], r["criterion"], r["score"]) for r in rows}


def odd_points(book, rng):
    place = rng.choice(list(POINTS))
    find(book, place, rng.choice(["crust", "crumb"])).value = rng.choice(
        [v for v in ODD if v != 0.541]
    )


def odd_tasting_time(book, rng):
    find(book, rng.choice(list(POINTS)), "Time").value = rng.choice([None, *BAD_TIMES])


def swap_codes(book, rng):
    """Two codes change places, their points stay: the slip that nobody sees."""
    one, two = rng.sample(list(POINTS), 2)
    a, b = find(book, one, "Code"), find(book, two, "Code")
    a.value, b.value = b.value, a.value


def swap_places(book, rng):
    one, two = rng.sample(list(POINTS), 2)
    a, b = find(book, one, "Row"), find(book, two, "Row")
    a.value, b.value = b.value, a.value


def edit_a_code(book, rng):
    cell = find(book, rng.choice(list(POINTS)), rng.choice(["Row", "Code"]))
    cell.value = rng.choice([None, "999", 131, "B01-3", "=A1", "place 9", "13l"])


def score_beside(book, rng):
    book["Scores"].cell(rng.choice([5, 6, 30]), rng.choice([7, 9, 30])).value = 7


def score_twice(book, rng):
    page = book["Scores"]
    for cell in page[find(book, rng.choice(list(POINTS)), "Row").row]:
        page.cell(12, cell.column).value = cell.value


def score_header(book, rng):
    page = book["Scores"]
    row, _ = header(page)
    page.cell(row, rng.randint(1, 5)).value = rng.choice([None, "crust ", "crumb", "Code", 5])


def swap_criteria(book, rng):
    page = book["Scores"]
    for row in range(1, page.max_row + 1):
        a, b = page.cell(row, 4), page.cell(row, 5)
        a.value, b.value = b.value, a.value


def delete_a_score(book, rng):
    book["Scores"].delete_rows(find(book, rng.choice(list(POINTS)), "Row").row)


def another_judge(book, rng):
    page = book["ids"]
    row = next(r for r in range(1, 12) if page.cell(r, 1).value == "judge")
    page.cell(row, 2).value = rng.choice(["ben", "eve", None, 5])


def edit_card_ids(book, rng):
    page = book["ids"]
    cell = page.cell(rng.randint(1, page.max_row), rng.randint(1, 3))
    cell.value = rng.choice(["TX", "S01", 999, "bench"])


def merge_scores(book, rng):
    book["Scores"].merge_cells(start_row=5, end_row=6, start_column=4, end_column=4)


CARD = [
    odd_points, odd_tasting_time, swap_codes, swap_places, edit_a_code, score_beside, score_twice,
    score_header, swap_criteria, delete_a_score, another_judge, edit_card_ids, merge_scores,
]  # fmt: skip


def read_card(contents, given):
    try:
        if isinstance(given, bytes):
            read = read_book(given, contents, name="ada.xlsx")
        else:
            read = read_opened(given, contents, name="ada.xlsx")
    except InputError as error:
        return [str(error)], set()
    kept = keep(read, contents, now=NIGHT)
    return [*map(str, read.problems), *map(str, kept.problems)], scored(contents)


def test_a_whole_score_sheet_is_taken(card):
    contents, data, right = card
    said, found = read_card(contents, data)
    assert (said, found) == ([], right)


@pytest.mark.parametrize("chunk", range(3))
def test_no_wrong_score_is_accepted_silently(card, chunk):
    """150 seeds more: codes, places, points, judge; what is said to a judge names no ball."""
    contents, data, right = card
    for seed in range(chunk * CHUNK, (chunk + 1) * CHUNK):
        path = contents.path / contents.settings.table("scores").path
        path.unlink(missing_ok=True)
        rng = random.Random(10_000 + seed)
        if seed % 5 == 4:
            name, given = "bytes", break_bytes(data, rng)
        else:
            damage = CARD[(seed - seed // 5) % len(CARD)]
            book, name = opened(data), damage.__name__
            damage(book, rng)
            given = packed(book) if seed % 10 == 0 or damage is merge_scores else book
        said, found = read_card(contents, given)
        wrong = found - right
        assert not wrong, f"seed {seed}, {name}: stored {wrong}"
        assert found == right or said, f"seed {seed}, {name}: lost without a word {right - found}"
        if name != "edit_a_code":  # there somebody typed the name of a ball
            assert not [w for w in said for ball, *_ in right if ball in w]
