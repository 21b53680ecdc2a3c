"""A gauge study in plain words."""

from __future__ import annotations

from typing import TYPE_CHECKING

from doe import wording
from doe.analysis.components import spread_text
from doe.analysis.groups import plural

if TYPE_CHECKING:
    from doe.analysis.gauge import GaugeStudy

__all__ = ["all_sentences", "label", "verdict"]

_GOOD, _USABLE = 0.10, 0.30
"""Shares of the tolerance up to which a gauge is good, or usable (common practice, no source)."""

_ENOUGH_GROUPS = 5
"""Groups of parts that a gauge should tell apart to follow a process (common practice, no
source)."""

_FEW = 5
"""Below so many operators their standard deviation is hardly known (common practice, no source)."""


def label(study: GaugeStudy, source: str) -> str:
    """A row of the table as it is read, with the study's own names."""
    part, operator = study.part, study.operator
    return {
        "gauge": "gauge, all together",
        "repeatability": f"repeatability (same {part}, same {operator})",
        "reproducibility": f"reproducibility (all that changes with {operator})",
        "operator": f"{operator}",
        "interaction": f"{operator} × {part}",
        "part": f"{part} within {operator}" if study.nested else part,
        "total": "total",
    }[source]


def verdict(study: GaugeStudy) -> str:
    """What the gauge can see."""
    rows, unit = study.table.set_index("source"), study.unit
    out = [f"One reading of {study.value} scatters about the {study.part}'s own value with a "
           f"standard deviation of {_size(rows.loc['gauge'], unit)}; the gauge makes up "
           f"{wording.percent(rows.loc['gauge', 'share'])} of the variance of these readings."]
    groups = study.distinguishable
    if groups == 1:
        out.append(f"It cannot tell {plural(study.part)} like these apart.")
    else:
        few = "" if groups >= _ENOUGH_GROUPS else (
            f", fewer than the {_ENOUGH_GROUPS} usually asked for")
        out.append(f"It can tell {groups} groups of {plural(study.part)} like these apart{few}.")
    if study.tolerance:
        ratio = study.tolerance_ratio
        grade = ("good" if ratio <= _GOOD else "usable, not good" if ratio <= _USABLE
                 else "too wide to judge single readings against the limits")
        out.append(f"Its spread (six standard deviations) is {wording.percent(ratio)} of the "
                   f"tolerance: {grade}.")
    if study.effect:
        out.append(_effect(study, study.effect))
    return " ".join(out)


def _size(row, unit: str) -> str:
    return spread_text(row["sd"], row["sd_low"], row["sd_high"], unit)


def _effect(study: GaugeStudy, effect: float) -> str:
    size, part = wording.quantity(effect, study.unit), study.part
    between = f"A difference of {size} between two {plural(part)}"
    needed = study.readings_for(effect)
    if needed == 1:
        return (f"{between} is seen with one reading each by the "
                f"same {study.operator}.")
    least = wording.quantity(study.least_difference(), study.unit)
    if needed is None:
        return (f"{between} cannot be seen by one "
                f"{study.operator}, however often read: the {study.operator}'s own deviation "
                f"differs from {part} to {part} by more. Average over several.")
    return (f"{between} is hidden by single readings, which differ by up to {least} without any "
            f"cause; with the mean of {needed} readings each by the same {study.operator} it is "
            "seen.")


def all_sentences(study: GaugeStudy) -> list[str]:
    """The verdict, where the spread comes from, and what to be wary of."""
    rows, unit = study.table.set_index("source"), study.unit
    out = [verdict(study)]
    for source in ("repeatability", "operator", "interaction", "part"):
        if source not in rows.index:
            continue
        row, text = rows.loc[source], wording.capitalise(label(study, source))
        if row["variance"] == 0:
            out.append(f"{text}: nothing beyond the rest is seen; a standard deviation of up to "
                       f"{wording.quantity(row['sd_high'], unit)} is not excluded (95 %).")
        else:
            out.append(f"{text}: standard deviation {_size(row, unit)}, "
                       f"{wording.percent(row['share'])} of the variance.")
    out.append(f"In 95 % of all pairs, two readings of one {study.part} differ by less than "
               f"{wording.quantity(study.repeatability_limit, unit)} by the same {study.operator}, "
               f"by less than {wording.quantity(study.reproducibility_limit, unit)} by two.")
    people = len(study.groups[study.roles.index("operator")].levels)
    if people < _FEW:
        out.append(f"With only {people} {plural(study.operator)}, how much they differ is hardly "
                   "known: see the interval.")
    if study.anova is None:
        out.append("The study is not balanced, so there is no classical analysis of variance; the "
                   "variances are estimated by restricted maximum likelihood.")
    elif (study.anova["variance"] < 0).any():
        names = wording.join(label(study, s) for s in
                             study.anova.loc[study.anova["variance"] < 0, "source"])
        out.append(f"The classical analysis gives a negative variance for {names}; it is taken as "
                   "0 here, and the other variances change a little with it.")
    return [*out, *study.remarks]
