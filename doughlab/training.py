"""Section [training]: who learns to read and dose, beside whom, and how near is near enough.

`sections` lists it; what the pairs of numbers say stands in `record.trainee`.
"""

from __future__ import annotations

from dataclasses import dataclass

from doughlab.keys import Section, id_key, key_table, number_key, whole_key


@dataclass(frozen=True)
class Training:
    """Trainees, and the band within which their numbers must agree with an experienced person's.

    Attributes
    ----------
    trainees, experienced : tuple of str
        Initials, as they stand in entered_by.
    band_ph : float
        Largest difference of two readings of one sample, in pH.
    band_dose_pct : float
        Largest difference of two doses weighed for one water, in per cent.
    pairs : int
        How many pairs make a block; each pair is judged in one block only.
    repeat_months : int
        After how many months they are taken again.
    """

    trainees: tuple[str, ...] = ()
    experienced: tuple[str, ...] = ()
    band_ph: float = 0.10
    band_dose_pct: float = 5.0
    pairs: int = 10
    repeat_months: int = 12

    def check(self) -> str:
        """Say what is wrong; empty where nothing is.

        Examples
        --------
        >>> Training(("ben",), ()).check()
        'a trainee needs somebody to be compared with: experienced = ["ada"].'
        """
        both = sorted(set(self.trainees) & set(self.experienced))
        if both:
            return f"{both[0]} stands under trainees and under experienced. Take one away."
        if self.trainees and not self.experienced:
            return 'a trainee needs somebody to be compared with: experienced = ["ada"].'
        return ""


TRAINING = Section(
    key_table(
        id_key("trainees", "Initials of who learns.", many=True),
        id_key("experienced", "Initials of whom they are compared with.", many=True),
        number_key("band_ph", "ph", 0.01, 1, "Largest difference of two readings of a sample."),
        number_key("band_dose_pct", "pct", 0.1, 50, "Largest difference of two doses."),
        whole_key("pairs", 5, 100, "Pairs of a block; each is judged in one block only."),
        whole_key("repeat_months", 1, 60, "Months after which they are taken again."),
    ),
    Training,
)
