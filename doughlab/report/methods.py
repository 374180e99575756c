"""Chapters at the end: cautions, and how everything was computed.

`page` puts them last. Models and numbers come from the analyses, references from `sources`.
Versions and checksums make the page traceable; no clock is read.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from doughlab.analysis.models import term_words
from doughlab.analysis.wording import decimals_for, joined
from doughlab.report.blocks import Block, Head, Listing, Section, Words, grid_of
from doughlab.report.figures import axis_words
from doughlab.report.text import Texts
from doughlab.report.timeline import COOLER_WORDS
from doughlab.sources import CAUTIONS, FROM_MEMORY, caution_sentences, cite
from doughlab.water.cautions import list_cautions
from doughlab.water.constants import LOW_ALKALINITY_MG_L
from doughlab.water.sample import WaterSample
from doughlab.water.targets import find_target_factor, is_dosed, plans_doses

if TYPE_CHECKING:
    from doughlab.analysis.analyse import Analysis
    from doughlab.report.subject import Subject

FILES = ("trial.toml", "report-texts.toml", "waters.csv", "formula.toml", "plan/*", "record/*.csv",
         "daily/*")  # fmt: skip
SOFTWARE = ("doughlab", "numpy", "scipy", "pandas", "formulaic", "matplotlib")


def choose_cautions(trial: Subject) -> tuple[str, ...]:
    """List the cautions of the report: on dough always, on acid where waters are the matter.

    Parameters
    ----------
    trial : Trial
    """
    settings = trial.settings
    dosed = is_dosed_trial(trial)
    about_water = dosed or any(f.kind == "water" for f in settings.factors.values())
    drop = set() if about_water else {"dough_only"}
    if not any(r.table == "readings" for r in settings.responses.values()):
        drop |= {"pierced_ball", "glass_electrodes", "meter_liquids", "meter", "strips"}
    if not any(r.table == "scores" for r in settings.responses.values()):
        drop.add("judges")
    if not _was_warm(trial):
        drop.add("warm_cooler")
    said = caution_sentences(k for k in CAUTIONS if k not in drop)
    if not about_water:
        return tuple(said)
    known = [
        w["alkalinity_mg_l"] for w in trial.waters.values() if w.get("alkalinity_mg_l") is not None
    ]
    from_water = list_cautions(
        lemon=_lemon(trial),
        low_alkalinity=dosed or any(v < LOW_ALKALINITY_MG_L for v in known),
        laboratory=any(WaterSample.from_row(w).needs_laboratory for w in trial.waters.values()),
    )
    own = ("About the dough only", "Local code")
    return (*said, *(s for s in from_water if not s.startswith(own)))


def is_dosed_trial(trial: Subject) -> bool:
    """Tell whether a water is dosed in a trial: by its plan, or by what was written down.

    Parameters
    ----------
    trial : Trial
    """
    settings = trial.settings
    return plans_doses(settings) or any(is_dosed(settings, {}, m) for m in trial.records.mixes)


def _was_warm(trial: Subject) -> bool:
    """Tell whether a cooler was recorded above the user's limit."""
    limit = trial.settings.limits.cooler_c
    return any(
        row["temp_c"] is not None
        and row["temp_c"] > limit
        and any(word in row["place"].lower() for word in COOLER_WORDS)
        for row in trial.records.temperatures
    )


def _lemon(trial: Subject) -> bool:
    factor = find_target_factor(trial.settings)
    named = [m.get("acid") or "" for m in trial.records.mixes]
    named += factor.levels if factor is not None else ()
    return any("lemon" in name.lower() for name in named)


def cautions_chapter(trial: Subject, texts: Texts) -> Section:
    """Put the usual cautions on the report."""
    say = texts.say
    return Section("cautions", say("head_cautions"), (Listing(choose_cautions(trial)),))


def methods_chapter(trial: Subject, analyses: Mapping[str, Analysis], texts: Texts) -> Section:
    """Tell how it was computed: models, references, software, files."""
    say = texts.say
    parts = [_model_part(a, texts) for a in analyses.values()]
    if analyses:
        parts.append(Section("sources", say("head_sources"), sources_blocks(analyses, texts)))
    parts.append(_software_part(trial, texts))
    parts.append(_files_part(trial, texts))
    lead: tuple[Block, ...] = (Words(say("methods_verdicts")),) if analyses else ()
    return Section("methods", say("head_methods"), lead, tuple(parts))


def _model_part(result: Analysis, texts: Texts) -> Section:
    say, fit = texts.say, result.fit
    words = result.response.words
    fixed = joined(_term(result, t, texts) for t in result.model.fixed) or say("none")
    random = joined(_term(result, t, texts) for t in fit.random_names[:-1]) or say("none")
    blocks: list[Block] = [
        Words(say("model_lead", fixed=fixed, random=random)),
        Words(say("formula_lead", formula=fit.design.formula.text,
                  random=", ".join(fit.random_names[:-1]) or say("none"))),
    ]  # fmt: skip
    d = decimals_for(result.response.margin) + 1
    spread = [[_term(result, str(name), texts), f"{max(v, 0.0) ** 0.5:.{d}f}"]
              for name, v in fit.variances.items()]  # fmt: skip
    heads = [Head(say("col_source")), Head(say("col_sd"), axis_words(result.response))]
    blocks.append(grid_of(say("variances_caption", response=words), heads, spread))
    rows = [[_term(result, str(r["term"]), texts), f"{r['statistic']:.2f}", f"{r['df_num']:.0f}",
             f"{r['df_den']:.1f}", p_words(float(r["p_value"]))]
            for r in result.anova.to_dict("records")]  # fmt: skip
    if rows:
        names = ("term", "statistic", "df_num", "df_den", "p")
        heads = [Head(say(f"col_{name}")) for name in names]
        blocks.append(grid_of(say("anova_caption", response=words), heads, rows))
    title = say("head_model", response=words)
    return Section(f"model-{result.response.name}", title, tuple(blocks))


def _term(result: Analysis, term: str, texts: Texts) -> str:
    """Write a term in kitchen words, the statistical word in brackets where it is another."""
    if term == "residual":
        judged = result.response.kind == "score"
        return texts.say("term_residual_score" if judged else "term_residual")
    return texts.say("term_block") if term == "block" else term_words(result.settings, term)


def p_words(p: float) -> str:
    """Write a p value with three digits at most.

    Examples
    --------
    >>> p_words(0.0312), p_words(0.00002)
    ('0.031', '< 0.001')
    """
    return "< 0.001" if p < 0.001 else f"{p:.3f}"


def sources_blocks(analyses: Mapping[str, Analysis], texts: Texts) -> tuple[Block, ...]:
    """List the references by number, and say once which of them were not seen on a page.

    Parameters
    ----------
    analyses : mapping of str to Analysis
    texts : Texts
    """
    full = cite(list_sources(analyses))
    items = tuple(text.removesuffix(FROM_MEMORY) for text in full)
    memory = [str(i) for i, text in enumerate(full, start=1) if text.endswith(FROM_MEMORY)]
    listing = Listing(items, ordered=True)
    if not memory:
        return (listing,)
    if len(memory) == len(full):
        return listing, Words(texts.say("sources_all"), "note")
    return listing, Words(texts.say("sources_memory", numbers=joined(memory)), "note")


def list_sources(analyses: Mapping[str, Analysis]) -> list[str]:
    """List the references of the methods that were used, by key."""
    keys = ["patterson-thompson-1971", "kenward-roger-1997", "kenward-roger-2009"]
    contrasts = {a.question.contrast for r in analyses.values() for a in r.answers}
    if "pairs" in contrasts:
        keys += ["tukey-1953", "kramer-1956"]
    if any(c.startswith("vs:") for c in contrasts):
        keys.append("dunnett-1955")
    keys += ["schuirmann-1987", "iso-3534-3"]
    if any(r.table == "scores" for r in (a.response for a in analyses.values())):
        keys.append("williams-1949")
    return keys


def _software_part(trial: Subject, texts: Texts) -> Section:
    from importlib.metadata import version

    say = texts.say
    heads = [Head(say("col_software")), Head(say("col_version"))]
    blocks: list[Block] = []
    if trial.frozen_plan is not None and trial.frozen_plan.version:
        plan = trial.frozen_plan
        blocks.append(Words(say("kept_by", version=plan.version, seed=plan.seed)))
    rows = [[name, version(name)] for name in SOFTWARE]
    blocks.append(grid_of(say("versions_caption"), heads, rows))
    return Section("software", say("head_versions"), tuple(blocks))


def list_files(folder: Path) -> list[tuple[str, int, str]]:
    """List the files that a report is made from: name, lines, SHA-256.

    Parameters
    ----------
    folder : Path
        The trial folder.

    Returns
    -------
    list of (str, int, str)
        In the order of the folder's own description, each pattern sorted by name.
    """
    found = []
    for pattern in FILES:
        for path in sorted(folder.glob(pattern)):
            if path.is_file():
                data = path.read_bytes()
                name = path.relative_to(folder).as_posix()
                found.append((name, data.count(b"\n"), hashlib.sha256(data).hexdigest()))
    return found


def _files_part(trial: Subject, texts: Texts) -> Section:
    say = texts.say
    heads = [Head(say("col_file")), Head(say("col_lines")), Head(say("col_sum"), number=False)]
    rows = [[name, str(lines), digest] for name, lines, digest in list_files(trial.folder)]
    return Section("files", say("head_files"), (grid_of(say("files_caption"), heads, rows),))
