"""Sizing of cooler, membrane and ice: by algebra; sentences read whole."""

import json

import pytest

from doughlab.cli import main
from doughlab.errors import OutOfRange
from doughlab.formula.sizing import membrane_flow_share, size_cooler, size_membrane

DOUGH = {"ball_g": 250.0, "specific_heat_kj_kgk": 3.0, "dough_c": 24.0, "cooler_c": 4.0}
FORMULA = """format = 1
name = "house dough"
[percent]
hydration = 60
salt = 2.5
yeast = 0.3
[batch]
ball_g = 250
loss_pct = 0
"""


@pytest.fixture(scope="module")
def kitchen(tmp_path_factory):
    folder = tmp_path_factory.mktemp("kitchen")
    (folder / "formula.toml").write_text(FORMULA, encoding="utf-8")
    return folder


def mix(folder, capsys, *words):
    code = main(["mix", str(folder), *words])
    shown = capsys.readouterr()
    return code, " ".join((shown.out + shown.err).split())


@pytest.mark.parametrize(
    ("hold_h", "lots"), [(24, (1, 2)), (48, (2, 3)), (36, (2, 2)), (72, (3, 4)), (12, (1, 1))]
)
def test_lots_in_the_cooler_are_counted_from_the_hold(hold_h, lots):
    """One goes in a day: a hold of whole days meets the next one at the door, or just not."""
    found = size_cooler(100, hold_h=hold_h, box_balls=10, **DOUGH)
    assert found.lots == lots
    assert found.boxes == (10 * lots[0], 10 * lots[1])


def test_the_heat_of_a_day_is_mass_times_specific_heat_times_degrees():
    """120 balls of 0.25 kg, 3.0 kJ/(kg K), 20 K: 1800 kJ, 0.5 kWh, 83.3 W over 6 h."""
    found = size_cooler(120, hold_h=48, box_balls=12, **DOUGH)
    assert found.kwh == pytest.approx(0.5)
    assert found.watts == pytest.approx(1800e3 / (6 * 3600))


def test_a_dough_as_cold_as_the_cooler_gives_no_heat():
    found = size_cooler(10, hold_h=24, box_balls=12, **{**DOUGH, "dough_c": 3.0})
    assert found.kwh == 0.0


def test_litres_are_boxes_times_their_outside_with_air():
    """0.6 x 0.4 m, 0.07 and 0.13 m deep; 1.3 and 2 litres of cooler for one of box."""
    found = size_cooler(12, hold_h=24, box_balls=12, **DOUGH)
    low, high = (600 * 400 * d / 1e6 for d in (70, 130))
    assert found.litres == pytest.approx((1 * low * 1.3, 2 * high * 2.0))


def test_what_goes_in_comes_out_at_a_membrane():
    found = size_membrane(12.0, tap_c=12, drain=(1.0, 4.0))
    assert [f - d for f, d in zip(found.feed_l, found.drain_l, strict=True)] == [12.0, 12.0]
    assert found.rated_l * found.flow_share * 20 / 24 == pytest.approx(12.0)


def test_warmer_water_flows_faster():
    shares = [membrane_flow_share(t) for t in range(2, 45)]
    assert shares == sorted(shares)


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda: size_cooler(0, hold_h=48, box_balls=12, **DOUGH),
         "balls 0 lies outside 1 to 5000. Look at the number."),
        (lambda: size_membrane(10, tap_c=60), "tap_c 60 lies outside 1 to 45. Look at the number."),
    ],
)  # fmt: skip
def test_numbers_that_cannot_be_are_refused(call, said):
    with pytest.raises(OutOfRange) as caught:
        call()
    assert str(caught.value) == said


def test_the_command_says_each_size_with_its_range_and_assumption(kitchen, capsys):
    code, said = mix(kitchen, capsys, "--tap", "59F", "--room", "72F", "--dough", "75F", "--size",
                     "120")  # fmt: skip
    assert code == 0
    assert "120 balls of 250 g a day, held 48 h: 30.0 kg dough, 11." in said
    assert (
        "cooler: 20 to 30 boxes of 12 (240 to 360 balls; 2 lots where one is used before the next "
        "goes in, 3 where not)"
    ) in said
    assert "(common practice, no source)" in said and "the heat of ripening is left out" in said
    assert "a labelled unit to a typical one, EPA WaterSense 2022)" in said
    assert "gives 70 % of it at 59 °F" in said
    assert "ice: " in said and "(usual friction, not your mixer's)" in said


def test_the_ice_is_that_of_the_days_mixing_water(kitchen, capsys):
    """Latent over specific heat, 79.68 K: ice = W (tap - wanted) / (tap + 79.68)."""
    args = ("--tap", "25C", "--room", "28C", "--dough", "23C")
    mix(kitchen, capsys, *args)
    code = main(["mix", str(kitchen), *args, "--size", "120", "--json"])
    sized = json.loads(capsys.readouterr().out)
    main(["mix", str(kitchen), *args, "--balls", "120", "--json"])
    today = json.loads(capsys.readouterr().out)
    wanted = today["water_c"]
    assert code == 0
    middle, low, high = sized["ice_kg"]
    by_hand = sized["water_l"] * (25 - wanted) / (25 + 333.55 / 4.186)
    assert middle == pytest.approx(by_hand, rel=0.01)
    assert 0 <= low < middle < high


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--size", "0"),
         "--size 0 lies outside 1 to 5000 balls a day. Give the balls of one day."),
        (("--size", "9", "--box", "0"), "--box 0 lies outside 1 to 60. Give the balls of one box."),
    ],
)  # fmt: skip
def test_wrong_sizes_are_answered_with_what_would_be_right(kitchen, capsys, words, said):
    code, found = mix(kitchen, capsys, "--tap", "15C", "--room", "20C", *words)
    assert (code, found) == (1, f"doughlab mix: {said}")
