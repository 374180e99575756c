"""The panel: what every judge is told, asked once, and still owes.

The bench shows it on a judge's card, `doughlab today` what is missing. No sentence names a ball:
a judge reads codes. How scores become numbers stands in `scores`.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from datetime import datetime
from typing import Any

from doughlab.errors import Problem
from doughlab.record.records import Records
from doughlab.settings import Settings

Row = dict[str, Any]
NOTES = "record/notes.csv"
# Words of one allergen, from the groups of Annex II of Regulation (EU) 1169/2011 (from memory):
# who names one of them is taken to mean all of them.
ALLERGENS: tuple[frozenset[str], ...] = tuple(
    frozenset(group.split())
    for group in (
        "wheat rye barley oat oats spelt durum semolina malt gluten coeliac celiac flour",
        "soya soy soybean soybeans", "milk dairy lactose butter cheese whey cream yoghurt casein",
        "egg eggs", "sesame tahini", "peanut peanuts groundnut groundnuts", "mustard", "celery",
        "nut nuts almond almonds hazelnut hazelnuts walnut walnuts cashew cashews pistachio "
        "pistachios pecan pecans", "fish anchovy anchovies", "lupin", "sulphite sulphites sulfite "
        "sulfites", "crustacean crustaceans prawn prawns shrimp", "mollusc molluscs squid",
    )
)  # fmt: skip
_NO = re.compile(
    r"\s*(?:no|nope|no,? thanks?|no consent|stop|stopped|not today)\s*[.!]*\s*"
    r"|.*\b(?:refus\w*|declin\w*|withdr\w+|no consent|no tasting|opt(?:s|ed)? out"
    r"|not (?:willing|tasting|taking part)"
    r"|(?:does|will|do|did) not (?:taste|agree|consent)|won't taste|doesn't taste)\b.*",
    re.IGNORECASE | re.DOTALL,
)
_NEGATED = re.compile(r"\b(?:no|not|without|never|none|neither|nor)\b[^,;.]*?(?=\bbut\b|[,;.]|$)")
_CONDITION = re.compile(r"allerg|intoler|problem|issue|trouble|react|disease|condition|sensitiv")
# Words that say nothing of an allergy (our own list): anything else is passed on to who plates.
_PLAIN = frozenset(
    re.findall(
        r"\w+",
        "a all allergies allergy agree agreed agrees and any asked but can consent consents fine "
        "glad happy has have he her his i is it known may me my never no none nor not nothing of "
        "off ok okay said says she taste tastes tasting the they to will with yes",
    )
)
CONSENT = "You may stop at any time, and say no to any sample."


def tell_judges(settings: Settings) -> list[str]:
    """Say how samples are tasted, in the order in which it is needed.

    Parameters
    ----------
    settings : Settings
        Section [panel].

    Returns
    -------
    list of str
        Sentences for the head of a judge's card.

    Examples
    --------
    >>> print(tell_judges(Settings("Demo", "DE"))[-2])
    The samples contain wheat. Allergic to any of it, or not feeling well: do not taste.
    """
    panel = settings.panel
    best = f"The best one, as agreed before the first bake: {panel.ideal}." if panel.ideal else (
        "Nobody has written down yet what the best one is like: ask before the first sample."
    )  # fmt: skip
    said = [best]
    if panel.reference:
        said.append(f"Taste first, by its name and without a score: {panel.reference}.")
    said.append(
        f"Each sample {panel.from_oven_min:g} min from the oven; {panel.palate_rest_min:g} min, "
        "water and a bite of plain bread between two."
    )
    said.append(
        f"The samples contain {panel.contains}. Allergic to any of it, or not feeling well: do "
        "not taste."
    )
    return [*said, CONSENT]


def meets(note: str, contains: str) -> str:
    """Name what the samples contain that a judge's own words exclude; empty where nothing does.

    Parameters
    ----------
    note : str
        What the judge said: "allergic to soya", "no allergies".
    contains : str
        Allergens of the samples, as in [panel]: "wheat, soya".

    Examples
    --------
    >>> meets("coeliac", "wheat, soya"), meets("allergic to nuts", "wheat")
    ('wheat', '')
    >>> meets("no allergies", "wheat"), meets("not allergic to wheat", "wheat")
    ('', '')
    >>> meets("no wheat", "wheat"), meets("no nuts, but soy", "wheat, soya")
    ('wheat', 'soya')
    """
    said = _named(note)
    hit = []
    for name in re.split(r"[,;/]|\band\b", contains):
        own = set(re.findall(r"[^\W\d_]+", name.casefold()))
        family = own.union(*(group for group in ALLERGENS if group & own))
        if own and said & family:
            hit.append(name.strip())
    return ", ".join(hit)


def _named(note: str) -> set[str]:
    """Give the words of a judge, without what is said not to be: "not allergic to wheat".

    "No wheat" is taken as it would be at a table: none for me, please.
    """
    kept = _NEGATED.sub(lambda m: " " if _CONDITION.search(m[0]) else m[0], note.casefold())
    return set(re.findall(r"[^\W\d_]+", kept))


def _why_barred(note: str, contains: str) -> str:
    if _NO.fullmatch(note):
        return f"said '{note.strip()[:60]}'"
    hit = meets(note, contains)
    return f"said '{note.strip()[:60]}', and the samples contain {hit}" if hit else ""


def find_barred(settings: Settings, records: Records, at: datetime | None = None) -> dict[str, str]:
    """Find the judges who are not served: who said no, or named what the samples contain.

    A later word does not undo it: the entry itself is taken back, with a reason.

    Parameters
    ----------
    settings : Settings
        `contains` of [panel].
    records : Records
    at : datetime, optional
        Words after it are not counted.

    Returns
    -------
    dict of str to str
        Judge to the reason.

    Examples
    --------
    >>> from doughlab.sections import Panel
    >>> settings = Settings("Demo", "DE", panel=Panel(judges=("ada", "ben")))
    >>> notes = [{"about": "ada", "kind": "consent", "note": "coeliac"}]
    >>> find_barred(settings, Records.of(notes=notes))
    {'ada': "said 'coeliac', and the samples contain wheat"}
    """
    found: dict[str, str] = {}
    for row in records.notes:
        if row["kind"] != "consent" or (
            at is not None and row["at"] is not None and row["at"] > at
        ):
            continue
        why = _why_barred(row["note"] or "", settings.panel.contains)
        if why:
            found.setdefault(row["about"], why)
    return found


def check_consent(settings: Settings, records: Records) -> Iterator[Problem]:
    """Say which judges are not served and why, and which scores cannot be theirs.

    Examples
    --------
    >>> list(check_consent(Settings("Demo", "DE"), Records()))
    []
    """
    since: dict[str, Row] = {}
    for row in records.notes:
        if row["kind"] != "consent":
            continue
        why = _why_barred(row["note"] or "", settings.panel.contains)
        judge = row["about"]
        if why:
            since.setdefault(judge, row)
            words = (
                f"{judge} {why}: {judge} is not served, gets no card and no score sheet. If it "
                "was written down wrongly, take it back: doughlab record consent --void "
                f"{str(row.get('entry_id') or 'ENTRY')[:8]} --reason TEXT"
            )
            yield Problem(NOTES, words, row.get("_row"), "note", "note")
        elif judge in since:
            before = since[judge]["note"]
            words = (
                f"{judge} said '{before}' before, and that stands until it is taken back: "
                f"{judge} is not served."
            )
            yield Problem(NOTES, words, row.get("_row"), "note", "note")
    for row in records.scores:
        barred = since.get(row["judge"])
        if barred and row["scored_at"] is not None and row["scored_at"] >= barred["at"]:
            words = (
                f"{row['judge']} is not served since {barred['at']:%Y-%m-%d %H:%M}: said "
                f"'{barred['note']}'. Look who tasted."
            )
            yield Problem("record/scores.csv", words, row.get("_row"), "judge")


def list_unasked(settings: Settings, records: Records) -> list[str]:
    """List the judges whose allergies and consent are not written down.

    Examples
    --------
    >>> from doughlab.sections import Panel
    >>> settings = Settings("Demo", "DE", panel=Panel(judges=("ada", "ben")))
    >>> asked = Records.of(notes=[{"about": "ada", "kind": "consent", "note": "none"}])
    >>> list_unasked(settings, asked)
    ['ben']
    """
    asked = {row["about"] for row in records.notes if row["kind"] == "consent"}
    return [judge for judge in settings.panel.judges if judge not in asked]


def tell_served(settings: Settings, records: Records) -> list[str]:
    """Tell whoever plates what each judge said of allergies, who is not served, who was not asked.

    What comes down to "none" is left out.

    Examples
    --------
    >>> from doughlab.sections import Panel
    >>> settings = Settings("Demo", "DE", panel=Panel(judges=("ada", "ben", "cy", "di")))
    >>> said = {"ada": "no allergies", "ben": "allergic to nuts", "cy": "coeliac"}
    >>> notes = [{"about": j, "kind": "consent", "note": n} for j, n in said.items()]
    >>> for line in tell_served(settings, Records.of(notes=notes)):
    ...     print(line)
    Not served: cy, who said 'coeliac', and the samples contain wheat.
    Not asked yet, so no plate before the answer is written down: di. Allergies? Agrees to taste?
    ben said 'allergic to nuts'. The samples contain wheat: look at sauce and topping too.
    """
    barred = find_barred(settings, records)
    lines = [f"Not served: {judge}, who {why}." for judge, why in barred.items()]
    unasked = list_unasked(settings, records)
    if unasked:
        lines.append(
            f"Not asked yet, so no plate before the answer is written down: {', '.join(unasked)}. "
            "Allergies? Agrees to taste?"
        )
    for row in records.notes:
        note = (row["note"] or "").strip()
        if row["kind"] == "consent" and row["about"] not in barred and is_allergy(note):
            lines.append(
                f"{row['about']} said '{note[:60]}'. The samples contain "
                f"{settings.panel.contains}: look at sauce and topping too."
            )
    return lines


def is_allergy(note: str) -> bool:
    """Tell whether a judge's words name something to keep away from; "none" and "yes" do not.

    Examples
    --------
    >>> [is_allergy(n) for n in ("no allergies", "None. Agrees to taste.", "no nuts, but soy", "")]
    [False, False, True, False]
    >>> is_allergy("no nuts"), is_allergy("no nut allergy"), is_allergy("No, fine with all")
    (True, False, False)
    """
    return bool(_named(note) - _PLAIN)


def count_owed(settings: Settings, records: Records, at: datetime | None = None) -> dict[str, int]:
    """Count, for each judge, the baked balls whose card is not whole.

    Parameters
    ----------
    settings : Settings
    records : Records
    at : datetime, optional
        Bakes after it are not counted.

    Returns
    -------
    dict of str to int
        Judges who owe nothing are left out.

    Examples
    --------
    >>> count_owed(Settings("Demo", "DE"), Records())
    {}
    """
    owed: dict[str, int] = {}
    lost = {row["about"] for row in records.notes if row["kind"] == "lost"}
    baked = {
        row["ball_id"]
        for row in records.bakes
        if (at is None or row["baked_at"] is None or row["baked_at"] <= at)
        and row["ball_id"] not in lost
    }
    for ball, judges in waiting_judges(settings, records).items():
        for judge in judges if ball in baked else ():
            owed[judge] = owed.get(judge, 0) + 1
    return {judge: owed[judge] for judge in settings.panel.judges if judge in owed}


def waiting_judges(settings: Settings, records: Records) -> Mapping[str, list[str]]:
    """List for every baked ball the judges whose card is not whole.

    Examples
    --------
    >>> waiting_judges(Settings("Demo", "DE"), Records())
    {}
    """
    barred = find_barred(settings, records)
    judges = [j for j in settings.panel.judges if j not in barred]
    if not judges or not any(r.kind == "score" for r in settings.responses.values()):
        return {}
    needed = {name for name, c in settings.rubric.items() if c.weight > 0}
    given: dict[tuple[str, str], set[str]] = {}
    for row in records.scores:
        if row["score"] is not None:
            given.setdefault((row["ball_id"], row["judge"]), set()).add(row["criterion"])
    return {
        bake["ball_id"]: [j for j in judges if needed - given.get((bake["ball_id"], j), set())]
        for bake in records.bakes
    }


def panel_words(settings: Settings, records: Records, at: datetime | None = None) -> str:
    """Say which judges owe scores and who was not asked yet; empty where all is there.

    Examples
    --------
    >>> panel_words(Settings("Demo", "DE"), Records())
    ''
    """
    owed = count_owed(settings, records, at)
    barred = find_barred(settings, records)
    said = [f"not served: {judge}, who {why}" for judge, why in barred.items()]
    if owed:
        named = ", ".join(f"{judge} {n}" for judge, n in owed.items())
        said.append(f"cards not whole: {named}")
    unasked = list_unasked(settings, records)
    if unasked and (records.bakes or records.scores):
        said.append(
            f"allergies and consent not written down: {', '.join(unasked)}; "
            f'doughlab record consent {unasked[0]} "no allergies"'
        )
    return "; ".join(said)
