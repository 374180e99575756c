"""Every sentence of the report, in one table; a second language or own words replace entries.

`chapters`, `results`, `methods` and `pictures` ask a `Texts` for their sentences by key.
Cautions come from `doughlab.sources` and the water room, findings from the rooms that made them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from string import Formatter

from doughlab.errors import InputError, UnknownName

ENGLISH: dict[str, str] = {
    # the page
    "language": "en",
    "skip": "To the answer",
    "contents": "Contents",
    "docket": "Trial {code} · {dough}",
    "last_record": "Speaks of the records up to {time}.",
    "no_record": "Nothing has been recorded yet.",
    "source_invented": "Invented: kitchen, waters and numbers of this trial are made up.",
    "source_published": "Published: the records of this trial come from a published experiment.",
    "source_own": "Records of the kitchen's own.",
    "footer_made": "Written by doughlab {version} from the files of this folder alone.",
    "footer_again": "The same folder gives this page again, byte for byte: doughlab report.",
    # headings
    "head_answer": "Question and answer",
    "head_waters": "The waters",
    "head_formula": "The dough",
    "head_plan": "The plan and why",
    "head_course": "What happened",
    "head_results": "Results",
    "head_open": "Not settled",
    "head_decision": "Decision",
    "head_cautions": "Cautions",
    "head_methods": "How it was computed",
    "head_model": "The model of {response}",
    "head_sources": "Sources",
    "head_versions": "Software",
    "head_files": "Files",
    "head_noticed": "Noticed",
    "head_panel": "How the judges worked",
    "panel_note": "No verdict depends on this: judges who disagree widen the ranges above.",
    "panel_caption": "Each judge's use of the scale, in points: shift is the level against the "
    "panel's; a stretch above 1 is a wider use of the scale; spread is what is left of single "
    "scores.",
    "col_judge": "judge", "col_scored": "scores", "col_shift": "shift",
    "col_stretch": "stretch", "col_noise_sd": "spread",
    # answer
    "answer_none": "No answer yet: {why}",
    "interim": "Interim: no {response} yet for {count} of {planned} balls.",
    "interim_scores": "Interim: {response} still due from {judges}.",
    "changed_some": "This trial was changed after its plan was kept. Read every result with that "
    "in mind.",
    "water_about": "About the dough only; whether a water is fit to drink is not judged here.",
    "ranges": "Numbers in brackets are {ranges}. Verdicts are read from them: matters, the "
    "whole range lies beyond the margin; differs, a difference is shown, whether it matters is "
    "not; same, the whole range lies inside the margin; not settled, everything else.",
    # waters
    "waters_none": "No water stands in waters.csv.",
    "waters_caption": "Waters as sampled; alkalinity, not pH, decides how much acid a water takes",
    "waters_cost": "Costs are in {currency} for a litre.",
    "col_quantity": "", "col_said_by": "who says so", "col_uncertainty_pct": "give or take",
    "water_low": "{water}: under {low} mg/L alkalinity a water has no steady pH, and it attacks "
    "metal.",
    "water_unknown": "{water}: its alkalinity is not known; no dose can be told from its pH alone.",
    "water_laboratory": "{water}: laboratory test before anybody tastes it ({why}).",
    # formula
    "formula_none": "No formula stands in the folder.",
    "formula_caption": "{name}: one batch of {balls} balls of {ball_g}, {loss} lost",
    "formula_levels": "Varied in this trial: {factors}. The table shows {levels}.",
    "formula_steps": "Steps: {steps}.",
    "col_ingredient": "ingredient", "col_percent": "of the flour", "col_grams": "one batch",
    # plan
    "plan_none": "No plan is kept in this folder.",
    "plan_counts": "{batches} batches with {balls} balls, mixed on {days} days. Each batch gives "
    "{purposes}; a pierced ball is never baked.",
    "plan_for_ph": "{n} balls for readings", "plan_for_bake": "{n} for bakes",
    "plan_for_pair": "{n} to learn the warm-up from", "plan_for_spare": "{n} to spare",
    "plan_counts_plain": "{batches} batches with {balls} balls.",
    "plan_unit": "The batch is the unit: balls of one batch share the mix, so what is set for a "
    "batch is compared batch against batch, what is set for a ball ball against ball.",
    "plan_stagger": "Mixing days are staggered: {shared} of {sessions} sessions serve two or more "
    "holds, so that a hold can be told from the day of its reading.",
    "plan_flour": "It takes {flour} of flour.",
    "plan_one_at_a_time": "Moving one thing at a time, differences as sure would take {batches} "
    "batches.",
    "plan_random": "Which settings fell on which day, the order in the day, the places in the "
    "cooler and the blind codes were drawn by lot (seed {seed}).",
    "plan_random_plain": "Which batch got which setting was drawn by lot (seed {seed}).",
    "plan_judges": "Scored blind, by three-digit codes; judges: {judges}.",
    "precision_caption": "What the plan could see before anything was mixed: the smallest "
    "difference found 4 times in 5, and how often it shows the same where it is so",
    "precision_none": "What the plan could see is not known: {why}",
    "col_found": "finds", "col_same": "shows the same",
    "col_factor": "factor", "col_levels": "settings tried", "col_set": "set for each",
    "col_based_on": "compared on",
    "factors_caption": "What was varied",
    "based_batches": "{n} batches",
    "based_balls": "{n} balls",
    "based_days": "{n} days",
    "margins_caption": "What was judged, and the margin: the smallest difference that matters, "
    "fixed before the data",
    "col_response": "judged on", "col_margin": "margin", "col_use_hold": "compared at",
    "col_window": "window",
    "use_hold": "{hold} hold", "use_all": "all settings",
    "window_words": "{low} to {high}",
    # course
    "course_counts": "Counts of balls, by what they were for",
    "col_purpose": "balls for", "col_planned": "planned", "col_recorded": "recorded",
    "col_lost": "lost", "col_missing": "still due",
    "purpose_ph": "readings", "purpose_bake": "bakes", "purpose_pair": "warm-up pairs",
    "purpose_spare": "spare",
    "course_lost": "Lost: {count} of {planned} balls.",
    "course_none_lost": "No ball was lost.",
    "lost_caption": "Lost balls and why",
    "col_ball": "ball", "col_reason": "reason",
    "corrections_none": "No record was corrected.",
    "corrections_caption": "Records that were corrected; the old rows stay in the files",
    "col_record": "record", "col_was": "was", "col_is": "is", "col_by": "by",
    "voided": "struck out",
    "meter_caption": "Calibrations of the meter",
    "col_when": "when", "col_slope": "slope", "col_offset": "offset at pH 7",
    "col_buffers": "buffers",
    "col_instrument": "meter", "col_at_temp": "read at",
    "meter_none": "No calibration was recorded: readings stand on the meter's word.",
    "problems_some": "Problems in the folder, not used: {count}. doughlab check lists them. The "
    "first: {first}",
    # results
    "based": "{recorded} of {planned} balls have a {response}{lost}; margin {margin}.",
    "based_lost": ", {count} lost",
    "head_numbers": "The numbers",
    "means_caption": "Means of {response}, each with its own 95 % range; averaged over the other "
    "settings, over the holds too where none is named",
    "contrasts_caption": "Differences in {response}; ranges hold together within a question",
    "unit_day": "mixing days", "unit_batch": "batches", "unit_ball": "balls",
    "range": "95 % range", "col_at": "at", "col_error": "standard error", "col_df": "df",
    "at_hold": "at {hold}",
    "over_all": "averaged over {factors}",
    "none": "none",
    # answers in short; each list of differences with its ranges stands under it
    "sum_at": "At {at} ",
    "sum_unanswered": "Not answered: {why}",
    "sum_one_matters": "The difference matters.",
    "sum_one_differs": "A difference is shown, though it may be too small to matter.",
    "sum_one_same": "No difference that matters.",
    "sum_one_not_settled": "This trial cannot tell.",
    "sum_number": "{words} {number}.",
    "sum_all_matters": "Every difference matters.",
    "sum_all_differs": "All differ, though perhaps by too little to matter.",
    "sum_all_same": "No difference that matters between any two.",
    "sum_all_not_settled": "This trial cannot tell any two apart, nor call them the same.",
    "sum_counts": "Of {n} differences: {counts}.",
    "count_matters": "{n} large enough to matter",
    "count_differs": "{n} shown, though perhaps too small to matter",
    "count_same": "{n} the same for the kitchen",
    "sum_so_far": "So far, and provisional: {text}",
    "second_view": "Second view, without verdicts",
    "count_not_settled": "{n} not settled",
    "sum_matters": "What matters: {names}.",
    "sum_differs": "A difference is shown, though it may be too small to matter: {names}.",
    "sum_same": "The same for the kitchen: {names}.",
    "sum_not_settled": "Not settled: {names}.",
    "col_level": "setting", "col_mean": "mean", "col_low": "from", "col_high": "to",
    "col_n": "n", "col_difference": "difference", "col_verdict": "verdict",
    "col_comparison": "comparison",
    "noticed_none": "Nothing unusual was noticed.",
    "no_figure": "Not drawn: {why}",
    # figures
    "mark_key": "Open marks are balls, upright strokes batch means, bars 95 % ranges.",
    "range_head": "mean (95 % range)",
    "difference_head": "difference ({ranges})",
    "axis_residual": "distance from the model, {response}",
    "axis_order": "batch, in mixing order",
    "mark_lost": "lost", "mark_due": "due",
    "axis_difference": "difference in {response}",
    "band_window": "window {low} to {high}",
    "band_margin": "margin ±{margin}",
    "line_key": "Filled marks are means with 95 % ranges, open marks are balls.",
    "lines_part": "the lines part: {factor} and {by} work on each other.",
    "lines_alike": "no sign that {factor} acts differently along {by}.",
    "caption_means": "{answer} Drawn: {response} {where}. {key}",
    "caption_contrasts": "{answer} The grey band is the margin, {margin}: wholly inside it is the "
    "same, wholly outside it matters.",
    "caption_lines": "{response} along {by}: {answer} {key}",
    "caption_balls": "All balls in mixing order: {balls} of {planned} have a {response}; {lost} "
    "lost, {due} still due.",
    "caption_residuals_none": "No ball lies further from the model than chance would put it.",
    "caption_residuals_some": "Unusual: {unusual}. Reported and used, never dropped.",
    "caption_plan": "Squares are mixing days, rings the hold in hours on the day of use. On "
    "{several} of {days} days of use balls of two or more holds are judged together (thick lines).",
    "alt_mean": "{level} {number}, {balls} balls of {batches} batches",
    "alt_means": "Means of {response} by {factor}, {where}, with 95 % ranges: {rows}.{window}",
    "alt_window": " Window {low} to {high}.",
    "alt_contrasts": "Differences in {response}, {where}, with {ranges}: {rows}. Margin "
    "{margin}.",
    "alt_lines": "Means of {response} by {factor} along {by}, with 95 % ranges. {rows}.{window}",
    "alt_balls": "{response} of {balls} balls of {batches} batches in mixing order, from {low} to "
    "{high}. Lost: {lost}. Still due: {due}.",
    "alt_residuals": "Distances of {n} values of {response} from the model, in mixing order; the "
    "largest is {ball}, {most}; margin {margin}. Unusual: {unusual}.",
    "caption_week": "Somebody works on {days} of {span} days. Bars are mixes, rings the hours of "
    "reading and baking, a line before a ring the warming up; the holds of a day stand at its "
    "right. On {several} days balls of two or more holds are used together.",
    "alt_week": "The week of the plan. {rows}.",
    "alt_plan_day": "{block} mixes on {on}, used at {uses}",
    "alt_plan": "Calendar of the plan. {rows}.",
    # waters
    "axis_dose": "{agent} into {water_kg} kg of water, g",
    "axis_grams": "acid product, g",
    "line_closed": "closed", "line_open": "open",
    "dose_mark": "{grams} g ({low} to {high})",
    "alt_curve": "pH along grams of product: closed (little air contact) {closed}; open (standing "
    "in air) {open}.",
    "alt_dose": "{water} at pH {ph}: {grams} g of {agent} ({low} to {high}) into {water_kg} kg, "
    "{vessel}. {curve}",
    "alt_readings": " Readings: {rows}.",
    "caption_curve": "The same grams, the same water: closed is read at once under a lid that lies "
    "on, open after standing in air.",
    "caption_dose": "{sentence}. Standing open the dosed water ends at pH {aired}.",
    "axis_balls_a_day": "balls a day", "axis_kg_a_year": "kg of dough a year",
    "axis_cost": "cost a year", "axis_cost_in": "cost a year, {currency}",
    "own_volume": "yours: {volume}",
    "alt_costs": "Cost of each supply in a year along {along}, {low} to {high}: {rows}. "
    "{crossings}.",
    "caption_costs": "At {volume} {along} {cheapest} costs least: {rows} a year. {crossings}. "
    "Rings mark equal cost. Your own prices; about the dough water only.",
    "crossing_none": "No two of them cost the same at any volume",
    "axis_difference_cost": "{first} - {second}, cost a year",
    "axis_difference_cost_in": "{first} - {second}, cost a year, {currency}",
    "band_same_cost": "left of 0 {first} costs less",
    "lever_head": "{change} % less to {change} % more",
    "alt_levers": "Difference of the yearly cost, {first} - {second}, as it stands {difference}; "
    "with one number {change} % less or more: {rows}.",
    "caption_levers": "{answer}.",
    # open
    "open_none": "Every question was settled.",
    "open_one": "{question} {comparison}{at}: {number}; {settle}.",
    # decision
    "decision_none": "No decision: {why}",
    "decision_use": "Use {settings}.",
    "decision_no_settings": "So no settings are recommended; the answers above stand.",
    "decision_confirm": "Confirm with {batches} batches{at} on {days} days: their mean should lie "
    "between {low} and {high}, single balls between {single_low} and {single_high}.",
    "interim_decision": "Interim: records are still to come.",
    "decision_so_far": "So far, and provisional: use {settings}.",
    "col_mean_of": "mean {response}", "col_chance": "of 10 new balls inside",
    "col_chance_range": "of 10 inside",
    "decision_caption": "Settings tried, and the chance that a new ball is inside the window",
    # cautions
    # the cook's page
    "head_short_do": "Do this",
    "head_short_batch": "One batch",
    "head_short_rooms": "Room by room",
    "head_short_when": "What to do when",
    "short_rooms_caption": "Water for a dough of {dough}, with the tap taken as {tap}; blank: not "
    "tried",
    "col_room": "room", "col_water": "water", "col_ice": "ice", "col_warm": "warm up",
    "short_rooms_none": "No room was tried yet: record the room with every mix, and the card "
    "fills.",
    "short_no_settings": "So no settings are recommended; what was found stands in the report.",
    "short_over": "pH reads above {high}: not there yet. Hold it longer, or warm it within your "
    "limit; doughlab ripe says how long.",
    "short_under": "pH reads below {low}: past the window. Warm it no further; your own rules "
    "and the food-safety plan decide what becomes of it.",
    "short_warm": "Time at room temperature adds up to {warm_h} h at most, before the cooler and "
    "after it together (your limit). Beyond it: the food-safety plan.",
    "short_cooler": "Cooler warmer than {cooler}: no pH or warm-up advice holds; the food-safety "
    "plan decides.",
    "short_change": "Another water, flour lot, mixer, cooler or meter: nothing here was tried with "
    "it. Make test batches and read them first.",
    # methods
    "methods_verdicts": "Verdicts are read from the printed ranges and the margin, nothing else: "
    "no model and no comparison was chosen by its p value. Ranges hold together within a question "
    "(Tukey for pairs, Dunnett against one setting). At most three questions are primary; all else "
    "is noticed, not tested.",
    "model_lead": "Fitted by restricted maximum likelihood. Fixed: {fixed}. Random: {random}.",
    "formula_lead": "As a formula: {formula}, random {random}. Degrees of freedom by Kenward and "
    "Roger; a variance at zero is kept as zero, which widens ranges.",
    "variances_caption": "How much {response} varies, as standard deviations",
    "col_source": "between", "col_sd": "standard deviation",
    "anova_caption": "Tests of the fixed terms of {response} (Kenward-Roger)",
    "col_term": "term", "col_statistic": "F", "col_df_num": "df", "col_df_den": "df of error",
    "col_p": "p",
    "term_block": "mixing day (block)",
    "term_residual": "balls of one batch (residual)",
    "term_residual_score": "single scores (residual)",
    "versions_caption": "Software that made this page",
    "col_software": "software", "col_version": "version",
    "files_caption": "Files of this folder that the page was made from, with SHA-256",
    "col_file": "file", "col_lines": "lines", "col_sum": "SHA-256",
    "kept_by": "The plan was made by doughlab {version} with seed {seed}.",
}  # fmt: skip


@dataclass(frozen=True)
class Texts:
    """The sentences of a report, with some replaced by one's own.

    Attributes
    ----------
    own : mapping of str to str
        Key of `ENGLISH` to one's own words. They may use the same names in braces, fewer too,
        but no others.

    Raises
    ------
    UnknownName
        For a key that is not in the table.
    InputError
        For a name in braces that the sentence does not have.

    Examples
    --------
    >>> Texts().say("based_batches", n=24)
    '24 batches'
    >>> Texts({"based_batches": "{n} Teige"}).say("based_batches", n=24)
    '24 Teige'
    """

    own: Mapping[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for key, text in self.own.items():
            if key not in ENGLISH:
                raise UnknownName("text", key, ENGLISH)
            strange = names_in(text) - names_in(ENGLISH[key])
            if strange:
                known = ", ".join(sorted(names_in(ENGLISH[key]))) or "none"
                raise InputError(
                    f"text '{key}' uses {{{sorted(strange)[0]}}}, which it does not have. "
                    f"Names it has: {known}."
                )

    def say(self, key: str, /, **values: object) -> str:
        """Fill in a sentence.

        Raises
        ------
        UnknownName
            For a key that is not in the table.
        """
        if key not in ENGLISH:
            raise UnknownName("text", key, ENGLISH)
        return self.own.get(key, ENGLISH[key]).format(**values)


def names_in(text: str) -> set[str]:
    """List the names in braces of a sentence.

    Raises
    ------
    InputError
        For braces that do not close.

    Examples
    --------
    >>> names_in("{n} of {planned}") == {"n", "planned"}
    True
    """
    try:
        return {name for _, name, _, _ in Formatter().parse(text) if name is not None}
    except ValueError as error:
        raise InputError(f"text '{text[:40]}' cannot be read: {error}.") from None
