"""The command `mix`: how warm today's mixing water has to be, with its ice and its grams.

Heat balance, ice and warming are worked out by the formula room; this module asks and answers.
A temperature typed in Fahrenheit is answered in Fahrenheit.
"""

from __future__ import annotations

import argparse
import shlex
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from doughlab.commands.lines import counted, wrap
from doughlab.commands.outcome import Outcome
from doughlab.errors import InputError, UnknownName
from doughlab.formula.formula import FILE, read_formula
from doughlab.record.names import find_id
from doughlab.settings import FILE as TRIAL_FILE
from doughlab.units import format_quantity, parse_quantity, typed_unit

if TYPE_CHECKING:
    from doughlab.formula.formula import Formula
    from doughlab.formula.mixwater import Kitchen, MixPlan, OwnMixes
    from doughlab.sections import Factor

_TEMPS = {
    "dough": (5.0, 40.0), "room": (0.0, 50.0), "flour": (-5.0, 45.0), "tap": (0.0, 45.0),
    "hot": (20.0, 100.0), "preferment": (0.0, 45.0),
}  # fmt: skip

USUAL_DOUGH_C = 24.0  # for sizing, where nothing says how warm the dough shall be


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `doughlab mix`."""
    parser.add_argument("folder", nargs="?", default=".", help="folder with formula.toml")
    parser.add_argument("--dough", metavar="TEMP", help="wanted dough, as 75F (default: as usual)")
    parser.add_argument("--room", metavar="TEMP", help="the room now")
    parser.add_argument("--tap", metavar="TEMP", required=True, help="water from the tap now")
    parser.add_argument("--flour", metavar="TEMP", help="the flour (default: as the room)")
    parser.add_argument("--hot", metavar="TEMP", help="hot water at hand, to mix warm water with")
    parser.add_argument("--preferment", metavar="TEMP", help="the preferment that goes in")
    parser.add_argument("--batch", metavar="BATCH", help="a planned batch, with its settings")
    parser.add_argument("--balls", type=int, help="balls to make (default: the formula's)")
    parser.add_argument("--minutes", type=float, help="minutes of mixing (default: as usual)")
    parser.add_argument("--mixer", metavar="NAME", help="another mixer than the formula's")
    parser.add_argument("--speed", metavar="SPEED", help="another speed than the formula's")
    parser.add_argument("--card", action="store_true", help="a card for the wall, room by room")
    parser.add_argument(
        "--size", type=int, metavar="BALLS",
        help="what cooler, reverse osmosis and ice that many balls a day need",
    )  # fmt: skip
    parser.add_argument("--hold", default="48h", metavar="TIME", help="for --size: how long held")
    parser.add_argument("--box", type=int, default=12, metavar="BALLS", help="for --size: a box")
    parser.add_argument("--core", metavar="TEMP", help="for the card: core wanted in use")


def run(args: argparse.Namespace) -> Outcome:
    """Say today's mixing water."""
    if args.card:
        from doughlab.commands.mix_card import run_card

        return run_card(args)
    from doughlab.formula.mixwater import learn_from_mixes, plan_mix

    folder = Path(args.folder)
    formula = read_formula(folder / FILE)
    mixes, planned = _from_trial(folder)
    batch = _asked_batch(args, planned)
    formula = formula.with_levels(batch.levels) if batch else formula
    kitchen = _kitchen(args)
    own = learn_from_mixes(
        mixes, formula, levels={n: b.levels for n, b in planned.items()},
        ferment_c=kitchen.ferment_c,
    )  # fmt: skip
    asked_c = _temperature(args, "dough")
    water_c = batch.water_c if batch and asked_c is None else None
    dough_c = own.dough_c if asked_c is None else asked_c
    if args.size is not None:
        return _size(args, formula, kitchen, own, dough_c)
    if dough_c is None and water_c is None:
        raise InputError(
            "No mix with a dough temperature is recorded yet: say the wanted one, as --dough 75F."
        )
    minutes = args.minutes if args.minutes is not None else formula.minutes_of_mixing()
    kind = (_named(args.mixer, formula.mixer.name), _named(args.speed, formula.mixer.speed))
    batches = _batches(args, formula, batch)
    plan = plan_mix(
        formula, kitchen, own, dough_c=dough_c, water_c=water_c, balls=batches[0],
        minutes=minutes, kind=kind,
    )  # fmt: skip
    read = [str(folder / FILE), *([counted(len(mixes), "mix", "mixes")] if mixes else [])]
    read += [f"{batch.batch_id}: {batch.words}"] if batch else []
    found = _lines(plan, own, _shown(args), set_water=water_c is not None)
    found += _ferment_lines(formula, kitchen, own, _shown(args))
    found += _card_lines(plan, formula) + _batch_lines(batches)
    return Outcome(read=read, found=found, next=_nexts(args, formula), data=_data(plan, kitchen))


def _nexts(args: argparse.Namespace, formula: Formula) -> list[str]:
    """Say what comes next; where the dough has a starter, with the command for it."""
    said = ["record the mix with room, flour, water and dough; the next is surer"]
    starter = next((p.name for p in formula.preferments if p.kind == "starter"), "")
    if not starter:
        return said
    where = "" if args.folder == "." else f" {shlex.quote(str(args.folder))}"
    room = shlex.quote(args.room or "75F")
    words = f"doughlab ripe {shlex.quote(starter)}{where} --room {room} --feed 1:4:4"
    return [*said, f"when the starter is ripe: {words}"]


def _size(
    args: argparse.Namespace, formula: Formula, kitchen: Kitchen, own: OwnMixes,
    dough_c: float | None,
) -> Outcome:  # fmt: skip
    """Size cooler, membrane and ice; the dough as usual where nothing says how warm."""
    from doughlab.commands.mix_size import size_day

    wanted = dough_c if dough_c is not None else USUAL_DOUGH_C
    return size_day(args, formula, kitchen, own, dough_c=wanted, show=_shown(args))


def _kitchen(args: argparse.Namespace) -> Kitchen:
    """Read the temperatures of today; flour that is not said is as warm as the room."""
    from doughlab.formula.mixwater import Kitchen

    temps = {name: _temperature(args, name) for name in _TEMPS}
    room_c, tap_c = _known(temps["room"]), _known(temps["tap"])
    flour_c = room_c if temps["flour"] is None else temps["flour"]
    return Kitchen(room_c, flour_c, tap_c, temps["hot"], temps["preferment"])


def _shown(args: argparse.Namespace) -> str:
    """Give the unit to answer in; a bare number is Celsius, and so answered."""
    typed = [typed_unit(getattr(args, n)) for n in _TEMPS if getattr(args, n) is not None]
    return next((u for u in typed if u), "C")


def _named(typed: str | None, usual: str) -> str:
    return usual if typed is None else typed


def _batches(args: argparse.Namespace, formula: Formula, batch: PlannedMix | None) -> list[int]:
    """Divide the balls asked for over batches that the mixer carries."""
    from doughlab.formula.weighing import split_day

    if args.balls is not None and args.balls < 1:
        raise InputError(f"--balls {args.balls} makes no dough. Give 1 or more.")
    if args.minutes is not None and not 0 < args.minutes <= 120:
        raise InputError(f"--minutes {args.minutes:g} lies outside 0 to 120. Give the minutes of "
                         "mixing.")  # fmt: skip
    usual = batch.balls if batch else formula.balls
    balls = usual if args.balls is None else args.balls
    if formula.mixer.carries_kg is None:
        return [balls]
    return split_day(balls, formula=formula, mixer_kg=formula.mixer.carries_kg)


def _batch_lines(batches: list[int]) -> list[str]:
    """Say how a day is divided where one mixing does not carry it."""
    if len(batches) == 1:
        return []
    most = batches.count(batches[0])
    words = f"{len(batches)} mixings, since the mixer carries no more: "
    words += f"{most} of {batches[0]} balls (weighed above)"
    if most < len(batches):
        words += f" and {len(batches) - most} of {batches[-1]}: --balls {batches[-1]}"
    return wrap(words)


@dataclass(frozen=True)
class PlannedMix:
    """One batch of the kept plan.

    Attributes
    ----------
    batch_id : str
    levels : dict
        Factor to level, for the formula.
    balls : int
        That the plan takes from it.
    water_c : float or None
        The mixing water, degrees Celsius, where the trial sets it.
    words : str
        Its settings.
    """

    batch_id: str
    levels: dict[str, Any]
    balls: int
    water_c: float | None
    words: str


def _from_trial(folder: Path) -> tuple[list[dict[str, Any]], dict[str, PlannedMix]]:
    """Read mixes and planned batches of a trial; none where it is only a formula's folder."""
    if not (folder / TRIAL_FILE).exists():
        return [], {}
    from doughlab.record.folder import read_folder

    contents = read_folder(folder)
    plan, settings = contents.plan, contents.settings
    if plan is None:
        return list(contents.records.mixes), {}
    factors = settings.factors_set("day", "batch")
    planned = {}
    for row in plan.batches:
        name = str(row["batch_id"])
        levels = {f.name: row[f.column] for f in factors if row[f.column] is not None}
        words = ", ".join(f"{f.words} {f.level_of(row[f.column])}" for f in factors)
        own = [b for b in plan.balls if b["batch_id"] == name]
        water = next((levels.get(f.name) for f in factors if is_mixing_water(f)), None)
        planned[name] = PlannedMix(name, levels, len(own), water, words)
    return list(contents.records.mixes), planned


def is_mixing_water(factor: Factor) -> bool:
    """Tell whether a factor sets how warm the mixing water is, by its unit and name.

    Examples
    --------
    >>> from doughlab.sections import Factor
    >>> is_mixing_water(Factor("mixing_water", "batch", "number", ("10", "20"), "temp_c"))
    True
    """
    return factor.unit == "temp_c" and "water" in f"{factor.name} {factor.title}".casefold()


def _asked_batch(args: argparse.Namespace, planned: dict[str, PlannedMix]) -> PlannedMix | None:
    if args.batch is None:
        return None
    if not planned:
        from doughlab.record.folder import no_plan_words

        raise InputError(no_plan_words(Path(args.folder)))
    batch = find_id(args.batch, planned)
    if batch not in planned:
        raise UnknownName("batch", args.batch, planned, where="the plan")
    return planned[batch]


def _temperature(args: argparse.Namespace, name: str) -> float | None:
    text = getattr(args, name)
    if text is None:
        return None
    low, high = _TEMPS[name]
    return parse_quantity(text, "temp_c", what=f"--{name}", low=low, high=high)


def _known(value: float | None) -> float:
    if value is None:
        raise InputError("Say how warm the room is now, as --room 72F; or ask for --card.")
    return value


def _lines(plan: MixPlan, own: OwnMixes, show: str, *, set_water: bool = False) -> list[str]:
    def t(value_c: float) -> str:
        return format_quantity(value_c, "temp_c", show=show, digits=0)

    def step(value_c: float) -> str:
        return format_quantity(value_c, "temp_diff_c", show=show, digits=1)

    water = plan.water
    asked = f"mixing water {t(plan.water_c)}" if plan.water_c >= 0 else "mixing water with ice"
    why = "as the plan sets it" if set_water else f"for a dough of {t(plan.dough_c)}"
    lines = wrap(f"{asked} {why}")
    lines += wrap(
        f"  the dough comes out at {t(plan.reached_c)} ({t(plan.low_c)} to {t(plan.high_c)}); "
        f"mixing warms it by {step(plan.rise.value_c)}, {plan.rise.words}"
    )
    parts = [f"{water.tap_g:.0f} g from the tap"] if water.tap_g > 0 else []
    parts += [f"{water.ice_g:.0f} g ice"] if water.ice_g > 0 else []
    parts += [f"{water.hot_g:.0f} g hot"] if water.hot_g > 0 else []
    lines += wrap(f"  water: {' and '.join(parts)}")
    if not water.reached:
        lines += wrap(
            f"  that is as far as it goes: {t(water.reached_c)} instead of {t(water.wanted_c)}"
        )
    lines += [line for note in water.notes for line in wrap(f"  look: {note}", indent=4)]
    source = "friction of your own mixes" if own.frictions else "usual friction"
    if not set_water:
        lines += wrap(f"  the factor rule says {t(plan.factor_c)} ({source})")
    lines += [line for words in own.left_out for line in wrap(f"  left out: {words}", indent=4)]
    return lines


def _ferment_lines(formula: Formula, kitchen: Kitchen, own: OwnMixes, show: str) -> list[str]:
    """Say how warm a preferment was taken to be, today and in the mixes that were learned from."""
    if not formula.preferments:
        return []
    words = []
    if kitchen.ferment_c is None and own.ferment_c is None:
        words.append("the preferment is taken as warm as the room: say it, as --preferment 40F")
    elif kitchen.ferment_c is None and own.ferment_c is not None:
        usual = format_quantity(own.ferment_c, "temp_c", show=show, digits=0)
        words.append(f"the preferment is taken as warm as in your mixes, {usual}: say it, as "
                     "--preferment 40F")  # fmt: skip
    if own.unsaid and (kitchen.ferment_c is not None or own.ferment_c is not None):
        many = counted(own.unsaid, "earlier mix does", "earlier mixes do")
        words.append(f"{many} not say how warm the preferment was: taken as today's; write it "
                     "down with the mix, preferment_temp_c=6")  # fmt: skip
    return [line for w in words for line in wrap(f"  look: {w}", indent=4)]


def _card_lines(plan: MixPlan, formula: Formula) -> list[str]:
    card = plan.card

    def named(name: str) -> str:
        lot = formula.flour_lots.get(name)
        return f"{name} (lot {lot})" if lot else name

    lines = wrap(
        f"{card.balls} balls of {card.ball_g:.4g} g, {card.dough_g:.0f} g dough, hydration "
        f"{card.hydration_pct:g} %"
    )
    for step in card.steps():
        cells = [
            f"{named(p.name)} {'all of it' if p.made else p.scale_words}"
            for p in card.parts
            if p.step == step
        ]
        lines += wrap(f"  {step}: {', '.join(cells)}", indent=4)
    return lines + [line for note in card.notes for line in wrap(f"  look: {note}", indent=4)]


def _data(plan: MixPlan, kitchen: Kitchen) -> dict[str, Any]:
    return {
        "dough_c": plan.dough_c,
        "room_c": kitchen.room_c,
        "water_c": plan.water_c,
        "water_reached_c": plan.water.reached_c,
        "tap_g": plan.water.tap_g,
        "ice_g": plan.water.ice_g,
        "hot_g": plan.water.hot_g,
        "factor_rule_c": plan.factor_c,
        "rise_c": plan.rise.value_c,
        "mixes": plan.rise.n,
        "dough_low_c": plan.low_c,
        "dough_high_c": plan.high_c,
        "weigh": [
            {"step": p.step, "name": p.name, "grams": p.grams, "weighed_g": p.weighed_g}
            for p in plan.card.parts
        ],
        "notes": [*plan.water.notes, *plan.card.notes],
    }
