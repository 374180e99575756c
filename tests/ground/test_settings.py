"""Settings: trial.toml is read whole, and everything wrong in it is said at once."""

import re

import pytest

from doughlab.errors import InputError, UnknownName
from doughlab.settings import find_line, parse_settings, read_settings

GOOD = """format = 1
name = "Two waters"
code = "TW"
timezone = "Europe/Rome"

[[questions]]
text = "Which water?"
factor = "water"
response = "ph"
contrast = "vs:tap"

[[questions]]
text = "How long?"
factor = "hold"
response = "bake"
primary = false

[factors.water]
set = "batch"
kind = "water"
levels = ["tap", "ro"]

[factors.hold]
set = "ball"
kind = "number"
unit = "h"
levels = [24, "2 days"]

[responses.ph]
table = "readings"
column = "ph"
unit = "ph"
margin = 0.1
low = 4
high = 7
use_hold_h = 48

[responses.bake]
table = "scores"
column = "score"
kind = "score"
margin = 1

[window]
low = 5.35
high = 5.75

[blocks]
days = 2
replicates = 2
start_on = "2026-03-02"

[kitchen]
open_at = "09:00"
close_at = "21:00"
closed = ["Mon"]

[panel]
judges = ["ada", "ben"]

[rubric.crust]
low = 0
high = 10
weight = 2

[rubric.crumb]
low = 0
high = 10

[limits]
warm_h = 4
max_hold_h = 96

[assumed.ph]
batch_sd = 0.05
ball_sd = 0.03
"""


def said(*changes, more=""):
    """The sentences for the good file with texts exchanged."""
    text = GOOD
    for old, new in changes:
        assert old in text
        text = text.replace(old, new, 1)
    settings, problems = parse_settings(text + more)
    assert (settings is None) == any(p.level == "error" for p in problems)
    return [str(p) for p in problems]


def test_a_good_file_has_no_problem():
    settings, problems = parse_settings(GOOD)
    assert problems == []
    assert settings.factor("hold").values == (24.0, 48.0)
    assert settings.factor("hold").levels == ("24", "2 days")
    assert settings.hold.column == "hold_h"
    assert settings.questions[0].reference == "tap"
    assert settings.kitchen.closed == ("Mon",)
    assert settings.response("ph").purpose == "ph"
    assert settings.response("bake").purpose == "bake"
    assert settings.assumed["ph"].batch_sd == 0.05
    assert settings.table("balls").names[-1] == "hold_h"
    assert settings.table("batches").column("water").allowed == ("tap", "ro")


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        ('code = "TW"', 'code = "tw!"', "trial.toml, column code: code 'tw!' must be 2 to 8 "
         "of A-Z and 0-9, a letter first: it stands on labels."),
        ('name = "Two waters"\n', "", "trial.toml, column name: 'name' is missing. What people "
         "call this trial."),
        ("Europe/Rome", "Europe/Roma", "trial.toml, column timezone: timezone 'Europe/Roma' "
         "is not known. Write it like 'Europe/Rome'."),
        ("days = 2", "dasy = 2", "trial.toml, column blocks.dasy: key 'dasy' is not known. "
         "Did you mean 'days'? Known: batches_per_day, days, kind, replicates, spares, start_on, "
         "water_lots."),
        ("days = 2", "days = 0", "trial.toml, column blocks.days: days 0 lies outside 1 to "
         "60."),
        ("days = 2", "days = true", "trial.toml, column blocks.days: days must be one "
         "value; found True."),
        ("days = 2", "days = [2]", "trial.toml, column blocks.days: days must be one "
         "value; found [2]."),
        ('"2026-03-02"', '"Monday"', "trial.toml, column blocks.start_on: start_on "
         "'Monday' is not a day. Write it like 2026-03-02."),
        ('"09:00"', '"9 am"', "trial.toml, column kitchen.open_at: open_at '9 am' is not a "
         "time of day. Write it like 09:00."),
        ('"09:00"', '"22:00"', "trial.toml, column kitchen.close_at: close_at must lie "
         "after open_at on the same day."),
        ('closed = ["Mon"]', 'closed = "Mon"', "trial.toml, column kitchen.closed: closed "
         "must be a list in [ ]; found 'Mon'."),
        ('closed = ["Mon"]', 'closed = ["Monday"]', "trial.toml, column kitchen.closed: "
         "closed 'Monday': write days with three letters: \"Mon\"."),
        ('factor = "hold"', 'factor = "holt"', "trial.toml, column questions.factor: factor "
         "'holt' is not known. Did you mean 'hold'? Known: hold, water."),
        ('response = "bake"', 'response = "bakes"', "trial.toml, column "
         "questions.response: response 'bakes' is not known. Did you mean 'bake'? Known: bake, "
         "ph."),
        ('"vs:tap"', '"vs:top"', "trial.toml, column questions.contrast: level of water "
         "'top' is not known. Did you mean 'tap'? Known: ro, tap."),
        ('"vs:tap"', '"slope"', "trial.toml, column questions.contrast: a slope needs a "
         "number; 'water' is a water. Use \"pairs\"."),
        ('"vs:tap"', '"versus"', "trial.toml, column questions.contrast: contrast 'versus' "
         "is not known. Known: pairs, slope, vs:<level>."),
        ("primary = false", 'primary = "no"', "trial.toml, column questions.primary: "
         "primary must be true or false; found 'no'."),
        ('["tap", "ro"]', '["tap"]', "trial.toml, column factors.water: factor 'water' has "
         "1 level. Give two or more to compare."),
        ('["tap", "ro"]', '["tap", "tap"]', "trial.toml, column factors.water: factor "
         "'water' names a level twice."),
        ('[24, "2 days"]', '[24, "1440 min"]', "trial.toml, column factors.hold: factor "
         "'hold' names a level twice."),
        ('[24, "2 days"]', "[24, 1440]", "trial.toml, column factors.hold: hold 1440 lies "
         "outside 0 to 240 h. 1440 looks like minutes; that is 24 h. Type 1440 min if that is "
         "meant."),
        ('[24, "2 days"]', "[48, 120]", "trial.toml, column factors.hold.levels: hold 120 "
         "lies above 96 h. Take the level away, or raise max_hold_h in [limits]."),
        ("[factors.hold]", "[factors.Hold]", "trial.toml, column factors.Hold: 'Hold' "
         "cannot be a column name: use small letters, digits and _."),
        ("[factors.water]", "[factors.order]", "trial.toml, column factors.order: 'order' "
         "is a column of plan/batches.csv already. Choose another name."),
        ('unit = "h"', 'unit = "hours"', "trial.toml, column factors.hold.unit: unit "
         "'hours' is not known. Known: days, deg, g, h, kg, l, lb, mg and 18 more."),
        ("margin = 0.1", "margin = 0", "trial.toml, column responses.ph.margin: margin 0 "
         "lies outside 1e-09 to 1000000000."),
        ("margin = 0.1\n", "", "trial.toml, column responses.ph.margin: 'margin' is "
         "missing. The smallest difference that matters."),
        ("use_hold_h = 48", "use_hold_h = 36", "trial.toml, column "
         "responses.ph.use_hold_h: use_hold_h 36 is not a tried hold (24, 2 days). Choose one of "
         "them."),
        ("low = 4\n", "low = 8\n", "trial.toml, column responses.ph.low: low must lie "
         "under high."),
        ('column = "ph"', 'column = "note"', "trial.toml, column responses.ph.column: "
         "column 'note' does not hold numbers."),
        ('table = "scores"', 'table = "bakes"', "trial.toml, column responses.bake.table: a "
         "score stands in table = \"scores\", column = \"score\"."),
        ('column = "score"', 'column = "scoer"', "trial.toml, column responses.bake.column: a "
         "score stands in table = \"scores\", column = \"score\"."),
        ('column = "score"', 'column = "score"\nhigh = 5', "trial.toml, column "
         "responses.bake.high: high 5 is not that of the rubric. Write high = 10."),
        ("low = 5.35", "low = 5.9", "trial.toml, column window.low: low must lie under "
         "high."),
        ('["ada", "ben"]', '["ada", "ada"]', "trial.toml, column panel.judges: a judge is "
         "named twice."),
        ("high = 10\nweight = 2", "high = 5\nweight = 2", "trial.toml, column "
         "rubric.crumb.high: goes from 0 to 10, 'crust' from 0 to 5. Give all criteria one range, "
         "so that their mean means one thing."),
        ("[assumed.ph]", "[assumed.pH]", "trial.toml, column assumed.pH: 'pH' cannot be a "
         "column name: use small letters, digits and _."),
        ("[assumed.ph]", "[assumed.bakes]", "trial.toml, column assumed.bakes: response "
         "'bakes' is not known. Did you mean 'bake'? Known: bake, ph."),
        ("format = 1", "format = 2", "trial.toml, column format: format 2 is newer than this "
         "doughlab reads (1). Update doughlab."),
        ("format = 1", "format = true", "trial.toml, column format: format must be 1; found "
         "True."),
        ("format = 1\n", "", "trial.toml, column format: format must be 1; found None."),
        ("[[questions]]", "[questions]", None),
    ],
)  # fmt: skip
def test_one_thing_wrong_is_said_whole(old, new, sentence):
    found = said((old, new))
    if sentence is None:
        assert found and all(f.startswith("trial.toml") for f in found)
        return
    bare = [re.sub(r", row \d+", "", f) for f in found]
    assert sentence in bare
    follows = old.startswith("[factors.")  # who names the factor says so too
    assert len(bare) == 1 or follows


def test_the_line_is_that_of_the_section_it_means():
    found = said(('factor = "hold"', 'factor = "holt"'), ('"vs:tap"', '"vs:top"'))
    lines = GOOD.splitlines()
    rows = [int(f.split("row ")[1].split(",")[0]) for f in found]
    assert lines[rows[0] - 1] == 'contrast = "vs:tap"'
    assert lines[rows[1] - 1] == 'factor = "hold"'


def test_everything_wrong_is_said_in_one_go():
    found = said(
        ('code = "TW"', 'code = "tw"'),
        ('factor = "hold"', 'factor = "holt"'),
        ("days = 2", "days = 200"),
        ('["ada", "ben"]', '["ada", "ada"]'),
    )
    assert len(found) == 4


def test_a_factor_that_cannot_be_read_is_not_called_unknown_as_well():
    found = said(('["tap", "ro"]', '["tap"]'), more='\n[[forbidden]]\nwater = "tap"\n')
    assert len(found) == 1


def test_at_most_three_questions_are_primary():
    one = '\n[[questions]]\ntext = "x"\nfactor = "water"\nresponse = "ph"\n'
    assert len(said(more=one * 2)) == 0
    (sentence,) = said(more=one * 3)
    assert sentence.endswith(
        "at most three primary questions: each further one weakens all. Set primary = false on "
        "the others."
    )


def test_a_score_needs_criteria():
    text = GOOD[: GOOD.index("[rubric.crust]")] + GOOD[GOOD.index("[limits]") :]
    _, problems = parse_settings(text)
    assert [p.message for p in problems] == [
        "a score needs criteria: add [rubric.<name>] sections."
    ]


def test_forbidden_combinations_name_known_levels():
    assert said(more='\n[[forbidden]]\nwater = "ro"\nhold = 24\n') == []
    (sentence,) = said(more='\n[[forbidden]]\nwater = "rro"\n')
    assert "level of water 'rro' is not known. Did you mean 'ro'?" in sentence
    (sentence,) = said(more='\n[[forbidden]]\nwatr = "ro"\n')
    assert "factor 'watr' is not known. Did you mean 'water'?" in sentence


@pytest.mark.parametrize("number", range(len(GOOD.splitlines())))
def test_junk_in_any_line_is_named_with_that_line(number):
    """A value of a shape that no key takes, in every line that has a key."""
    lines = GOOD.splitlines()
    if "=" not in lines[number]:
        return
    lines[number] = lines[number].split("=")[0] + "= {junk = 1}"
    settings, problems = parse_settings("\n".join(lines))
    assert settings is None
    assert number + 1 in [p.row for p in problems]


@pytest.mark.parametrize("text", ["format = ", "[a", "format = 1\nformat = 1", "\x00", "a = '''"])
def test_what_is_not_toml_is_said_with_its_line(text):
    settings, problems = parse_settings(text)
    assert settings is None
    assert problems[0].message.startswith("cannot be read: ")


def test_reading_a_file_raises_with_every_problem(tmp_path):
    path = tmp_path / "trial.toml"
    with pytest.raises(InputError, match=r"does not exist, so this is no trial folder\."):
        read_settings(path)
    path.write_bytes(b"name = 'K\xfcche'")
    with pytest.raises(InputError, match=r"trial.toml: not UTF-8 text. Save it as UTF-8."):
        read_settings(path)
    path.write_text(GOOD.replace("days = 2", "days = 99").replace('"TW"', '"t"'))
    with pytest.raises(InputError) as caught:
        read_settings(path)
    assert len(caught.value.problems) == 2
    path.write_text("\ufeff" + GOOD, encoding="utf-8")
    assert read_settings(path).name == "Two waters"


def test_names_are_looked_up_with_the_nearest():
    settings, _ = parse_settings(GOOD)
    with pytest.raises(UnknownName, match=r"response 'pH' is not known"):
        settings.response("pH")
    with pytest.raises(UnknownName, match=r"factor 'waters' is not known. Did you mean 'water'"):
        settings.factor("waters")


def test_lines_are_found_by_section_and_key():
    lines = GOOD.splitlines()
    assert lines[find_line(lines, "questions", "text", nth=1) - 1] == 'text = "How long?"'
    assert lines[find_line(lines, "rubric.crumb", "high") - 1] == "high = 10"
    assert lines[find_line(lines, "window") - 1] == "[window]"
    assert find_line(lines, "nowhere", "x") is None
