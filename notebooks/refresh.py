"""Runs every notebook from a clean kernel and stores the outputs; two runs give the same files.

    python notebooks/refresh.py [NAME ...]
"""

import os
import sys
from pathlib import Path

import nbformat
from nbclient import NotebookClient

HERE = Path(__file__).parent


def clean(book) -> None:
    """Keep what readers and tests need; drop timing and editor traces."""
    book.metadata = nbformat.NotebookNode(
        kernelspec={"display_name": "Python 3", "language": "python", "name": "python3"},
        language_info={"name": "python"},
    )
    for number, cell in enumerate(book.cells):
        cell.id = f"cell-{number:02d}"
        join_streams(cell)
        tags = cell.metadata.get("tags")
        cell.metadata = nbformat.NotebookNode({"tags": tags} if tags else {})


def join_streams(cell) -> None:
    """Join pieces of one printed text; where the kernel cuts it is chance."""
    joined: list = []
    for output in cell.get("outputs", []):
        last = joined[-1] if joined else None
        same = last and last.output_type == output.output_type == "stream"
        if same and last.name == output.name:
            last.text += output.text
        else:
            joined.append(output)
    if cell.cell_type == "code":
        cell.outputs = joined


def refresh(path: Path) -> None:
    """Run one notebook where it stands and write it back."""
    book = nbformat.read(path, as_version=4)
    client = NotebookClient(
        book,
        timeout=300,
        kernel_name="python3",
        record_timing=False,
        resources={"metadata": {"path": str(HERE)}},
    )
    client.execute()
    clean(book)
    nbformat.write(book, path)
    print(path.name)


if __name__ == "__main__":
    os.environ.pop("DOUGHLAB_TRIAL", None)
    wanted = sys.argv[1:]
    for found in sorted(HERE.glob("*.ipynb")):
        if not wanted or found.stem in wanted or found.name in wanted:
            refresh(found)
