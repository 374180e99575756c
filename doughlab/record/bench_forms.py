"""The forms of the bench: which fields each entry has, and the words that it becomes.

`bench_desk` sends the forms to the page, which checks what is typed by them, and turns what comes
back into the words of `doughlab record`. Ranges and units come from the tables; nothing is judged
here beyond what a single field can hold.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from doughlab.cells import Column
from doughlab.errors import DoughlabError, InputError
from doughlab.plan.meters import is_meter_study
from doughlab.record.method import tell_steps
from doughlab.units import format_quantity

if TYPE_CHECKING:
    from doughlab.record.folder import TrialFolder
    from doughlab.settings import Settings

Json = dict[str, Any]
_PLAIN = re.compile(r"[-+−]?[0-9]+(?:[.,][0-9]+)?")
_MARK = "#"
LONGEST = 2000
# On the phone a field must say by itself what is meant; sheets have room for it elsewhere.
LABELS = {
    ("calibrations", "slope_pct"): "Slope that the meter shows, %",
    ("bakes", "core_temp_c"): "Core of the dough, before the oven",
    ("notes", "at"): "Out at; empty means now",
    ("readings", "read_at"): "Read at; empty means now",
    ("bakes", "baked_at"): "Baked at; empty means now",
}
_HINTS = {"core_temp_c": "This is the dough before the oven, not the baked bread."}
_PLACES = ("cooler", "room")


class Refused(DoughlabError):  # noqa: N818
    """An entry that was not stored: the whole sentence, and what to say beside which field."""

    def __init__(self, words: str, fields: Mapping[str, str] | None = None) -> None:
        super().__init__(words)
        self.fields = dict(fields or {})


class FieldErrors(InputError):  # noqa: N818
    """What is wrong with single fields, by field name."""

    def __init__(self, fields: Mapping[str, str]) -> None:
        super().__init__("\n".join(fields.values()))
        self.fields = dict(fields)


@dataclass(frozen=True)
class Form:
    """One kind of entry.

    Attributes
    ----------
    action : str
        As of `doughlab record`.
    table : str
        Where it is stored.
    title : str
        On its button.
    about : str
        What the first field asks for; empty where there is none.
    columns : tuple of str
        Fields, by column of the table.
    needs : tuple of str
        Fields that may not stay empty.
    later : tuple of str
        Fields that few entries need: the page shows them on request.
    """

    action: str
    table: str
    title: str
    about: str
    columns: tuple[str, ...] = ()
    needs: tuple[str, ...] = ()
    later: tuple[str, ...] = ()

    def field_of(self, column: str) -> str:
        """Give the field that shows a problem of a column; empty where none does.

        Examples
        --------
        >>> FORMS["reading"].field_of("ph"), FORMS["reading"].field_of("ball_id")
        ('ph#1', 'about')
        """
        if column == "ph" and self.action == "reading":
            return f"ph{_MARK}1"
        if column in self.columns:
            return column
        return (
            "about"
            if column in {"ball_id", "batch_id", "about", "place", "lot_id", "trainee"}
            else ""
        )

    def words_of(self, trial: TrialFolder, about: str, values: Mapping[str, str]) -> list[str]:
        """Turn fields into the words of `doughlab record`.

        Raises
        ------
        FieldErrors
            With what is wrong beside which field.
        """
        fields = {f["name"]: f for f in self.fields(trial.settings)}
        wrong: dict[str, str] = {}
        words = [about] if self.about else []
        for name, typed in values.items():
            text, field = typed.strip(), fields.get(name)
            if not text:
                continue
            if field is None:
                wrong[name] = "This field is not known here. Open the page again."
                continue
            try:
                words += _words(self, field, text, trial.settings)
            except InputError as error:
                wrong[name] = str(error)
        if self.action == "score" and len(words) < 3 and not wrong:
            first = next((n for n, f in fields.items() if f["kind"] == "number"), "judge")
            wrong[first] = "Still empty."
        for name in self.needed(trial.settings):
            if not any(f.startswith(name) and values.get(f, "").strip() for f in fields):
                first = next(f for f in fields if f.startswith(name))
                wrong.setdefault(first, "Still empty.")
        if wrong:
            raise FieldErrors(wrong)
        if self.action == "score":
            judge = next((w for w in words if w.startswith("judge=")), "")
            words = [about, judge.removeprefix("judge="), *[w for w in words[1:] if w != judge]]
        return words

    def needed(self, settings: Settings) -> tuple[str, ...]:
        """List the fields that may not stay empty; in a meter study the meter is one of them."""
        study = self.action == "reading" and is_meter_study(settings)
        return (*self.needs, "instrument") if study else self.needs

    def shown(self, settings: Settings) -> list[Json]:
        """List the fields as the page shows them: labels that say by themselves what is meant."""
        later = set(self.later) - {r.column for r in settings.responses.values()}
        out = []
        for f in self.fields(settings):
            name = str(f["name"])
            title = LABELS.get((self.table, name))
            if title:
                _, comma, unit = str(f["label"]).partition(", °")
                f = f | {"label": f"{title}{comma}{unit}"}
            if self.action == "consent":
                f = f | {"label": "Allergies, or none; and yes or no to tasting"}
            if name in _HINTS:
                f = f | {"hint": _HINTS[name]}
            out.append(f | {"later": True} if name in later else f)
        return out

    def fields(self, settings: Settings) -> list[Json]:
        """List the fields with label, unit, range and choices: sheets and notebooks take these."""
        if self.action == "score":
            judges = list(settings.panel.judges)
            first = {"name": "judge", "label": "Judge", "kind": "choice", "choices": judges}
            return [first, *[_criterion(c) for c in settings.rubric.values() if c.weight > 0]]
        table = settings.table(self.table)
        out = []
        if self.action == "calibration":
            out = [_buffer(name, shown) for name, shown in _buffers(settings)]
        for name in self.columns:
            column = table.column(name)
            if name == "ph" and self.action == "reading":
                count = settings.reading_method.readings_per_ball
                if is_meter_study(settings):  # one person with one meter at a time
                    count = 1
                    meters = list(settings.plan.meters)
                    out.append({"name": "instrument", "label": "Meter", "kind": "choice",
                                "choices": meters})  # fmt: skip
                shown = _field(column, settings)
                at = len(out)
                out += [{**shown, "name": f"ph{_MARK}{i}", "label": f"pH, reading {i}"}
                        for i in range(1, count + 1)]  # fmt: skip
                out[at]["help"] = tell_steps(settings.reading_method)
            else:
                out.append(_field(column, settings))
        return out


FORMS: dict[str, Form] = {
    form.action: form
    for form in (
        Form("mix", "mixes", "Mix", "Batch",
             ("mixed_at", "balled_at", "cooled_at", "room_temp_c", "flour_temp_c", "water_temp_c",
              "dough_temp_c", "mix_min", "water_ph_before", "acid", "acid_g", "since_dosing_min",
              "vessel", "water_ph", "flour_lot", "water_lot", "preferment_lot",
              "preferment_temp_c", "note"), (),
             ("mix_min", "water_ph_before", "acid", "acid_g", "since_dosing_min", "vessel",
              "water_ph", "flour_lot", "water_lot", "preferment_lot", "preferment_temp_c", "note")),
        Form("pulled", "notes", "Taken out", "Ball", ("at",)),
        Form("reading", "readings", "Read pH", "Ball",
             ("ph", "sample_temp_c", "acidity_ml", "read_at", "note"), ("ph",),
             ("acidity_ml", "read_at", "note")),
        Form("bake", "bakes", "Bake", "Ball",
             ("core_temp_c", "oven_temp_c", "bake_s", "baked_at", "note"), (),
             ("bake_s", "baked_at", "note")),
        Form("score", "scores", "Score", "Code"),
        Form("temperature", "temperatures", "Temperature", "Place", ("temp_c", "note"),
             ("temp_c",)),
        Form("calibration", "calibrations", "Buffers", "", ("temp_c", "slope_pct", "settle_s",
              "note"), (), ("buffer#phosphate", "buffer#borax", "settle_s", "note")),
        Form("lot", "lots", "Lot", "Lot", ("kind", "water_id", "ph", "note"), ("kind",)),
        Form("note", "notes", "Note", "Ball, batch or day", ("note",), ("note",)),
        Form("lost", "notes", "Lost", "Ball", ("note",), ("note",)),
        Form("consent", "notes", "Allergies, consent", "Judge", ("note",), ("note",)),
        Form("trainee", "trainees", "Trainee beside", "Trainee",
             ("kind", "trainee_value", "experienced_value", "experienced", "note"),
             ("kind", "trainee_value", "experienced_value")),
        Form("care", "notes", "Care of the meter", "", ("note",), ("note",)),
    )
}  # fmt: skip


def build_forms(
    settings: Settings, *, places: Iterable[str] = (), preferment: bool = True
) -> list[Json]:
    """Describe every form for the page.

    Parameters
    ----------
    settings : Settings
    places : iterable of str
        Where temperatures were taken before: offered as one tap.
    preferment : bool
        Whether the formula has one; its temperature is not asked for otherwise.
    """
    scored = any(r.kind == "score" for r in settings.responses.values())
    known = {
        "temperature": list(dict.fromkeys([*_PLACES, *places]))[:6],
        "consent": list(settings.panel.judges), "trainee": list(settings.training.trainees),
    }  # fmt: skip
    return [
        {"action": f.action, "title": f.title, "about": f.about, "needs": list(f.needed(settings)),
         "known": known.get(f.action, []), "longest": LONGEST,
         "fields": asked_fields(f.shown(settings), preferment=preferment)}
        for f in FORMS.values()
        if (f.action not in {"score", "consent"} or scored)
        and (f.action != "trainee" or settings.training.trainees)
    ]  # fmt: skip


def asked_fields(fields: Sequence[Json], *, preferment: bool) -> list[Json]:
    """Leave out what is asked for only where the formula has a preferment.

    Examples
    --------
    >>> asked_fields([{"name": "water_temp_c"}, {"name": "preferment_temp_c"}], preferment=False)
    [{'name': 'water_temp_c'}]
    """
    return [f for f in fields if preferment or f["name"] != "preferment_temp_c"]


def _criterion(criterion: Any) -> Json:
    return {
        "name": criterion.name, "label": criterion.title or criterion.name.replace("_", " "),
        "kind": "number", "low": criterion.low, "high": criterion.high, "unit": "",
        "help": criterion.words,
    }  # fmt: skip


def _buffers(settings: Settings) -> list[tuple[str, str]]:
    """List the buffers that the form offers: own bottles first; name and what is shown."""
    own = [(b.name, b.name) for b in settings.buffers.values()]
    common = [("4", "4"), ("7", "7"), ("10", "10"), ("phosphate", "6.86"), ("borax", "9.18")]
    return [*own, *common]


def _buffer(name: str, shown: str) -> Json:
    return {"name": f"buffer{_MARK}{name}", "label": f"Buffer {shown} shows, mV", "kind": "number",
            "low": -600, "high": 600, "unit": ""}  # fmt: skip


def _field(column: Column, settings: Settings) -> Json:
    """Describe one column; temperatures in the unit that the trial shows."""
    kind = {"datetime": "time", "number": "number", "integer": "number"}.get(column.kind, "text")
    field: Json = {"name": column.name, "label": column.title, "kind": kind}
    if column.name == "experienced" and settings.training.experienced:
        return field | {"kind": "choice", "choices": list(settings.training.experienced)}
    if column.kind == "choice":
        return field | {"kind": "choice", "choices": list(column.allowed)}
    if kind != "number":
        return field
    low, high, unit = column.low, column.high, column.unit
    show = settings.show_temperature
    if unit == "temp_c":
        if show == "F":
            low, high = (None if v is None else v * 1.8 + 32.0 for v in (low, high))
        field["label"] = f"{column.title}, °{show}"
    elif unit and unit != "ph":
        field["label"] = f"{column.title}, {format_quantity(1.0, unit).partition(' ')[2]}"
    return field | {"low": low, "high": high, "unit": unit}


def _words(form: Form, field: Json, text: str, settings: Settings) -> list[str]:
    """Write one field as a word of `doughlab record`."""
    name = str(field["name"])
    base, _, number = name.partition(_MARK)
    if field["kind"] in {"time", "choice", "text"}:
        if field["kind"] == "choice" and text not in field["choices"]:
            raise InputError(f"'{text[:40]}' is not one of {', '.join(field['choices'])}.")
        return [f"{base}={text}"]
    if "=" in text or "\n" in text:
        raise InputError(f"'{text[:20]}' is not a number. Type it again.")
    if base == "buffer":
        if not _PLAIN.fullmatch(text):
            raise InputError(f"'{text[:20]}' is not a number of millivolts. Type it again.")
        return [f"{number}={text}mV"]
    if form.action == "score":
        value = _score(text)
        if value is None or not field["low"] <= value <= field["high"]:
            ends = f"{field['low']:g} to {field['high']:g}"
            raise InputError(f"'{text[:20]}' is no score from {ends}. Type it again.")
        return [f"{base}={text}"]
    if field["unit"] == "temp_c" and settings.show_temperature == "F" and _PLAIN.fullmatch(text):
        text = f"{text} F"
    settings.table(form.table).column(base).read(text)
    return [text] if number else [f"{base}={text}"]


def _score(text: str) -> float | None:
    return float(text.replace(",", ".")) if _PLAIN.fullmatch(text) and "−" not in text else None
