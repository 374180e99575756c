"""Everything that is installed for the project, down to the last, has one release pinned."""

from importlib.metadata import requires

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from .read_code import ROOT

FILE = ROOT / "tests" / "constraints.txt"


def pins():
    """Requirements in the file; each line is one, `name==release` and perhaps a marker."""
    lines = FILE.read_text(encoding="utf-8").splitlines()
    return [Requirement(line) for line in lines if line and not line.startswith("#")]


def needed():
    """Names that the project asks for with its extra, and what those ask for, and so on."""
    seen, open_ = set(), [("doughlab", frozenset({"dev"}))]
    while open_:
        name, extras = open_.pop()
        if (name, extras) in seen:
            continue
        seen.add((name, extras))
        for text in requires(name) or []:
            asked = Requirement(text)
            if asked.marker is None or any(
                asked.marker.evaluate({"extra": extra}) for extra in (extras or {""})
            ):
                open_.append((canonicalize_name(asked.name), frozenset(asked.extras)))
    return {name for name, _ in seen} - {"doughlab"}


def test_each_line_pins_one_release_and_names_no_place():
    for pin in pins():
        assert [s.operator for s in pin.specifier] == ["=="], str(pin)
        assert pin.url is None and not pin.extras
    text = FILE.read_text(encoding="utf-8")
    assert "://" not in text and not any(line.startswith("-") for line in text.splitlines())


def test_everything_that_is_needed_is_pinned():
    pinned = {canonicalize_name(p.name) for p in pins() if p.marker is None or p.marker.evaluate()}
    names = needed()
    assert len(names) > 100
    assert names - pinned == set()
