"""`doughlab new`: answers as a cook types them, and refusals that say the next step."""

import builtins

import pytest

from doughlab.cli import main
from doughlab.commands.answers import (
    Margins,
    is_unknown,
    read_dough,
    read_factors,
    read_kitchen,
    read_margins,
    read_meter,
    read_waters,
    read_window,
)
from doughlab.errors import InputError


@pytest.mark.parametrize("said", ["dunno", "Dunno!", "I dunno", "no clue", "I'm not sure."])
def test_not_knowing_has_many_words(said):
    assert is_unknown(said)


@pytest.mark.parametrize(
    ("said", "hours"),
    [("10am-10pm", ("10:00", "22:00")), ("open 9 am to 9.30 pm", ("09:00", "21:30")),
     ("9-21", ("09:00", "21:00")), ("from 08:15 to 20:45", ("08:15", "20:45"))],
)  # fmt: skip
def test_hours_of_half_a_day_are_understood(said, hours):
    kitchen = read_kitchen(said)
    assert (kitchen.open_at, kitchen.close_at) == hours


@pytest.mark.parametrize("said", ["13pm-14", "9-25", "10:75-12"])
def test_hours_that_no_clock_shows_are_refused(said):
    with pytest.raises(InputError, match=r"is no time of the day\. Say it like: 9-21"):
        read_kitchen(said)


def test_a_count_may_be_a_word():
    kitchen = read_kitchen("two mixers, 90 places, six an hour")
    assert (kitchen.mixers, kitchen.cooler_places, kitchen.oven_slots_per_h) == (2, 90, 6)


@pytest.mark.parametrize(
    "said",
    ["1 mixer, 120 places, oven 8 an hour, 9-21", "one mixer, cooler 120, oven: 8 per hour, 9-21",
     "1 mixer, 120 balls in the cooler, 8 pizzas an hour, 9-21",
     "1, cooler holds 120, oven bakes 8 an hour, 9-21"],
)  # fmt: skip
def test_oven_and_cooler_may_be_named(said):
    kitchen = read_kitchen(said)
    assert (kitchen.mixers, kitchen.cooler_places, kitchen.oven_slots_per_h) == (1, 120, 8)


@pytest.mark.parametrize("said", ["oven 8", "cooler 8 an hour", "oven", "8 in the pantry"])
def test_an_oven_without_an_hour_is_refused(said):
    with pytest.raises(InputError) as refused:
        read_kitchen(said)
    assert str(refused.value) == (
        f"'{said}' was not understood. Say it like: 1 mixer, 120 places, 6 an hour, 9-21, closed "
        "Mondays"
    )


@pytest.mark.parametrize(
    ("said", "margins"),
    [("0,1 pH", Margins(ph=0.1)), ("0.05 pH, 2 points of 10", Margins(0.05, 2.0)),
     ("pH 0.10, score 1", Margins(0.1, 1.0)), ("1 score, 0.2", Margins(0.2, 1.0))],
)  # fmt: skip
def test_a_difference_may_stand_before_its_name(said, margins):
    assert read_margins(said) == margins


def test_a_difference_with_two_names_is_refused():
    with pytest.raises(InputError, match="was not understood"):
        read_margins("pH 1 points")


def test_a_range_is_answered_with_settings():
    with pytest.raises(InputError, match=r"looks like a range\. .*compare: hold 24, 72 h"):
        read_factors("hold 24-72 h")


@pytest.mark.parametrize("said", ["tap tap", "tap, Tap", "spring water spring water, tap"])
def test_one_water_twice_is_no_second_water(said):
    with pytest.raises(InputError, match=r"was named twice\. Name each once"):
        read_waters(said)


def test_a_file_is_no_trial_and_nothing_is_asked(tmp_path, monkeypatch, capsys):
    file = tmp_path / "trial.toml"
    file.write_text("", encoding="utf-8")

    def asked(prompt=""):
        raise AssertionError("a question was asked")

    monkeypatch.setattr(builtins, "input", asked)
    for target in (file, file / "inner"):
        assert main(["new", str(target)]) == 1
        said = " ".join(capsys.readouterr().err.split())
        assert "is a file, and a trial is a folder. Name a new folder: doughlab new" in said


def test_a_stop_while_asked_says_that_nothing_was_written(tmp_path, monkeypatch, capsys):
    def stop(prompt=""):
        raise KeyboardInterrupt

    monkeypatch.setattr(builtins, "input", stop)
    assert main(["new", str(tmp_path / "t")]) == 1
    said = " ".join(capsys.readouterr().err.split())
    assert "stopped: no file was written" in said
    assert not (tmp_path / "t").exists()


@pytest.mark.parametrize(
    ("said", "understood"),
    [("city dough 9 oz balls, about 24 per batch", "city dough, balls of 9 oz, 24 a batch"),
     ("city dough; 9oz; 24", "city dough, balls of 9oz, 24 a batch"),
     ("pan, 9 oz balls, two dozen a batch", "pan, balls of 9 oz, 24 a batch"),
     ("pan dough 24 balls of 1 lb 2 oz", "pan dough, balls of 1 lb 2 oz, 24 a batch"),
     ("two day dough, 250g each", "two day dough, balls of 250 g")],
)  # fmt: skip
def test_a_dough_is_understood_as_it_is_said(said, understood):
    assert str(read_dough(said)) == understood


def test_ounces_are_grams_by_the_avoirdupois_ounce():
    """28.349523125 g exactly: NIST Handbook 44 (2023), appendix C."""
    assert read_dough("9 oz").ball_g == pytest.approx(9 * 28.349523125, rel=1e-12)


@pytest.mark.parametrize(
    ("said", "waters"),
    [("tap and filtered, and distilled", {"tap": "tap", "filtered": "filtered", "distilled": ""}),
     ("tap,filter,spring", {"tap": "tap", "filter": "filtered", "spring": "bottled"}),
     ("tap water; a gallon jug", {"tap": "tap", "a gallon jug": "bottled"}),
     ("tap/RO", {"tap": "tap", "RO": "reverse osmosis"})],
)  # fmt: skip
def test_waters_are_parted_as_they_are_said(said, waters):
    assert read_waters(said) == waters


@pytest.mark.parametrize("said", [",", "and", " ; "])
def test_no_water_is_named(said):
    with pytest.raises(InputError, match=r"names no water\. Say it like: tap, bottled"):
        read_waters(said)


@pytest.mark.parametrize(
    ("said", "levels"),
    [("mixing water 55F or 65F, hold 24 or 48 hours",
      {"water_temp_c": ("55 F", "65 F"), "hold": ("24", "48")}),
     ("hold one, two and three days", {"hold": ("1 day", "2 days", "3 days")}),
     ("hydration 60 or 65 % and hold 24,48,72 h",
      {"hydration": ("60", "65"), "hold": ("24", "48", "72")}),
     ("mixing water 55F 65F; hold 24h 48h",
      {"water_temp_c": ("55 F", "65 F"), "hold": ("24", "48")}),
     ("hold 24, 48 h, flour strong or soft", {"hold": ("24", "48"), "flour": ("strong", "soft")}),
     ("flour strong, soft, hold 1 or 2 days",
      {"flour": ("strong", "soft"), "hold": ("1 day", "2 days")}),
     ("ball 9 oz or 1 lb 2 oz", {"ball_g": ("9 oz", "1 lb 2 oz")}),
     ("hydration 60,5 or 65", {"hydration": ("60.5", "65")})],
)  # fmt: skip
def test_what_is_varied_needs_no_semicolon(said, levels):
    assert {f.name: f.levels for f in read_factors(said)} == levels


@pytest.mark.parametrize(
    ("said", "margins"),
    [("half a point", Margins(score=0.5)), ("pH 1/10, one point", Margins(0.1, 1.0)),
     ("1/2 point", Margins(score=0.5))],
)  # fmt: skip
def test_a_difference_may_be_a_fraction(said, margins):
    assert read_margins(said) == margins


def test_a_window_has_two_ends_in_any_order():
    assert read_window("from 5.8 down to 5,4") == (5.4, 5.8)
    for said, why in [("5.4", "5.4 is one end only. Say both ends: 5.35 to 5.75"),
                      ("5.4 - 5.4", "Both ends are 5.4. Say it like: 5.35 to 5.75")]:  # fmt: skip
        with pytest.raises(InputError) as refused:
            read_window(said)
        assert str(refused.value) == why


@pytest.mark.parametrize(
    ("said", "why"),
    [("11-10", "10:00 does not lie after 11:00. If the evening is meant: 11:00 to 22:00"),
     ("5pm-12am", "00:00 does not lie after 17:00. For a kitchen open past midnight write the end "
                  "of the day: 17:00 to 23:59"),
     ("18-2", "02:00 does not lie after 18:00. For a kitchen open past midnight write the end of "
              "the day: 18:00 to 23:59")],
)  # fmt: skip
def test_hours_that_end_too_early_say_what_was_meant(said, why):
    with pytest.raises(InputError) as refused:
        read_kitchen(said)
    assert str(refused.value) == why


def test_a_kitchen_needs_no_comma_before_its_closed_days():
    kitchen = read_kitchen("one spiral mixer, 60 places, 8 an hour, 11am-10pm closed mon")
    assert (kitchen.mixers, kitchen.close_at, kitchen.closed) == (1, "22:00", ("Mon",))


@pytest.mark.parametrize(
    ("said", "meter"),
    [("yes cheap one 0.1, I have buffer 4 and 7", ("slurry", 0.1, "4 and 7")),
     ("yes, 0,01, with buffers: 4 and 7", ("slurry", 0.01, "4 and 7")),
     ("spear probe, 0.02 pH", ("direct", 0.02, "")), ("no", ("strip", 0.5, ""))],
)  # fmt: skip
def test_a_meter_is_understood_as_it_is_said(said, meter):
    found = read_meter(said)
    assert (found.kind, found.resolution, found.buffers) == meter


def _begin(tmp_path, monkeypatch, typed):
    """Answer the questions in turn; nobody answers after the last one."""
    left = iter(typed)

    def hear(prompt=""):
        try:
            return next(left)
        except StopIteration:
            raise EOFError from None

    monkeypatch.setattr(builtins, "input", hear)
    return main(["new", str(tmp_path / "our dough")])


def test_what_was_understood_is_said_again(tmp_path, monkeypatch, capsys):
    typed = ["city dough, 9 oz balls", "", "tap, filter", "hold 1, 2 days", "5,8 to 5.4", "",
             "1 mixer, 60 places, 11am-10pm", "no"]  # fmt: skip
    assert _begin(tmp_path, monkeypatch, typed) == 0
    said = capsys.readouterr().out
    assert said.startswith(
        "understood: city dough, balls of 9 oz\n"
        "  waters: tap (tap), filter (filtered)\n"
        "  varied: hold 1 day, 2 days\n"
        "  pH in use 5.4 to 5.8\n"
        "  1 mixer, 60 cooler places, 12 bakes an hour, open 11:00 to 22:00\n"
        "  strips read in steps of 0.5\n"
        "  temperatures are shown in °F, since you weigh in ounces\n"
        "taken: What do you want to know?"
    )
    assert (
        "still needed: a meter with steps of 0.1 or finer: strips read in steps of 0.5, and a pH "
        "difference of 0.1 does not show on them"
    ) in " ".join(said.split())
    folder = tmp_path / "our dough"
    assert said.rstrip().endswith(f"next: doughlab plan '{folder}'")
    assert 'temperature = "F"' in (folder / "trial.toml").read_text(encoding="utf-8")
    formula = (folder / "formula.toml").read_text(encoding="utf-8")
    assert 'ball_g = "9 oz"' in formula
    assert main(["plan", str(folder)]) == 0


def test_a_question_mark_explains_once_and_a_slip_offers_not_to_know(tmp_path, monkeypatch, capsys):
    typed = ["?", "city dough", "", "tap", "temp 55 or 65", "hold 1, 2 days", "?", "?"]
    assert _begin(tmp_path, monkeypatch, typed) == 0
    told = capsys.readouterr()
    said = " ".join(told.err.split())
    assert "Its name, the weight of a ball (9 oz will do)" in said
    assert "A choice of your own has words: flour strong or soft. Or type: don't know." in said
    assert "Few know it: don't know is a good answer." in said
    assert "taken: Which pH should a ball have in use? I'll look for it" in told.out
    assert max(map(len, told.err.splitlines())) <= 80


def test_back_returns_to_the_question_before(tmp_path, monkeypatch, capsys):
    typed = ["back", "city dough, 9 oz", "", "tap", "back", "tap, filter", "hold 1, 2 days"]
    assert _begin(tmp_path, monkeypatch, typed) == 0
    said = capsys.readouterr().out
    assert "  waters: tap (tap), filter (filtered)\n" in said
    assert said.count("taken: What do you want to know?") == 1
    assert said.startswith("understood: city dough, balls of 9 oz\n")


def test_an_answer_taken_back_and_not_known_is_taken(tmp_path, monkeypatch, capsys):
    typed = ["city dough", "", "tap", "back", "don't know", "hold 1, 2 days"]
    assert _begin(tmp_path, monkeypatch, typed) == 0
    said = capsys.readouterr().out
    assert "taken: Which waters can you get? tap and bottled" in said
    assert "waters: " not in said


@pytest.mark.parametrize("word", ["quit", "Exit"])
def test_who_quits_has_written_nothing(tmp_path, monkeypatch, capsys, word):
    assert _begin(tmp_path, monkeypatch, ["city dough", word]) == 1
    assert "stopped: no file was written" in " ".join(capsys.readouterr().err.split())
    assert list(tmp_path.iterdir()) == []


def test_an_hour_that_may_be_morning_or_evening_is_asked_back():
    with pytest.raises(InputError) as refused:
        read_kitchen("1 mixer, 60 places, 6-9pm")
    assert str(refused.value) == (
        "6 may be the morning or the evening. Write 6am or 6pm, as 6pm-9pm"
    )
    clear = {"11-10pm": ("11:00", "22:00"), "6pm-9pm": ("18:00", "21:00"),
             "6am-9pm": ("06:00", "21:00"), "12-9pm": ("12:00", "21:00")}  # fmt: skip
    for said, hours in clear.items():
        kitchen = read_kitchen(said)
        assert (kitchen.open_at, kitchen.close_at) == hours


def test_a_kitchen_and_a_meter_are_understood_in_a_cooks_words():
    from doughlab.commands.answers import read_dough, read_kitchen, read_meter
    from doughlab.commands.new_formula import formula_text

    assert read_kitchen("one spiral, 60 places").mixers == 1
    assert read_meter("yes, hundredths").resolution == 0.01
    assert read_meter("a meter, in tenths").resolution == 0.1
    dough = read_dough("house dough, 260 g balls, 18 a batch, 62% water")
    assert str(dough) == "house dough, balls of 260 g, 18 a batch, 62 % water"
    assert read_dough("house dough, hydration 65 %").hydration == 65
    assert "hydration = 65" in formula_text(read_dough("house dough, 65 % hydration"), [])
    with pytest.raises(InputError, match=r"'60 tubs': how many balls fit the cooler in all\? Say"):
        read_kitchen("one spiral, 60 tubs")
    with pytest.raises(InputError, match=r"'oven 2 at a time': how many bakes is that in an hour"):
        read_kitchen("one spiral, oven 2 at a time")
