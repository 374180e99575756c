"""Forms in a notebook, stored as a phone's entry is, and the list of the day."""

import ipywidgets
import pytest

from doughlab.errors import UnknownName
from doughlab.record.bench_desk import Bench
from doughlab.record.bench_widgets import EntryForm
from doughlab.record.due import Due
from doughlab.record.due_list import DueList

from .conftest import rome


@pytest.fixture
def bench(hand):
    hand.mix("B01", "03-02T09:00")
    return Bench(hand.folder, clock=lambda: rome("03-03T09:50"))


def test_text_and_widget_have_the_same_fields(bench):
    form = EntryForm(bench, "reading")
    boxes = [w for w in form.widget().children if isinstance(w, ipywidgets.Text)]
    text = str(form).splitlines()
    assert text[0] == "Read pH"
    assert [w.description for w in boxes] == [line.strip().split(" (")[0] for line in text[1:]]


def test_what_is_typed_is_stored_by_the_button_and_the_fields_are_emptied(bench):
    box = EntryForm(bench, "reading", by="ada").widget()
    fields = {w.description: w for w in box.children if isinstance(w, ipywidgets.Text)}
    button = next(w for w in box.children if isinstance(w, ipywidgets.Button))
    said = box.children[-1]
    fields["Ball"].value = "B01-2"
    fields["pH, reading 1"].value = "56,2"
    button.click()
    assert said.value == (
        "not saved<br>pH, reading 1: 56.2 lies outside 4 to 7. A decimal point may be missing "
        "(5.62)."
    )
    assert fields["pH, reading 1"].value == "56,2"  # what is refused stays to be put right
    assert bench.contents.records.readings == []
    fields["pH, reading 1"].value = "5,62"
    button.click()
    assert said.value.startswith("saved")
    assert fields["pH, reading 1"].value == ""
    (row,) = bench.contents.records.readings
    assert (row["ball_id"], row["ph"], row["entered_by"]) == ("B01-2", 5.62, "ada")


def test_a_whole_refusal_is_said_and_markup_is_shown_as_text(bench):
    form = EntryForm(bench, "reading")
    assert form.save("B99-1", ph_1="5.4").startswith("not saved\nBall: ")
    box = form.widget()
    box.children[0].value = "<b>B01</b>"
    box.children[1].value = "5.4"
    next(w for w in box.children if isinstance(w, ipywidgets.Button)).click()
    assert "<b>" not in box.children[-1].value


def test_scores_have_no_form_here_since_judges_use_codes(bench):
    with pytest.raises(UnknownName, match=r"^form 'score' is not known\. Did you mean"):
        EntryForm(bench, "score")


def test_the_list_of_the_day_has_steps_and_warm_time_used(hand):
    hand.mix("B01", "03-02T09:00")
    hand.note("B01-2", "pulled", "03-03T08:15")
    todo = hand.open().due(at=rome("03-03T09:50"))
    assert isinstance(todo, list) and {type(d) for d in todo} == {Due}
    assert "B01-2: 2 h 35 of your 4 h at room temperature" in todo.watch
    lines = repr(todo).splitlines()
    assert "watch   B01-2: 2 h 35 of your 4 h at room temperature" in lines
    assert max(map(len, lines)) <= 80
    assert "<td>B01-2" in todo._repr_html_()


def test_an_empty_day_says_so_and_a_long_one_is_cut():
    assert repr(DueList()) == "nothing is due"
    many = DueList([Due(f"B{i}", "mix", rome("03-02T09:00"), False) for i in range(20)])
    assert repr(many).splitlines()[-1] == "and 8 more"
    assert "&lt;b&gt;" in DueList([], ["<b>"])._repr_html_()
