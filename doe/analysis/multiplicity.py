"""Many tests in one study: what stays beyond noise when all of them are counted.

References
----------
Šidák, Z. (1967). Rectangular confidence regions for the means of multivariate normal
distributions. *Journal of the American Statistical Association* 62, 626–633 (the chance of any
false alarm is at most that of independent tests).
Holm, S. (1979). A simple sequentially rejective multiple test procedure. *Scandinavian Journal
of Statistics* 6, 65–70.
Benjamini, Y. & Hochberg, Y. (1995). Controlling the false discovery rate: a practical and
powerful approach to multiple testing. *Journal of the Royal Statistical Society B* 57, 289–300.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from statsmodels.stats.multitest import multipletests

from doe import wording
from doe.analysis.model import Fit
from doe.errors import InputError

__all__ = ["Multiplicity", "multiplicity"]

RISKY = 0.20
"""Chance of at least one false alarm from which it is mentioned (common practice, no source)."""


@dataclass(frozen=True, eq=False)
class Multiplicity:
    """Tests of a fit's terms, one by one and all counted.

    Attributes
    ----------
    table : DataFrame
        ``term, label, p``; ``p_holm``: adjusted so that any false alarm among all terms has at
        most chance `alpha`; ``p_discovery``: adjusted so that at most a share `alpha` of the terms
        called real is expected to be false (Benjamini & Hochberg); ``alone, surely, mostly``:
        whether p, p_holm, p_discovery is below `alpha`. Smallest p first.
    alpha : float
    selected : bool
        True if the data chose the terms: the tests left out are not counted.
    """

    table: pd.DataFrame
    alpha: float
    selected: bool = False

    @property
    def sentence(self) -> str:
        """Which terms hold when all tests are counted, and which only one by one."""
        table, m = self.table, len(self.table)
        chance = 1 - (1 - self.alpha) ** m
        text = f"{wording.count(m, 'term')} tested at {100 * self.alpha:g} %"
        if m > 1 and chance >= RISKY:
            text += (f": if none were real, at least one would look real with a chance of up to "
                     f"{100 * chance:.0f} %")
        surely, alone = table[table["surely"]], table[table["alone"]]
        mostly = table[table["mostly"] & ~table["surely"]]
        weak = table[table["alone"] & ~table["mostly"]]
        text += ". " + (f"With all tests counted (Holm), {_are(surely['label'])} beyond noise"
                        if len(surely) else "With all tests counted (Holm), no term is beyond "
                        "noise") + "."
        if len(mostly):
            text += (f" {wording.capitalise(_are(mostly['label']))} as well, if "
                     f"{100 * self.alpha:g} % of such findings may be false (Benjamini and "
                     "Hochberg).")
        if len(weak):
            text += (f" {wording.capitalise(wording.join(weak['label']))} "
                     f"{'stands' if len(weak) == 1 else 'stand'} out only if tested alone.")
        elif len(alone) and len(alone) == len(surely):
            text += " Counting them changes nothing."
        if self.selected:
            text += (" The data chose these terms, and the tests of those left out are not "
                     "counted: test the full model for an honest answer.")
        return text


def multiplicity(fit: Fit, *, alpha: float = 0.05) -> Multiplicity:
    """Adjust the tests of a fit's terms for their number.

    Parameters
    ----------
    fit : Fit
        Its terms' F-tests are used, a category of many levels counting as one.
    alpha : float

    Raises
    ------
    InputError
        If the model leaves no degrees of freedom for error, or has no terms.
    """
    if not 0 < alpha < 1:
        raise InputError("alpha", alpha, "it must lie between 0 and 1", "Use 0.05")
    if not fit.df_error:
        raise InputError("fit", fit.response.name, "the model is saturated and has no tests",
                         "Use its Lenth margins: the simultaneous one counts all effects")
    rows = fit.anova.table
    rows = rows[(rows["term"] != "") & rows["p"].notna()]
    if rows.empty:
        raise InputError("fit", fit.response.name, "its model has no terms to test", "Add terms")
    p = rows["p"].to_numpy()
    table = pd.DataFrame({
        "term": rows["term"], "label": rows["source"], "p": p,
        "p_holm": multipletests(p, method="holm")[1],
        "p_discovery": multipletests(p, method="fdr_bh")[1]})
    for name, column in (("alone", "p"), ("surely", "p_holm"), ("mostly", "p_discovery")):
        table[name] = np.less_equal(table[column], alpha)
    table = table.sort_values("p", kind="stable", ignore_index=True)
    return Multiplicity(table, alpha, bool(fit.selection))


def _are(labels: pd.Series) -> str:
    return f"{wording.join(labels)} {'is' if len(labels) == 1 else 'are'}"
