"""Junk in every cell: a full sweep over a trial folder, or a seeded sample for the suite.

Run as a command for the full sweep:

    python tests/house/junk_sweep.py [FOLDER] [--all] [--from CELL] [--part K/N]

It replaces every cell once, the kinds of junk in turn; --all tries every kind in every cell. One
that was stopped goes on with --from and the last number it printed; --part takes every Nth cell.
Each cell is replaced by junk in turn. The folder's check must then name the file, the row and the
column; a traceback or silence is a failure. A number with other digits inside its range, another
allowed choice, and another text are no junk: nobody could tell.
"""

import argparse
import csv
import io
import random
import shutil
import sys
import tempfile
import time
import weakref
from dataclasses import dataclass
from pathlib import Path

from doughlab.files import parse_rows
from doughlab.record.checks import check_folder, check_trial_folder
from doughlab.record.folder import read_folder
from doughlab.record.journal import resolve
from doughlab.record.records import Records
from doughlab.tables import TABLES

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "trials" / "lantern-quay"

ANY = ["\x07", "two\nlines", "x" * 3000, 'an "open quote', b"\xff\xfe"]
NUMBERS = ["lots", "n/a", "2026-03-05", "1e9", "12 parsecs", "5,4,1", "--3", "1_0", "nan", "4-5"]
TIMES = ["yesterday", "14:10", "2026-03-05", "2026-03-05T14:10", "2026-13-05T10:00+01:00", "5.41",
         "1926-03-05T10:00+01:00"]  # fmt: skip
CHOICES = ["banana", "0", "ADD "]
NAMES = ["no body!", "a;b", "#1", "<b>"]
UNITS = {"temp_c": ["5 kg", "9000 F"], "g": ["5 C"], "min": ["5 kg"], "ph": ["5 C", "56.2"],
         "pct": ["5 kg"], "s": ["5 kg"], "score": ["5 kg"], "mv": ["5 kg"]}  # fmt: skip
# Ids that must name something known: judges, criteria, sessions, lots, what a note is about.
TOLD = {"judge", "criterion", "session", "about", "flour_lot", "water_lot", "preferment_lot",
        "replaces", "block", "item", "water", "calibration_id", "ball_id", "batch_id",
        "blind_code"}  # fmt: skip
# Ids that rows of other tables point to: a wrong one is missed there, so junk must be unreadable.
KEYS = {("batches", "batch_id"), ("balls", "ball_id"), ("calibrations", "calibration_id"),
        ("lots", "lot_id"), ("waters", "water_id")}  # fmt: skip


@dataclass(frozen=True)
class Case:
    """One cell to be replaced, counted from 0 in the rows under the header."""

    table: str
    column: str
    row: int
    junk: str | bytes

    def __str__(self):
        return f"{self.table}.csv, row {self.row + 2}, {self.column} = {self.junk!r:.40}"


def junk_for(name, column):
    """List what can be wrong in a column."""
    junk = list(ANY)
    junk += {"number": NUMBERS, "integer": [*NUMBERS, "1.5"], "datetime": TIMES,
             "choice": CHOICES, "id": NAMES}.get(column.kind, [])  # fmt: skip
    junk += UNITS.get(column.unit, [])
    if column.required:
        junk.append("")
    told = column.link or column.name in TOLD
    if told and column.kind == "id" and (name, column.name) not in KEYS:
        junk += ["nobody", "B99-9", "2026"]
    return junk


class Sweep:
    """A folder whose cells are replaced one at a time."""

    def __init__(self, folder):
        self.source = Path(folder)
        self.place = Path(tempfile.mkdtemp())  # one copy, put right again after each cell
        weakref.finalize(self, shutil.rmtree, self.place, ignore_errors=True)
        self.contents = read_folder(self.source)
        self.clean = set(map(str, check_trial_folder(self.contents)))
        self.lines = {}
        for name in TABLES:
            path = self.source / TABLES[name].path
            if path.exists():
                text = path.read_text(encoding="utf-8")
                self.lines[name] = list(csv.reader(io.StringIO(text)))

    def tables(self):
        return {name: self.contents.settings.table(name) for name in self.lines}

    def sample(self, cells, seed):
        """Draw cells of every column, each with junk of its own; unlike junk first."""
        rng = random.Random(seed)
        for name, table in self.tables().items():
            header, *rows = self.lines[name]
            for column in table.columns:
                if column.name not in header:
                    continue
                junk = junk_for(name, column)
                rng.shuffle(junk)
                for i in range(cells):
                    yield Case(name, column.name, rng.randrange(len(rows)), junk[i % len(junk)])

    def full(self, *, every):
        """Every cell: with every junk, or with the kinds of junk in turn."""
        for name, table in self.tables().items():
            header, *rows = self.lines[name]
            for column in table.columns:
                if column.name not in header:
                    continue
                junk = junk_for(name, column)
                for row in range(len(rows)):
                    for one in junk if every else [junk[row % len(junk)]]:
                        yield Case(name, column.name, row, one)

    def data(self, case):
        """The bytes of the file with the cell replaced."""
        header, *rows = [list(row) for row in self.lines[case.table]]
        mark = "JUNK-STANDS-HERE"
        rows[case.row][header.index(case.column)] = mark
        buffer = io.StringIO()
        csv.writer(buffer, lineterminator="\n").writerows([header, *rows])
        junk = case.junk if isinstance(case.junk, bytes) else self.cell(case.junk)
        return buffer.getvalue().encode().replace(mark.encode(), junk)

    @staticmethod
    def cell(text):
        """A cell as a spreadsheet writes it; an open quotation mark stays as it was typed."""
        if text.startswith('an "open'):
            return text.replace("an ", "").encode()
        quoted = any(c in text for c in ',"\n')
        return (f'"{text}"' if quoted else text).encode()

    def found(self, case, folder=None):
        """The new problems that the junk provokes, by the check of the whole folder.

        What cannot be read is a problem already while reading; only where the cell can be read
        the whole folder is checked. With `folder`, everything goes by the disk.
        """
        data, table = self.data(case), self.tables()[case.table]
        if folder is None:
            problems = (
                resolve(data, table).problems if table.journal else parse_rows(data, table).problems
            )
            if any(self.fits(case, p) for p in problems):
                return problems
            if table.journal:
                return self.new(check_trial_folder(self.with_journal(case.table, data, table)))
            return self.found(case, self.place / "trial")
        if not folder.exists():
            shutil.copytree(self.source, folder)
        path = folder / table.path
        before = path.read_bytes()
        path.write_bytes(data)
        try:
            return self.new(check_folder(folder))
        finally:
            path.write_bytes(before)

    def with_journal(self, name, data, table):
        from dataclasses import replace

        journal = resolve(data, table)
        old = self.contents.records.journals
        kept = [p for p in self.contents.problems if p.file != table.path]
        records = Records({**old, name: journal})
        return replace(self.contents, records=records, problems=kept + journal.problems)

    def new(self, problems):
        return [p for p in problems if str(p) not in self.clean]

    def fits(self, case, problem):
        """Whether a problem names the file, the row and, where the row has cells, the column."""
        if problem.file != self.tables()[case.table].path or problem.row is None:
            return False
        broken = isinstance(case.junk, bytes) or "open quote" in case.junk or "\n" in case.junk
        if broken and not problem.column:
            return problem.row == case.row + 2
        return problem.row == case.row + 2 and problem.column == case.column

    def missed(self, case, folder=None):
        """Whether the junk was accepted in silence, or said at another place.

        A row that was corrected or taken back is not used any more: what can be read in it may
        be wrong, which is why it was corrected.
        """
        if any(self.fits(case, p) for p in self.found(case, folder)):
            return False
        return not self.replaced(case)

    def replaced(self, case):
        """Whether the row is history and the junk in it can be read."""
        table = self.tables()[case.table]
        if not table.journal:
            return False
        used = {r["_row"] for r in self.contents.records.journals[case.table].rows}
        readable = parse_rows(self.data(case), table).problems == []
        return case.row + 2 not in used and readable


def parse(words):
    """Read the command line."""
    parser = argparse.ArgumentParser(description="Replace every cell of a trial folder by junk.")
    parser.add_argument("folder", nargs="?", type=Path, default=DEMO)
    parser.add_argument("--all", action="store_true", help="every kind of junk in every cell")
    parser.add_argument("--from", dest="first", type=int, default=1, help="number of a cell")
    parser.add_argument("--part", default="1/1", help="K/N: every Nth cell, beginning with the Kth")
    return parser.parse_args(words)


def main(words):
    asked = parse(words)
    part, parts = map(int, asked.part.split("/"))
    sweep = Sweep(asked.folder)
    start, tried, missed, number = time.monotonic(), 0, 0, 0
    for number, case in enumerate(sweep.full(every=asked.all), start=1):
        if number < asked.first or number % parts != part % parts:
            continue
        tried += 1
        if sweep.missed(case):
            missed += 1
            print(f"missed {number}:", case, flush=True)
        if tried % 500 == 0:
            print(f"to cell {number}, {time.monotonic() - start:.0f} s", flush=True)
    print(f"{tried} of {number} junk cells, {missed} missed, {time.monotonic() - start:.0f} s")
    return bool(missed)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
