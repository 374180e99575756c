"""Forms of the bench in a notebook: fields and a button, or the same as text.

`notebook.open_bench` gives the bench; an entry goes the way that the phones' entries go. What a
field may hold stands in `bench_forms`; nothing is judged here.
"""

from __future__ import annotations

import uuid
from typing import TYPE_CHECKING, Any

from doughlab.errors import UnknownName
from doughlab.record.bench_desk import Bench
from doughlab.record.bench_forms import FORMS, Refused
from doughlab.record.bench_sent import read_sent
from doughlab.record.storage import NotStored

if TYPE_CHECKING:
    import ipywidgets

Json = dict[str, Any]


class EntryForm:
    """One form: filled in by hand on the laptop, or by code in a notebook that is checked.

    Parameters
    ----------
    bench : Bench
    action : str
        As of `doughlab record`, such as "reading".
    by : str
        Who enters.

    Raises
    ------
    UnknownName
        For an action that has no form.
    """

    def __init__(self, bench: Bench, action: str, *, by: str = "") -> None:
        if action not in FORMS or action == "score":
            raise UnknownName("form", action, [name for name in FORMS if name != "score"])
        self.bench, self.form, self.by = bench, FORMS[action], by
        self.fields: list[Json] = self.form.fields(bench.contents.settings)

    def save(self, about: str = "", **values: str) -> str:
        """Store what the fields hold, and say what came of it; nothing wrong is stored.

        Parameters
        ----------
        about : str
            Ball, batch, place or lot.
        **values : str
            By field; "ph#1" is written ph_1.
        """
        names = {str(f["name"]).replace("#", "_"): str(f["name"]) for f in self.fields}
        named = {names.get(k, k): v for k, v in values.items()}
        sent = {
            "id": str(uuid.uuid4()), "action": self.form.action, "about": about, "values": named,
            "at": self.bench.now.isoformat(), "by": self.by, "session": "",
        }  # fmt: skip
        try:
            found = self.bench.store(read_sent(sent))
        except Refused as error:
            labels = {f["name"]: f["label"] for f in self.fields} | {"about": self.form.about}
            lines = [f"{labels.get(k, k)}: {words}" for k, words in error.fields.items()]
            return "\n".join(["not saved", *(lines or [str(error)])])
        except NotStored as error:
            return f"not saved\n{error}"
        return "\n".join(["saved", *found["warnings"]])

    def widget(self) -> ipywidgets.VBox:
        """Build the fields and the button."""
        import ipywidgets as w

        style = {"description_width": "14em"}
        about = w.Text(description=self.form.about, style=style) if self.form.about else None
        boxes: dict[str, Any] = {}
        for f in self.fields:
            if f["kind"] == "choice":
                made = w.Dropdown(options=["", *f["choices"]], description=f["label"], style=style)
            else:
                made = w.Text(description=f["label"], style=style)
            boxes[str(f["name"])] = made
        save, said = w.Button(description="Save", button_style="primary"), w.HTML()

        def press(_: Any) -> None:
            from html import escape

            typed = {name: box.value for name, box in boxes.items() if box.value}
            words = self.save(about.value if about else "", **typed)
            said.value = escape(words).replace("\n", "<br>")
            if words.startswith("saved"):
                for box in boxes.values():
                    box.value = ""

        save.on_click(press)
        shown = [about] if about else []
        return w.VBox([*shown, *boxes.values(), save, said])

    def __str__(self) -> str:
        """Give title and fields with their ranges, as the widget has them."""
        lines = [self.form.title, *([f"  {self.form.about}"] if self.form.about else [])]
        for f in self.fields:
            ends = ""
            if f["kind"] == "number" and f.get("low") is not None:
                ends = f" ({f['low']:g} to {f['high']:g})"
            if f["kind"] == "choice":
                ends = f" ({', '.join(f['choices'])})"
            lines.append(f"  {f['label']}{ends}"[:80])
        return "\n".join(lines)

    __repr__ = __str__
