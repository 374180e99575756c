"""What to do at a new site: which tests in which order, what to use meanwhile, what carries over.

Called by the water command with what is known so far; every line is done or open.
It leaves judging values to quality and doses to dosing.
"""

from __future__ import annotations

from dataclasses import dataclass
from textwrap import wrap

from doughlab.water.sample import WaterSample


@dataclass(frozen=True)
class Step:
    """Hold one step of the guide.

    Attributes
    ----------
    what : str
        The test or act.
    why : str
        What it decides.
    done : bool
        Whether the sample already holds it.
    """

    what: str
    why: str
    done: bool

    def __str__(self) -> str:
        """Give the step with its mark."""
        return f"[{'x' if self.done else ' '}] {self.what}: {self.why}"


@dataclass(frozen=True)
class SiteGuide:
    """Hold the guide of a site.

    Attributes
    ----------
    water : str
        Name.
    steps : tuple of Step
        In order.
    meanwhile : str
        What to use until the open steps are done.
    carries_over, does_not_carry_over : tuple of str
        Of a recipe from another site.
    """

    water: str
    steps: tuple[Step, ...]
    meanwhile: str
    carries_over: tuple[str, ...]
    does_not_carry_over: tuple[str, ...]

    @property
    def next_step(self) -> Step | None:
        """Give the first open step."""
        return next((s for s in self.steps if not s.done), None)

    def lines(self) -> list[str]:
        """Write the guide in lines of at most 80 characters."""
        out = []
        for number, step in enumerate(self.steps, start=1):
            out += wrap(f"{number}. {step}", 80, subsequent_indent="       ")
        out += wrap(f"until then: {self.meanwhile}", 80, subsequent_indent="  ")
        carried = "; ".join(self.carries_over)
        out += wrap(f"carries over from another site: {carried}", 80, subsequent_indent="  ")
        left = "; ".join(self.does_not_carry_over)
        out += wrap(f"does not carry over: {left}", 80, subsequent_indent="  ")
        return out


_CARRIES = (
    "baker's percentages, ball mass and the steps",
    "the wanted pH band of the ball and the margins",
    "the flour, when it is the same lot",
    "how the panel scores",
)
_DOES_NOT = (
    "the grams of acid (alkalinity differs tenfold between towns)",
    "the water's own pH",
    "salt, where the water was softened",
    "the hours of the hold, until two batches confirm them",
    "water temperature, where room and mixer differ",
)


def guide_site(sample: WaterSample) -> SiteGuide:
    """Guide through a new water: tests in order, the interim choice, what carries over.

    Parameters
    ----------
    sample : WaterSample
        What is known so far.

    Returns
    -------
    SiteGuide

    Examples
    --------
    >>> guide = guide_site(WaterSample("tap"))
    >>> guide.next_step.what
    'smell, look and taste of cold water'
    >>> guide_site(WaterSample("bore", kind="well")).next_step.what
    'laboratory test'
    """
    steps = [*_first_steps(sample), *_numbers(sample), *_kitchen_steps(sample)]
    return SiteGuide(sample.name, tuple(steps), _meanwhile(sample), _CARRIES, _DOES_NOT)


def _first_steps(sample: WaterSample) -> list[Step]:
    """Start with the source, and with the laboratory where it comes first."""
    steps = []
    if sample.needs_laboratory:
        steps.append(
            Step(
                "laboratory test",
                f"before anybody tastes ({sample.needs_laboratory}); germs, nitrate, metals",
                "laboratory" in sample.said_by.lower(),
            )
        )
    steps.append(
        Step(
            "smell, look and taste of cold water" if not steps else "smell and look of cold water",
            "an odd one goes to a laboratory before anybody tastes on",
            bool(sample.smell) and bool(sample.look),
        )
    )
    steps.append(
        Step(
            "sampling point, minutes flushed, treatment chain",
            "softener, filter or tank upstream? Sample after them and before them",
            bool(sample.sampling_point) and sample.flush_min is not None,
        )
    )
    return steps


def _numbers(sample: WaterSample) -> list[Step]:
    """List the readings, those that decide most first."""
    return [
        Step(
            "alkalinity, by titration with vinegar",
            "decides the acid; the supplier's report is the second look",
            sample.alkalinity_mg_l is not None,
        ),
        Step(
            "pH and temperature, fresh, with a meter from its buffers",
            "with the alkalinity it gives the dose; alone it gives nothing",
            sample.ph is not None and sample.temp_c is not None,
        ),
        Step(
            "hardness (strip or report)",
            "binds citric acid, and tells a softener",
            sample.known_hardness_mg_l is not None,
        ),
        Step(
            "free and total chlorine (strip)",
            "free chlorine leaves on standing, chloramine does not",
            sample.free_chlorine_mg_l is not None and sample.total_chlorine_mg_l is not None,
        ),
        Step(
            "sodium, chloride, sulphate (report) and conductivity",
            "completes the ion balance, and shows drift later at a glance",
            sample.sodium_mg_l is not None and sample.chloride_mg_l is not None,
        ),
    ]


def _kitchen_steps(sample: WaterSample) -> list[Step]:
    """End with the repeat and the batches."""
    return [
        Step(
            "the same again on another day, and after a dry and a wet month",
            "supplies switch sources; the card holds for one of them",
            False,
        ),
        Step(
            "two batches beside each other, this water and the one you know",
            "the flour's own buffer may hide the water altogether",
            False,
        ),
    ]


def _meanwhile(sample: WaterSample) -> str:
    """Choose what to use until the numbers are there."""
    if sample.needs_laboratory:
        return (
            "bottled water of a known label, for everything that is eaten, until the laboratory "
            "has answered."
        )
    if sample.alkalinity_mg_l is None:
        return (
            "bottled water whose label gives bicarbonate (a dose can be worked out from it), or "
            "this water undosed."
        )
    return "this water, dosed by its card and checked with the meter each time."
