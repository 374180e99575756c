"""`doughlab report`: write the report of a trial as one file.

Called by `cli`; it calls the analysis room once for each response, then the report room.
It calculates nothing of its own.
"""

from __future__ import annotations

import argparse
import textwrap
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from doughlab.commands.lines import counted
from doughlab.commands.outcome import Outcome
from doughlab.errors import InputError

if TYPE_CHECKING:
    pass


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the folder and the forms on paper."""
    parser.add_argument(
        "folders", nargs="*", metavar="FOLDER",
        help="the trial folder (here); for a dossier several, or a folder that holds some",
    )  # fmt: skip
    parser.add_argument("--pdf", action="store_true", help="also as one PDF for the file")
    parser.add_argument(
        "--short", action="store_true", help="the cook's page as a PDF: one sheet for the wall"
    )
    parser.add_argument(
        "--paper", choices=("a4", "letter"), default="a4", help="size of the PDF (a4)"
    )
    parser.add_argument(
        "--texts", action="store_true",
        help="put the table of all texts into the folder, to be said in other words",
    )  # fmt: skip
    parser.add_argument(
        "--dossier", metavar="FILE",
        help="several trials in one document, FILE.html or FILE.pdf, with one first page",
    )  # fmt: skip


def run(args: argparse.Namespace) -> Outcome:
    """Write report/report.html into the trial folder, and report/report.pdf where asked.

    Raises
    ------
    InputError
        For several folders without a dossier, or a dossier with options of one trial.
    """
    folders = args.folders or ["."]
    if args.dossier:
        return _dossier(args, folders)
    if len(folders) > 1:
        raise InputError(
            f"{len(folders)} folders were named, and a report is about one trial. For all in one "
            f"document: doughlab report {' '.join(folders)} --dossier trials.pdf"
        )
    if args.texts:
        return _texts(folders[0])
    return _report(args, folders[0])


def _report(args: argparse.Namespace, folder: str) -> Outcome:
    """Write the report of one trial."""
    from doughlab.report.page import analyse_all, build_report
    from doughlab.trial import Trial

    trial = Trial.open(folder)
    analyses, failed = analyse_all(trial)
    paths = [build_report(trial, analyses=analyses, failed=failed)]
    if args.pdf:
        from doughlab.report.page_pdf import build_pdf

        paths.append(build_pdf(trial, analyses=analyses, failed=failed, paper=args.paper))
    if args.short:
        from doughlab.report.page_short import build_short

        paths += build_short(trial, analyses=analyses, paper=args.paper)
    found = [f"{a.response.words}: {a.dataset.recorded} of {a.dataset.planned} balls"
             + (", interim" if a.dataset.interim else "") for a in analyses.values()]  # fmt: skip
    for name, why in failed.items():
        found += textwrap.wrap(f"{name}: not analysed. {why}", 80, subsequent_indent="  ")
    problems = [p for p in trial.problems if p.level == "error"]
    then = ["open it in a browser; it prints as it is and needs no network"]
    if problems:
        were = "was" if len(problems) == 1 else "were"
        found.append(f"{counted(len(problems), 'problem')} in the folder {were} not used")
        then = [f"doughlab check {folder}"]
    return Outcome(
        read=[folder],
        found=found,
        wrote=[f"{path} ({round(path.stat().st_size / 1000)} kB)" for path in paths],
        next=then,
        data=_data(paths, failed),
        code=1 if problems else 0,
    )


def _dossier(args: argparse.Namespace, folders: Sequence[str]) -> Outcome:
    """Write several trials into one document.

    Raises
    ------
    InputError
        For an option that is about one trial, and for a folder that is no trial.
    """
    from doughlab.commands.overview import find_trials
    from doughlab.report.dossier import begun_at, build_dossier
    from doughlab.trial import Trial

    for name in ("pdf", "short", "texts"):
        if getattr(args, name):
            raise InputError(
                f"--{name} is about one trial. A dossier is a page or a PDF by its name: "
                "--dossier trials.html or --dossier trials.pdf"
            )
    found = dict.fromkeys(f for place in folders for f in find_trials(Path(place)))
    trials = sorted((Trial.open(f) for f in found), key=begun_at)
    path = build_dossier(trials, Path(args.dossier), paper=args.paper)
    size = path.stat().st_size
    return Outcome(
        read=[str(t.folder) for t in trials],
        found=[f"{t.settings.code}: {t.settings.name}" for t in trials],
        wrote=[f"{path} ({round(size / 1000)} kB)"],
        next=["open it; its first part says what was asked and settled over all trials"],
        data={"dossier": str(path), "bytes": size, "trials": [t.settings.code for t in trials]},
    )


def _texts(folder: str) -> Outcome:
    """Put report-texts.toml into the folder; one that is there stays as it is."""
    from doughlab.report.text import ENGLISH, OWN, read_texts, write_texts
    from doughlab.trial import Trial

    trial = Trial.open(folder)
    path = write_texts(trial.folder)
    if path is None:
        own = read_texts(trial.folder).own
        found = [f"{OWN} is there and stays as it is: {counted(len(own), 'text')} of your own"]
    else:
        found = [
            f"{len(ENGLISH)} texts, every line out of force by its #",
            "not among them: cautions, remarks of an analysis, grounds of a decision",
        ]
    return Outcome(
        read=[folder],
        found=found,
        wrote=[] if path is None else [str(path)],
        next=["take the # from a line and change its words; keep the names in { }",
              f"doughlab report {folder}"],
        data={"texts": OWN, "written": path is not None, "of": len(ENGLISH)},
    )  # fmt: skip


def _data(paths: Sequence[Path], failed: dict[str, str]) -> dict[str, Any]:
    """Name every file with its size."""
    from doughlab.report.page import REPORT

    sizes = {f"report/{path.name}": path.stat().st_size for path in paths}
    return {"report": REPORT, "bytes": sizes[REPORT], "files": sizes, "not_analysed": failed}
