"""What happened, in time: day by day as a table, batch by batch as a figure, beside the plan.

`chapters` puts the blocks into the report; notebooks call `picture_timeline`. Times are those of
the records; lost balls and their reasons are taken from the state of each ball.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime, timedelta
from statistics import fmean
from typing import TYPE_CHECKING, Any

from doughlab.analysis.wording import joined, level_words
from doughlab.report.blocks import Block, Drawing, Grid, Head, Words, grid_of
from doughlab.report.picture import Picture
from doughlab.report.strips import new_axes
from doughlab.report.style import CRUST, HAIR, PAPER, SOFT_INK, Look, build_looks, use_style
from doughlab.report.text import Texts
from doughlab.units import axis_unit, convert

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from doughlab.record.balls import BallState
    from doughlab.report.subject import Subject

COOLER_WORDS = ("cool", "fridge", "refrigerat", "walk-in", "cold")
ROW_IN = 0.165
HEAD_IN = 0.5
FOOT_IN = 0.38
LEFT_IN = 0.62
MOST_DAYS = 16  # beyond, only some of the days are named


def timeline_blocks(trial: Subject, texts: Texts) -> list[Block]:
    """Tell the days, the holds that were kept, and the batches in a picture.

    Parameters
    ----------
    trial : Trial
    texts : Texts

    Returns
    -------
    list of Block
        Empty where no batch was mixed.

    Examples
    --------
    >>> from doughlab.notebook import open_demo
    >>> type(timeline_blocks(open_demo(), Texts())[0]).__name__
    'Grid'
    """
    blocks: list[Block] = []
    grid = days_grid(trial, texts)
    if grid is not None:
        blocks.append(grid)
    blocks += [Words(said) for said in (_mixed_words(trial, texts), _held_words(trial, texts))
               if said]  # fmt: skip
    if any(s.mixed_at for s in trial.ball_states.values()):
        blocks.append(Drawing(picture_timeline(trial, texts=texts)))
    return blocks


def days_grid(trial: Subject, texts: Texts) -> Grid | None:
    """Lay the days of a trial out: mixed, read, baked, scored, calibrated, the cooler, lost.

    Returns
    -------
    Grid or None
        None where nothing with a time was recorded.
    """
    say, show = texts.say, trial.settings.show_temperature
    unit = "temp_f" if show == "F" else "temp_c"
    found = _by_day(trial)
    if not found:
        return None
    rows = []
    for on in sorted(found):
        own = found[on]
        often = len(own.get("calibrated", ()))
        meter = say("calibrated_often", n=often) if often > 1 else say("calibrated_once")
        cooler = own.get("cooler")
        rows.append([
            say("day_name", weekday=texts.weekday(on), date=f"{on:%Y-%m-%d}"),
            _span(own.get("mixed", ())),
            *(str(len(set(own[k]))) if k in own else "" for k in ("read", "baked", "scored")),
            meter if often else "",
            f"{convert(fmean(cooler), 'temp_c', unit):.1f}" if cooler else "",
            ", ".join(own.get("lost", ())),
        ])  # fmt: skip
    heads = [Head(say("col_day")), Head(say("col_mixed"), number=False), Head(say("col_read")),
             Head(say("col_baked")), Head(say("col_scored_balls")),
             Head(say("col_calibrated"), number=False), Head(say("col_cooler"), axis_unit(unit)),
             Head(say("col_lost"), number=False)]  # fmt: skip
    return grid_of(say("days_caption"), heads, rows)


def _by_day(trial: Subject) -> dict[date, dict[str, list[Any]]]:
    """Gather what was recorded by its day."""
    records = trial.records
    found: dict[date, dict[str, list[Any]]] = {}
    stated = [
        *(("mixed", m["mixed_at"] or m["balled_at"], m["batch_id"]) for m in records.mixes),
        *(("read", r["read_at"], r["ball_id"]) for r in records.readings),
        *(("baked", b["baked_at"], b["ball_id"]) for b in records.bakes),
        *(("scored", s["scored_at"], s["ball_id"]) for s in records.scores),
        *(("calibrated", c["calibrated_at"], "") for c in records.calibrations),
        *(("cooler", t["at"], float(t["temp_c"])) for t in records.temperatures
          if t["temp_c"] is not None and any(w in t["place"].lower() for w in COOLER_WORDS)),
        *(("lost", n["at"], n["about"]) for n in records.notes if n["kind"] == "lost"),
    ]  # fmt: skip
    for name, at, what in stated:
        if at is not None:
            found.setdefault(at.date(), {}).setdefault(name, []).append(what)
    return found


def _span(batches: Sequence[str]) -> str:
    """Write batches as first to last where they follow each other."""
    own = sorted(set(batches))
    if len(own) < 3:
        return ", ".join(own)
    numbers = [int("".join(c for c in b if c.isdigit()) or 0) for b in own]
    if numbers == list(range(numbers[0], numbers[0] + len(own))):
        return f"{own[0]} \u2013 {own[-1]}"
    return ", ".join(own)


def _mixed_words(trial: Subject, texts: Texts) -> str:
    """Say how many batches were mixed on their planned day; empty without dates."""
    plan = trial.frozen_plan
    if plan is None:
        return ""
    due = {r["item"]: r["due_at"].date() for r in plan.schedule if r["step"] == "mix"}
    at = {m["batch_id"]: m["mixed_at"].date() for m in trial.records.mixes if m["mixed_at"]}
    both = [b for b in at if b in due]
    if not both:
        return ""
    on = sum(at[b] == due[b] for b in both)
    return texts.say("mixed_on_day", on=on, batches=len(both))


def _held_words(trial: Subject, texts: Texts) -> str:
    """Say how near to their planned holds balls were used; empty without holds."""
    most = trial.settings.kitchen.hold_tolerance_min
    off = {
        ball: 60.0 * (s.hold_h - s.planned_hold_h)
        for ball, s in trial.ball_states.items()
        if s.hold_h is not None and s.planned_hold_h is not None
    }
    if not off:
        return ""
    ball = max(off, key=lambda b: abs(off[b]))
    within = sum(abs(v) <= most for v in off.values())
    return texts.say("held_within", within=within, balls=len(off), minutes=f"{most:g}", ball=ball,
                     off=f"{abs(off[ball]):.0f}")  # fmt: skip


def notes_grid(trial: Subject, texts: Texts) -> Grid | None:
    """List the notes that are not about lost balls; None where there are none."""
    say = texts.say
    rows = [
        ["" if n["at"] is None else f"{n['at']:%Y-%m-%d %H:%M}", n["about"] or "", n["note"] or ""]
        for n in trial.records.notes
        if n["kind"] != "lost" and n["note"]
    ]
    heads = [Head(say("col_when")), Head(say("col_about"), number=False),
             Head(say("col_note"), number=False)]  # fmt: skip
    return grid_of(say("notes_caption"), heads, rows) if rows else None


def _by_batch(states: Mapping[str, BallState]) -> dict[str, list[BallState]]:
    """Gather the balls of every batch that was mixed, in the order of mixing."""
    groups: dict[str, list[BallState]] = {}
    for s in states.values():
        if s.mixed_at is not None:
            groups.setdefault(s.batch_id, []).append(s)
    return dict(sorted(groups.items(), key=lambda item: (item[1][0].mixed_at, item[0])))


def _looks_of(trial: Subject) -> dict[str, tuple[Look, str]]:
    """Give the look and the level of every batch by the factor that carries colour."""
    plan, looks = trial.frozen_plan, build_looks(trial.settings)
    found: dict[str, tuple[Look, str]] = {}
    levels: dict[str, str] = {}
    factor = trial.settings.factors.get(looks.factor)
    for row in plan.batches if plan is not None else ():
        level = ""
        if factor is not None and factor.set != "ball":
            level = factor.level_of(row[factor.column])
        words = level_words(factor, level) if factor is not None and level else ""
        found[str(row["batch_id"])] = (looks.of(looks.factor, level), words)
        levels[str(row["batch_id"])] = level
    order = list(looks.levels)
    return dict(sorted(found.items(), key=lambda item: order.index(levels[item[0]])
                       if levels[item[0]] in order else 0))  # fmt: skip


def plot_timeline(trial: Subject, *, texts: Texts | None = None, ax: Axes | None = None) -> Axes:
    """Draw what was done, batch by batch: mixes, the hours of use, lost balls.

    Parameters
    ----------
    trial : Trial
        With at least one mix.
    texts : Texts, optional
    ax : Axes or None
        None makes a new figure in the style of the house.

    Returns
    -------
    Axes
        x counts days from midnight of the first mixing day; one row for each batch.

    Examples
    --------
    >>> from doughlab.notebook import open_demo
    >>> len(plot_timeline(open_demo()).get_yticks()) > 0
    True
    """
    texts = texts or Texts()
    groups = _by_batch(trial.ball_states)
    if ax is not None:
        return _draw(ax, groups, _looks_of(trial), texts)
    ax = new_axes(HEAD_IN + ROW_IN * len(groups) + FOOT_IN, left_in=LEFT_IN, foot_in=FOOT_IN)
    with use_style():
        return _draw(ax, groups, _looks_of(trial), texts)


def _draw(
    ax: Axes, groups: Mapping[str, list[BallState]], looks: Mapping[str, tuple[Look, str]],
    texts: Texts,
) -> Axes:  # fmt: skip
    first = min(s.mixed_at for own in groups.values() for s in own if s.mixed_at is not None)
    start = first.replace(hour=0, minute=0, second=0, microsecond=0)

    def days(at: datetime) -> float:
        return (at - start).total_seconds() / 86400.0

    last = 0.0
    for row, (batch, own) in enumerate(groups.items()):
        look = looks.get(batch, (Look(SOFT_INK, "o"), ""))[0]
        mixed = days(own[0].mixed_at or start)
        uses = [days(s.used_at) for s in own if s.used_at is not None]
        last = max(last, mixed, *uses) if uses else max(last, mixed)
        ax.plot([mixed, max([mixed, *uses])], [-row, -row], color=HAIR, lw=0.9, zorder=1)
        ax.plot(uses, [-row] * len(uses), ls="", marker=look.marker, ms=4.4, mfc=PAPER,
                mec=look.colour, mew=0.9, zorder=3, gid="use")  # fmt: skip
        ax.plot([mixed], [-row], marker=look.marker, ms=5.6, mfc=look.colour, mec=PAPER, mew=0.6,
                zorder=4, gid="mix")  # fmt: skip
        lost = [s for s in own if s.state == "lost"]
        if lost:
            at = [mixed + (s.planned_hold_h or 0.0) / 24.0 + 0.04 for s in lost]
            last = max(last, *at)
            ax.plot(at, [-row] * len(at), ls="", marker="x", ms=5.5, mec=CRUST, mew=1.6, zorder=5,
                    gid="lost")  # fmt: skip
    _frame(ax, start.date(), int(last) + 1, list(groups), texts)
    _draw_key(ax, looks)
    return ax


def _draw_key(ax: Axes, looks: Mapping[str, tuple[Look, str]]) -> None:
    """Name the marks under the rows, where the batches differ in them."""
    from matplotlib.lines import Line2D

    shown = {words: look for look, words in looks.values() if words}
    handles = [Line2D([], [], ls="", marker=look.marker, ms=5.6, mfc=look.colour, mec=PAPER,
                      label=words) for words, look in shown.items()]  # fmt: skip
    if handles:
        ax.legend(handles=handles, loc="upper left", bbox_to_anchor=(0.0, 0.0), handletextpad=0.1,
                  ncols=min(len(handles), 4), columnspacing=1.2, borderpad=0)  # fmt: skip


def _frame(ax: Axes, first: date, days: int, batches: Sequence[str], texts: Texts) -> None:
    """Name the days above the rows, and every other batch beside them."""
    step = -(-days // MOST_DAYS)
    for day in range(days + 1):
        ax.axvline(day, color=HAIR, lw=0.6, zorder=0)
        if day == days or day % step:
            continue
        on = first + timedelta(days=day)
        ax.text(day + 0.5, 1.75, texts.weekday(on), ha="center", va="center", color=SOFT_INK)
        ax.text(day + 0.5, 0.9, f"{on.day}", ha="center", va="center")
    ax.text(-0.02, 0.9, f"{first:%Y-%m}", transform=ax.get_yaxis_transform(), ha="right",
            va="center", color=SOFT_INK)  # fmt: skip
    shown = range(0, len(batches), max(1, -(-len(batches) // 20) if len(batches) > 24 else 2))
    ax.set_yticks([-row for row in shown], [batches[row] for row in shown])
    ax.set_ylim(-len(batches) + 0.4, 2.3)
    ax.set_xlim(-0.05, days + 0.05)
    ax.set_xticks([])
    ax.spines["bottom"].set_visible(False)


def picture_timeline(trial: Subject, *, texts: Texts | None = None) -> Picture:
    """Picture what was done, batch by batch.

    Parameters
    ----------
    trial : Trial
        With at least one mix.
    texts : Texts, optional

    Returns
    -------
    Picture
        Its text names every batch with the time of its mix and of its first and last use.

    Examples
    --------
    >>> from doughlab.notebook import open_demo
    >>> print(picture_timeline(open_demo()).alt[:50])
    Timeline of 24 batches from 2026-03-03 to 2026-03-
    """
    from matplotlib.figure import Figure

    texts = texts or Texts()
    say = texts.say
    groups, looks = _by_batch(trial.ball_states), _looks_of(trial)
    rows, gone, times = [], [], []
    for batch, own in groups.items():
        mixed = own[0].mixed_at
        uses = sorted(s.used_at for s in own if s.used_at is not None)
        times += [t for t in (mixed, *uses) if t is not None]
        used = say("alt_timeline_unused")
        if uses:
            used = say(
                "from_to", low=f"{uses[0]:%Y-%m-%d %H:%M}", high=f"{uses[-1]:%Y-%m-%d %H:%M}"
            )
        level = looks.get(batch, (None, ""))[1]
        row = say("alt_timeline_row", batch=batch, level=level, mixed=f"{mixed:%Y-%m-%d %H:%M}",
                  used=used).replace(" ()", "")  # fmt: skip
        lost = [s.ball_id for s in own if s.state == "lost"]
        gone += lost
        rows.append(f"{row}, {say('alt_timeline_lost', balls=joined(lost))}" if lost else row)
    alt = say("alt_timeline", batches=len(groups), first=f"{min(times):%Y-%m-%d}",
              last=f"{max(times):%Y-%m-%d}", rows="; ".join(rows))  # fmt: skip
    told = say("timeline_lost", balls=joined(gone)) if gone else say("course_none_lost")
    figure = plot_timeline(trial, texts=texts).get_figure(root=True)
    if not isinstance(figure, Figure):
        raise TypeError("an Axes outside a figure cannot become a picture")
    return Picture(figure, alt, say("caption_timeline", lost=told))
