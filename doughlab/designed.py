"""The section [plan] of trial.toml: which kind of plan, and what it may be told.

`settings` reads it; `levels` and the plan room follow it. Without the section every combination
is mixed, as often as [blocks] says.
"""

from __future__ import annotations

from dataclasses import dataclass

from doughlab.cells import Column
from doughlab.keys import Key, Section, choice_key, id_key, key_table, text_key, whole_key

FULL, FRACTION, COMPOSITE, BEHNKEN = "full", "fraction", "central-composite", "box-behnken"
LATIN, STEPS, SEARCH = "latin-square", "steps", "search"
DESIGNS = (FULL, FRACTION, COMPOSITE, BEHNKEN, LATIN, STEPS, SEARCH)
ROTATABLE, FACE, ORTHOGONAL = "rotatable", "face", "orthogonal"
LINES = "lines"
MODELS = (LINES, "pairs", "curves")
USUAL_CENTRES = {COMPOSITE: {2: 5, 3: 6, 4: 6, 5: 10, 6: 15}, BEHNKEN: {3: 3, 4: 3, 5: 6}}


# Which kinds of plan listen to a key; the others would pass over it.
LISTENS: dict[str, tuple[str, ...]] = {
    "generators": (FRACTION,),
    "runs": (FRACTION, SEARCH),
    "centres": (FULL, FRACTION, COMPOSITE, BEHNKEN),
    "alpha": (COMPOSITE,),
    "cube": (COMPOSITE,),
    "model": (SEARCH,),
    "criterion": (SEARCH,),
    "batches": (SEARCH,),
    "balls": (SEARCH,),
}


@dataclass(frozen=True)
class Design:
    """Which batches are mixed.

    Attributes
    ----------
    design : str
        "full" mixes every combination; "fraction" a half, a quarter or less of them;
        "central-composite" and "box-behnken" follow curves; "latin-square" gives every setting
        each place of the day once; "steps" moves one setting at a time; "search" looks for the
        best batches for a stated model.
    generators : tuple of str
        For a fraction: "flour = water*hydration". Chosen for you where there are none.
    runs : int or None
        Combinations of a fraction, or batches of a search.
    centres : int or None
        Batches with every number in the middle; None takes the usual number for a surface, and
        none otherwise.
    alpha : str
        How far the outer batches of a central composite plan lie from the middle.
    cube : str
        "half" leaves half of the corners out, from five numbers on.
    model : str
        For a search: "lines", "pairs" (and how settings change each other), "curves" (and bends).
    criterion : str
        For a search: "D" sees the settings sharply, "I" the predictions.
    batches : tuple of int
        For a search: batches of each mixing day.
    balls : int or None
        For a search: ball settings that one batch takes; None gives every batch all of them.
    readers, meters : tuple of str
        For a meter study: who reads every ball, and with what.
    repeats : int
        Readings of a ball by one reader with one meter.

    Examples
    --------
    >>> Design("box-behnken").count_centres(3), Design().count_centres(3)
    (3, 0)
    """

    design: str = FULL
    generators: tuple[str, ...] = ()
    runs: int | None = None
    centres: int | None = None
    alpha: str = ROTATABLE
    cube: str = FULL
    model: str = "pairs"
    criterion: str = "D"
    batches: tuple[int, ...] = ()
    balls: int | None = None
    readers: tuple[str, ...] = ()
    meters: tuple[str, ...] = ()
    repeats: int = 2

    @property
    def is_surface(self) -> bool:
        """Tell whether the plan follows curves along numbers."""
        return self.design in (COMPOSITE, BEHNKEN)

    def count_centres(self, numbers: int) -> int:
        """Give the batches in the middle, for so many numbers."""
        if self.centres is not None:
            return self.centres
        return USUAL_CENTRES.get(self.design, {}).get(numbers, 0)


PLAN = Section(
    key_table(
        choice_key("design", DESIGNS, "Which kind of plan."),
        text_key("generators", "How the fraction is cut, as c = a*b.", many=True),
        whole_key("runs", 2, 256, "Combinations of a fraction, batches of a search."),
        whole_key("centres", 0, 30, "Batches with every number in the middle."),
        choice_key("alpha", (ROTATABLE, FACE, ORTHOGONAL), "How far out the outer batches lie."),
        choice_key("cube", (FULL, "half"), "full or half: the corners that are mixed."),
        choice_key("model", MODELS, "What a search is for."),
        choice_key("criterion", ("D", "I"), "D for the settings, I for predictions."),
        Key(
            Column("batches", "integer", "batches", low=1, high=60),
            "Batches of each mixing day.",
            many=True,
        ),
        whole_key("balls", 2, 50, "Ball settings of each batch of a search."),
        id_key("readers", "Who reads every ball of a meter study.", many=True),
        id_key("meters", "The meters of a meter study.", many=True),
        whole_key("repeats", 1, 10, "Readings by one reader with one meter."),
    ),
    Design,
)
