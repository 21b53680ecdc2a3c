"""Gauge study: how much of the spread of readings is the measurement's own.

Every part (here: a cup, or a sample of it) is measured several times by several operators
(or instruments, or laboratories). The variance of a reading divides into repeatability (same
part, same operator), reproducibility (what changes with the operator) and the parts' own.

References
----------
ASTM E2782, *Standard Guide for Measurement Systems Analysis*; ASTM E691, *Standard Practice for
Conducting an Interlaboratory Study to Determine the Precision of a Test Method*; ISO 5725-6
(repeatability and reproducibility limits, 1.96 √2 standard deviations).
Burdick, R. K., Borror, C. M. & Montgomery, D. C. (2003). A review of methods for measurement
systems capability analysis. *Journal of Quality Technology* 35, 342–354.
The limits for ratios, and when to leave the interaction out, are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from scipy import stats

from doe import wording
from doe.analysis import gauge_sentences as words
from doe.analysis.components import check_separable, measured
from doe.analysis.groups import Grouping, plural
from doe.analysis.likelihood import Likelihood
from doe.analysis.reml import Reml, fit_reml
from doe.errors import InputError, as_number

__all__ = ["GaugeStudy", "gauge_study"]

KEEP_INTERACTION = 0.25
"""p-value of the interaction up to which it stays in the model (common practice, no source)."""

SPREAD = 6.0
"""Standard deviations taken as the width of the gauge's spread (common practice, no source)."""


@dataclass(frozen=True, eq=False)
class GaugeStudy:
    """A gauge's precision.

    Attributes
    ----------
    anova : DataFrame or None
        ``source, df, sum_of_squares, mean_square, F, p, variance``: the classical analysis of a
        balanced study, with the variances it would give (negative ones as they come out). None
        if the study is not balanced.
    groups : tuple of Grouping
        The groupings in the model.
    reml : Reml
    roles : tuple of str
        What each component is: "operator", "part", "interaction", "repeatability".
    part, operator, value, unit : str
        Column names, as they are read, and the unit of the readings.
    nested : bool
        True if every operator measured parts of their own.
    tolerance : float or None
        Width of the specification, in `unit`.
    effect : float or None
        Difference between two parts that should be seen, in `unit`.
    remarks : tuple of str
    """

    anova: pd.DataFrame | None
    groups: tuple[Grouping, ...]
    reml: Reml
    roles: tuple[str, ...]
    part: str
    operator: str
    value: str
    unit: str
    nested: bool
    tolerance: float | None
    effect: float | None
    remarks: tuple[str, ...]

    def variance(self, *roles: str) -> float:
        """Sum of the components with these roles; those not in the model count as 0."""
        return float(sum(v for r, v in zip(self.roles, self.reml.variances, strict=True)
                         if r in roles))

    @property
    def sd(self) -> float:
        """Standard deviation of one reading by any operator about the part's own value."""
        return self.variance("repeatability", "operator", "interaction") ** 0.5

    @property
    def repeatability_limit(self) -> float:
        """Two readings of a part by one operator differ by less in 95 % of all pairs."""
        return _PAIR * self.variance("repeatability") ** 0.5

    @property
    def reproducibility_limit(self) -> float:
        """Readings of a part by two operators differ by less in 95 % of all pairs."""
        return _PAIR * self.sd

    @property
    def tolerance_ratio(self) -> float:
        """Precision-to-tolerance ratio, `SPREAD` standard deviations over the tolerance."""
        return SPREAD * self.sd / self.tolerance if self.tolerance else np.nan

    @property
    def distinguishable(self) -> int:
        """How many groups of parts like these the gauge can tell apart (at least 1).

        √2 times the ratio of the parts' standard deviation to the gauge's, rounded down (common
        practice, no source).
        """
        ratio = np.sqrt(2 * self.variance("part")) / self.sd
        return max(1, int(ratio + 1e-9))

    def sd_of_mean(self, readings: int = 1, operators: int = 1) -> float:
        """Standard deviation of a part's mean over so many operators with so many readings each."""
        for name, count in (("readings", readings), ("operators", operators)):
            if as_number(name, count, at_least=1) != int(count):
                raise InputError(name, count, "this is not a whole number", "Give a whole number")
        shared = self.variance("operator", "interaction")
        return float(np.sqrt((shared + self.variance("repeatability") / readings) / operators))

    def least_difference(self, readings: int = 1) -> float:
        """Difference between two parts that exceeds 95 % of those between equal parts.

        Each part is the mean of so many readings, all by one operator, whose own deviation
        cancels.
        """
        own = self.variance("interaction") + self.variance("repeatability") / readings
        return float(_PAIR * np.sqrt(own))

    def readings_for(self, effect: float) -> int | None:
        """Least readings a part with which one operator sees a difference; None if none do."""
        room = (as_number("effect", effect, above=0) / _PAIR) ** 2 - self.variance("interaction")
        if room <= 0:
            return None
        return max(1, int(np.ceil(self.variance("repeatability") / room - 1e-9)))

    @cached_property
    def table(self) -> pd.DataFrame:
        """The components and their sums.

        Returns
        -------
        DataFrame
            ``source`` ("gauge", "repeatability", "reproducibility", "operator", "interaction",
            "part", "total"), ``label``, ``variance, sd`` with its 95 % profile-likelihood
            interval ``sd_low, sd_high``, ``share`` of the total variance, and with a tolerance
            ``of_tolerance`` (`SPREAD` standard deviations as a share of it).
        """
        gauge = ("repeatability", "operator", "interaction")
        sums = {"gauge": gauge, "repeatability": ("repeatability",),
                "reproducibility": ("operator", "interaction"), "operator": ("operator",),
                "interaction": ("interaction",), "part": ("part",), "total": (*gauge, "part")}
        if "interaction" not in self.roles:  # it would repeat the operators'
            del sums["reproducibility"], sums["interaction"]
        rows, found = [], {}
        for source, roles in sums.items():
            weights = tuple(float(r in roles) for r in self.roles)
            if weights not in found:
                found[weights] = np.sqrt(self.reml.interval(weights))
            variance, (low, high) = self.variance(*roles), found[weights]
            rows.append({"source": source, "label": words.label(self, source),
                         "variance": variance, "sd": variance**0.5, "sd_low": low, "sd_high": high,
                         "share": variance / self.reml.variances.sum()})
        table = pd.DataFrame(rows)
        if self.tolerance:
            table["of_tolerance"] = SPREAD * table["sd"] / self.tolerance
        table.attrs["units"] = dict.fromkeys(("sd", "sd_low", "sd_high"), self.unit) | (
            {"variance": f"({self.unit})²"} if self.unit else {})
        return table

    @property
    def sentence(self) -> str:
        """What the gauge can see, in a few sentences."""
        return words.verdict(self)

    @cached_property
    def sentences(self) -> list[str]:
        """The verdict, where the spread comes from, and what to be wary of."""
        return words.all_sentences(self)


_PAIR = float(stats.norm.ppf(0.975) * np.sqrt(2))


def gauge_study(data: pd.DataFrame, *, part: str, operator: str, value: str, nested: bool = False,
                tolerance: float | None = None, interaction: bool | None = None,
                effect: float | None = None, unit: str = "") -> GaugeStudy:
    """Estimate repeatability and reproducibility, by restricted maximum likelihood.

    Parameters
    ----------
    data : DataFrame
        One row a reading. Rows without a reading are left out, and this is said.
    part, operator, value : str
        Columns: what was measured, by whom, and the reading.
    nested : bool
        True if every operator measured parts of their own (a test that destroys the part, a
        laboratory's own cups); False if all operators measured the same parts.
    tolerance : float, optional
        Width of the specification, upper less lower limit, in the readings' unit.
    interaction : bool, optional
        Whether the operators' differences may depend on the part. By default that is tested, and
        kept up to p = 0.25 (common practice, no source).
    effect : float, optional
        A difference between two parts that should be seen; the sentence then says if it is.
    unit : str
        Of the readings.

    Returns
    -------
    GaugeStudy

    Raises
    ------
    InputError
        If a column is missing or cannot be used, or the readings cannot tell the components
        apart.

    Examples
    --------
    >>> data = pd.DataFrame({
    ...     "cup": [1, 1, 1, 1, 2, 2, 2, 2, 3, 3, 3, 3, 4, 4, 4, 4],
    ...     "person": ["A", "A", "B", "B"] * 4,
    ...     "grind": [20, 21, 22, 22, 31, 30, 33, 32, 25, 26, 26, 28, 40, 41, 43, 42]})
    >>> study = gauge_study(data, part="cup", operator="person", value="grind", unit="µm")
    >>> round(study.sd, 2), study.distinguishable
    (1.4, 8)
    """
    for name, number in (("tolerance", tolerance), ("effect", effect)):
        if number is not None:
            as_number(name, number, above=0)
    used, y, remarks = measured(data, value)
    persons = Grouping.of(used, [operator])
    cells = Grouping.of(used, [operator, part], nested=nested)
    parts = cells if nested else Grouping.of(used, [part])
    for name, group in ((operator, persons), (part, parts)):
        if len(group.levels) < 2:
            raise InputError(f"data, column '{name}'", group.levels, "all readings are of the same "
                             "one, so that nothing can be said of differences", "Measure at least "
                             "two (common practice: three operators and ten parts)")
    if not nested and parts.refines(persons):
        raise InputError("nested", nested, f"no {parts.label} was measured by two "
                         f"{plural(persons.label)}",
                         "Pass nested=True if every one measured parts of their own")
    if nested:
        groups, roles = [persons, parts], ["operator", "part"]
    else:
        groups, roles = [persons, parts], ["operator", "part"]
        keep, said = _interaction(y, persons, parts, cells, interaction)
        remarks += said
        if keep:
            groups.append(cells)
            roles.append("interaction")
    like = Likelihood(y, np.ones((len(y), 1)), [g.codes for g in groups])
    check_separable(like, groups, "reading")
    anova = _anova(y, persons, parts, cells, nested, "interaction" in roles)
    return GaugeStudy(anova, tuple(groups), fit_reml(like), (*roles, "repeatability"),
                      part.replace("_", " "), operator.replace("_", " "),
                      value.replace("_", " "), unit, nested, tolerance, effect, tuple(remarks))


def _within(y: np.ndarray, group: Grouping) -> float:
    """Sum of squares about the groups' means."""
    means = np.bincount(group.codes, y) / np.bincount(group.codes)
    return float(np.sum((y - means[group.codes]) ** 2))


def _interaction(y: np.ndarray, persons: Grouping, parts: Grouping, cells: Grouping,
                 wanted: bool | None) -> tuple[bool, list[str]]:
    """Whether the interaction stays in the model, and why."""
    if wanted is False:
        return False, []
    names = f"{persons.label} and {parts.label}"
    df_error = len(y) - len(cells.levels)
    if not df_error:
        if wanted:
            raise InputError("interaction", wanted, f"no {parts.label} was measured twice by one "
                             f"{persons.label}, so that it cannot be told from repeatability",
                             "Repeat readings, or leave it out")
        return False, [f"No {parts.label} was measured twice by one {persons.label}: if "
                       f"{names} act together, that is counted as repeatability here."]
    if wanted:
        return True, []
    x = np.hstack([g.codes[:, None] == np.arange(len(g.levels)) for g in (persons, parts)])
    own = y - y.mean()
    fitted, _, rank, _ = np.linalg.lstsq(x.astype(float), own, rcond=None)
    additive, inside = float(np.sum((own - x @ fitted) ** 2)), _within(y, cells)
    df = len(cells.levels) - rank
    if df < 1:
        return False, []
    f = (additive - inside) / df / (inside / df_error) if inside > 0 else np.inf
    p = float(stats.f.sf(max(f, 0.0), df, df_error))
    if p <= KEEP_INTERACTION:
        return True, []
    return False, [f"{wording.capitalise(names)} do not act together beyond repeatability "
                   f"({wording.p_value(p)}), so their interaction is left out (kept up to p = "
                   f"{KEEP_INTERACTION:g}: common practice, no source)."]


def _anova(y: np.ndarray, persons: Grouping, parts: Grouping, cells: Grouping, nested: bool,
           interaction: bool) -> pd.DataFrame | None:
    """Classical analysis of a balanced study; None if it is not balanced."""
    sizes = np.bincount(cells.codes)
    b, c = len(persons.levels), len(cells.levels)
    a = c / b if nested else len(parts.levels)
    per_person = np.unique(np.column_stack([persons.codes, cells.codes]), axis=0)[:, 0]
    even = np.ptp(sizes) == 0 and np.ptp(np.bincount(per_person)) == 0
    if not even or (not nested and c != a * b):
        return None
    n, total = sizes[0], float(np.sum((y - y.mean()) ** 2))
    between = {g.name: total - _within(y, g) for g in (persons, parts, cells)}
    inside = total - between[cells.name]
    if nested:
        table = {"operator": (b - 1, between[persons.name]),
                 "part": (c - b, between[cells.name] - between[persons.name]),
                 "repeatability": (len(y) - c, inside)}
        against = {"operator": ("part", a * n), "part": ("repeatability", n)}
    else:
        both = between[cells.name] - between[persons.name] - between[parts.name]
        df_both = int((a - 1) * (b - 1))
        table = {"part": (int(a - 1), between[parts.name]),
                 "operator": (b - 1, between[persons.name])}
        error = "interaction" if interaction else "repeatability"
        if interaction:
            table["interaction"] = (df_both, both)
            table["repeatability"] = (len(y) - c, inside)
        else:
            table["repeatability"] = (len(y) - c + df_both, inside + both)
        against = {"part": (error, b * n), "operator": (error, a * n),
                   "interaction": ("repeatability", n)}
    rows, mean_square = [], {s: ss / df for s, (df, ss) in table.items()}
    for source, (df, ss) in table.items():
        f = p = np.nan
        variance = mean_square[source]
        if source in against:
            error, size = against[source]
            f = variance / mean_square[error]
            p = float(stats.f.sf(f, df, table[error][0]))
            variance = (variance - mean_square[error]) / size
        rows.append({"source": source, "df": df, "sum_of_squares": ss,
                     "mean_square": mean_square[source], "F": f, "p": p, "variance": variance})
    rows.append({"source": "total", "df": len(y) - 1, "sum_of_squares": total})
    return pd.DataFrame(rows)
