"""Where a trial stands, one file of all of it, and a disk that is full."""

import contextlib
import json
import os
import resource
import shutil
import signal
import subprocess
import tempfile
import zipfile
from pathlib import Path

import pytest
from frictionless import Package, system

from doughlab.cli import main
from doughlab.record.bench_desk import Bench
from doughlab.record.bench_photo import keep_photo
from doughlab.record.bench_sent import read_sent
from doughlab.record.place import MARKERS, NETWORK, place_words
from doughlab.record.storage import NotStored

from .conftest import Hand, picture
from .sheets_hand import bench_bytes, filled

SYNC = (
    "stands in a folder that a sync program writes too ({}). When two machines enter at once, it "
    "may keep two copies of a file, and one set of rows is missing. Let one machine write, have "
    "phones enter through doughlab bench on it, and copy the folder there afterwards."
)
NET = (
    "lies on another machine, across a network ({}). Locks may not hold there, and an entry may be "
    "lost when the network stops. Keep it on the disk of this machine, have others enter through "
    "doughlab bench --lan, and copy it there afterwards."
)


@pytest.mark.parametrize("part", ["Dropbox", "OneDrive - Kitchen", "Nextcloud", "Google Drive"])
def test_a_folder_of_a_sync_program_is_said(tmp_path, part):
    folder = tmp_path / part / "trial"
    assert place_words(folder, mounts="") == SYNC.format(f"'{part}' in its path")


def test_names_that_only_look_alike_are_not(tmp_path):
    for part in ("Megan", "boxes", "my drives", "syncthings"):
        assert place_words(tmp_path / part, mounts="") == ""


@pytest.mark.parametrize("marker", MARKERS)
def test_a_mark_of_a_sync_program_is_found_above_the_folder(tmp_path, marker):
    (tmp_path / marker).mkdir()
    assert place_words(tmp_path / "a" / "b", mounts="") == SYNC.format(f"{marker} in {tmp_path}")


@pytest.mark.parametrize("kind", NETWORK)
def test_a_network_disk_is_said_by_its_file_system(tmp_path, kind):
    """Lines as in proc(5): device, mount point, type; a blank is written as octal 040."""
    mounts = f"/dev/sda / ext4 rw 0 0\nhost:/x {tmp_path}/the\\040share {kind} rw 0 0\n"
    assert place_words(tmp_path / "the share" / "t", mounts=mounts) == NET.format(kind)
    assert place_words(tmp_path / "t", mounts=mounts) == ""


def test_check_and_the_bench_say_it(hand, capsys):
    (hand.folder / ".stfolder").mkdir()
    words = SYNC.format(f".stfolder in {hand.folder}")
    assert hand.said(level="note") == [f"this folder: {words}"]
    shown = words.replace("doughlab bench on it", "this page")
    assert f"This trial {shown}" in Bench(hand.folder).overview()["watch"]


def test_one_file_holds_the_whole_trial_as_an_open_data_package(hand, tmp_path, capsys):
    hand.mix("B01", "03-02T09:00")
    hand.read("B01-2", "03-03T09:45", 5.41, 5.43, 5.40)
    for name in ("one.zip", "two.zip"):
        assert main(["check", str(hand.folder), "--zip", str(tmp_path / name)]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert f"wrote {tmp_path / 'two.zip'}: 9 files, an open data package" in said
    assert (tmp_path / "one.zip").read_bytes() == (tmp_path / "two.zip").read_bytes()
    with zipfile.ZipFile(tmp_path / "one.zip") as found:
        assert found.testzip() is None
        names = set(found.namelist())
        found.extractall(tmp_path / "out")
    assert names == {
        "datapackage.json", "trial.toml", "waters.csv", "plan/batches.csv", "plan/balls.csv",
        "plan/schedule.csv", "plan/plan.lock", "record/mixes.csv", "record/readings.csv",
    }  # fmt: skip
    for name in names:
        assert (tmp_path / "out" / name).read_bytes() == (hand.folder / name).read_bytes()
    with system.use_context(trusted=True):
        report = Package(str(tmp_path / "out" / "datapackage.json")).validate()
    assert report.valid, report.flatten(["rowNumber", "fieldName", "message"])


def test_a_zip_is_never_written_over_and_needs_its_ending(hand, tmp_path, capsys):
    (tmp_path / "there.zip").write_text("x")
    for name, words in (
        ("there.zip", "is there already. Nothing is overwritten: name a new file."),
        ("there.tar", "must end in .zip: doughlab check FOLDER --zip there.zip"),
    ):
        assert main(["check", str(hand.folder), "--zip", str(tmp_path / name)]) == 1
        said = " ".join(capsys.readouterr().err.split())
        assert said == f"doughlab check: {tmp_path / name} {words}"
    assert (tmp_path / "there.zip").read_text() == "x"


PHOTO = picture(dots=200)


def test_a_photo_on_a_full_disk_waits_and_is_stored_once_there_is_room(hand, tmp_path):
    hand.read("B01-2", "03-03T09:45", 5.4)
    with full_disk(hand.folder, tmp_path) as (folder, make_room):
        bench = Bench(folder)
        with pytest.raises(NotStored) as error:
            keep_photo(bench, PHOTO, entry_id="photo-0001", about="B01")
        assert str(error.value) == (
            "The photo: The disk is full. Make room, then enter it again. Nothing was stored; "
            "what was stored before is whole."
        )
        assert [p for p in (folder / "record").rglob("*") if "photo-0001" in p.name] == []
        assert Hand(folder).open().records.notes == []
        make_room()
        resource.setrlimit(resource.RLIMIT_FSIZE, resource.getrlimit(resource.RLIMIT_FSIZE)[1:] * 2)
        assert keep_photo(bench, PHOTO, entry_id="photo-0001", about="B01")["saved"]
        (note,) = Hand(folder).open().records.notes
        assert (folder / note["note"]).read_bytes() == PHOTO


def test_check_lists_the_problems_where_nothing_can_be_written(hand, tmp_path, capsys):
    hand.read("B01-2", "03-03T09:45", 5.4)
    words = (
        "datapackage.json not written: the disk is full. No record is touched by it, and what is "
        "said above holds."
    )
    with full_disk(hand.folder, tmp_path) as (folder, _):
        text = (folder / "record/readings.csv").read_bytes()
        resource.setrlimit(
            resource.RLIMIT_FSIZE, (100, resource.getrlimit(resource.RLIMIT_FSIZE)[1])
        )
        assert main(["check", str(folder)]) == 1
        said = " ".join(capsys.readouterr().out.split())
        assert "no mix of B01 is recorded" in said and words in said
        assert not list(folder.glob("datapackage*"))
        assert (folder / "record/readings.csv").read_bytes() == text


def test_sheets_on_a_full_disk_are_a_sentence_and_leave_nothing_half_written(
    hand, tmp_path, capsys
):
    hand.read("B01-2", "03-03T09:45", 5.4)
    with full_disk(hand.folder, tmp_path) as (folder, make_room):
        assert main(["sheets", str(folder), "--day", "2026-03-04"]) == 1
        said = " ".join(capsys.readouterr().err.split())
        where = folder / "sheets" / "2026-03-04"
        assert said == (
            f"doughlab sheets: {where} cannot be written: the disk is full. Make room, then make "
            "the sheets again; no record is touched by it."
        )
        assert not list(folder.rglob("*.new")) and not list(folder.rglob("sheets/*/*.pdf"))
        make_room()


def test_a_filled_sheet_read_in_on_a_full_disk_loses_nothing(hand, tmp_path, capsys):
    """Refused whole while there is no room; read again, each of its rows is stored once."""
    hand.mix("B03", "03-03T09:00")
    journal = hand.folder / "record/readings.csv"
    hand.read("B01-1", "03-04T09:00", 5.4)
    while 4096 - journal.stat().st_size % 4096 > 350:  # no room for a row in the last page
        hand.read("B01-1", "03-04T09:00", 5.4)
    sheet = tmp_path / "bench.xlsx"
    cells = {("read B03-2", f"pH, reading {i}"): ph for i, ph in enumerate((5.41, 5.43, 5.4), 1)}
    cells["read B03-2", "Time"] = "09:45"
    sheet.write_bytes(filled(bench_bytes(hand.folder), cells))
    with full_disk(hand.folder, tmp_path) as (folder, make_room):
        before = (folder / "record/readings.csv").read_bytes()
        assert main(["sheets", str(folder), "--read", str(sheet)]) == 1
        assert " ".join(capsys.readouterr().err.split()) == (
            "doughlab sheets: record/readings.csv: The disk is full. Make room, then enter it "
            "again. Nothing was stored; what was stored before is whole."
        )
        assert (folder / "record/readings.csv").read_bytes() == before
        make_room()
        resource.setrlimit(resource.RLIMIT_FSIZE, resource.getrlimit(resource.RLIMIT_FSIZE)[1:] * 2)
        for _ in range(2):
            assert main(["sheets", str(folder), "--read", str(sheet)]) == 0
        rows = [r for r in Hand(folder).open().records.readings if r["ball_id"] == "B03-2"]
        assert [r["ph"] for r in rows] == [5.41, 5.43, 5.4]


def test_a_folder_that_may_only_be_read_is_checked_and_zipped_elsewhere(locked_away, capsys):
    """Run as another user than the owner: the zip is whole, datapackage.json is in it only."""
    target = Path(tempfile.mkdtemp()) / "all.zip"
    assert main(["check", str(locked_away), "--zip", str(target)]) in {0, 1}
    said = " ".join(capsys.readouterr().out.split())
    assert "datapackage.json not written: Permission denied." in said
    with zipfile.ZipFile(target) as found:
        names = [r["path"] for r in json.loads(found.read("datapackage.json"))["resources"]]
        assert set(names) <= set(found.namelist()) and "plan/balls.csv" in names
    assert not (locked_away / "datapackage.json").exists()
    shutil.rmtree(target.parent)


@pytest.fixture
def locked_away(hand, tmp_path):
    """The trial in a folder that its reader may not write: another user, by the system's rights."""
    home = Path(tempfile.mkdtemp())
    shutil.copytree(hand.folder, home / "trial")
    for path in [home, *home.rglob("*")]:
        path.chmod(0o555 if path.is_dir() else 0o444)
    root = os.geteuid() == 0
    try:
        if root:
            os.seteuid(65534)
        yield home / "trial"
    finally:
        if root:
            os.seteuid(0)
        for path in [home, *home.rglob("*")]:
            path.chmod(0o755)
        shutil.rmtree(home)


def test_the_bench_on_a_folder_that_may_only_be_read_keeps_entries_waiting(locked_away, capsys):
    bench = Bench(locked_away)
    entry = {"id": "entry-001", "action": "temperature", "about": "cooler", "at": "", "by": "",
             "session": "", "values": {"temp_c": "3.6"}}  # fmt: skip
    with pytest.raises(NotStored, match="Nothing was stored; what was stored before is whole"):
        bench.store(read_sent(entry))
    with pytest.raises(NotStored, match=r"^The photo: .* Nothing was stored"):
        keep_photo(bench, PHOTO, entry_id="photo-0001", about="B01")
    assert bench.overview()["name"] == "Two waters"  # what is there is shown
    assert main(["sheets", str(locked_away), "--day", "2026-03-04"]) == 1
    said = " ".join(capsys.readouterr().err.split())
    assert said == (
        f"doughlab sheets: {locked_away / 'sheets' / '2026-03-04'} cannot be written: Permission "
        "denied. Look at the rights of the folder, then make the sheets again; no record is "
        "touched by it."
    )


@contextlib.contextmanager
def full_disk(folder, tmp_path):
    """The trial on a small disk with no room left: a tmpfs where one may be mounted.

    Where not (no root), no file may grow any more; the system then gives EFBIG, not ENOSPC.
    """
    disk = tmp_path / "disk"
    disk.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=256k", "tmpfs", str(disk)]
    tool = shutil.which("mount")
    mounted = tool is not None and subprocess.run(mount, capture_output=True).returncode == 0
    shutil.copytree(folder, disk / "trial")
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    before = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    try:
        if mounted:
            with contextlib.suppress(OSError), (disk / "fill").open("wb", buffering=0) as file:
                while True:
                    file.write(b"x" * 512)
        else:
            size = (disk / "trial/record/readings.csv").stat().st_size
            resource.setrlimit(resource.RLIMIT_FSIZE, (size, hard))
        yield disk / "trial", lambda: (disk / "fill").unlink(missing_ok=True)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
        signal.signal(signal.SIGXFSZ, before)
        if mounted:
            subprocess.run(["umount", str(disk)], check=True)


def test_a_full_disk_is_said_and_nothing_is_lost(hand, tmp_path):
    values = [round(5.3 + 0.001 * i, 3) for i in range(40)]
    hand.read("B01-2", "03-03T09:45", *values)
    with full_disk(hand.folder, tmp_path) as (folder, make_room):
        full = Hand(folder)
        path = folder / "record/readings.csv"
        before = path.read_bytes()
        with pytest.raises(NotStored) as error:
            for _ in range(40):  # what is left of the last page first
                full.read("B02-2", "03-03T10:30", *values)
                before = path.read_bytes()
        assert str(error.value) == (
            "record/readings.csv: The disk is full. Make room, then enter it again. Nothing was "
            "stored; what was stored before is whole."
        )
        assert path.read_bytes() == before
        make_room()
        resource.setrlimit(resource.RLIMIT_FSIZE, resource.getrlimit(resource.RLIMIT_FSIZE)[1:] * 2)
        full.read("B02-2", "03-03T10:30", 5.5)
        assert path.read_bytes().startswith(before)
        assert json.dumps([r["ph"] for r in full.open().records.readings][-1]) == "5.5"
