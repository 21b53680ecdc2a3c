"""What a study could not learn, beside what it did: the open questions, each with its size.

References
----------
Altman, D. G. & Bland, J. M. (1995). Absence of evidence is not evidence of absence. *BMJ* 311,
485 (an effect within noise is reported with the largest size it could still have).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from doe import wording
from doe.analysis.refitting import AnyFit, check_fit, effect_word, multiplies, subject
from doe.analysis.unlearned_runs import run_questions
from doe.analysis.unlearned_terms import FEW, Question, term_questions
from doe.errors import InputError

if TYPE_CHECKING:
    from doe.planning.plan import Plan

__all__ = ["KINDS", "Unlearned", "unlearned"]

KINDS = ("aliased", "within noise", "left out", "unbounded", "noise", "groups", "range",
         "curvature", "beyond the data", "missing", "grades", "detection")

COLUMNS = ["response", *Question._fields]

EVERY = "all responses"


@dataclass(frozen=True, eq=False)
class Unlearned:
    """The questions that a study leaves open.

    Attributes
    ----------
    table : DataFrame
        One row a question: ``response`` (its label, or "all responses"), ``kind`` (one of
        `KINDS`), ``subject``, ``finding`` in words, and ``size``: the largest effect that is
        still possible, in the response's unit (a ratio where effects multiply; infinite where any
        size is possible) for terms, with sign and unit in ``limit``; a share for ranges and for
        the region; a count for readings and grades; a standard deviation for groups; else
        missing.
    sentences : list of str
        One a response.
    """

    table: pd.DataFrame
    sentences: list[str]

    @property
    def summary(self) -> pd.DataFrame:
        """The table for reading: all terms within noise of one response share a row, each with
        its size; columns ``response, kind, subject, finding``."""
        rows = []
        for row in self.table.itertuples():
            if row.kind == "within noise" and np.isfinite(row.size):
                subject = f"{row.subject} ({row.limit})"
                last = rows[-1] if rows else {}
                if (last.get("response"), last.get("kind")) == (row.response, row.kind):
                    last["subject"] += f", {subject}"
                    continue
                finding = "In brackets the largest effect that the 95 % interval leaves possible."
            else:
                subject, finding = row.subject, row.finding
            rows.append({"response": row.response, "kind": row.kind, "subject": subject,
                         "finding": finding})
        return pd.DataFrame(rows, columns=["response", "kind", "subject", "finding"])

    @property
    def sentence(self) -> str:
        """What is left open, in a sentence for each response."""
        return " ".join(self.sentences)


def unlearned(fits: AnyFit | Sequence[AnyFit] | Mapping[str, AnyFit], plan: Plan | None = None,
              sd: float | None = None) -> Unlearned:
    """List what one or several fits leave open.

    Parameters
    ----------
    fits : Fit, MixedFit or KindFit, or a sequence or mapping of them
    plan : Plan, optional
        Tells which terms, ranges and runs were meant.
    sd : float, optional
        Standard deviation between repeated runs, as `Response.assumed_sd`, which is taken if none
        is given. It bounds the effects of a saturated model, and says whether noise was larger
        than the plan allowed for. Counts and shares are held against Poisson and binomial noise
        instead.

    Raises
    ------
    InputError
        If there are no fits, or one of them is no fit.

    Notes
    -----
    Terms of the plan, or of the largest model the settings support, that are not in a fit are
    added back one at a time to bound their effects. The share of the region beyond the data is
    counted over a Sobol sequence of the settings that may be run.
    """
    every = list(fits.values()) if isinstance(fits, Mapping) else (
        [fits] if isinstance(fits, AnyFit) else list(fits))
    if not every:
        raise InputError("fits", fits, "there are none", "Give at least one fit")
    for f in every:
        check_fit(f, "fits")
    rows, said = [], []
    for f in every:
        table = pd.DataFrame(_questions(f, plan, sd), columns=COLUMNS[1:])
        said.append(_sentence(f, table))
        rows.append(table.assign(response=subject(f)))
    return Unlearned(_merged(rows), said)


def _merged(tables: list[pd.DataFrame]) -> pd.DataFrame:
    """All rows; those that hold for every response once, and first."""
    table = pd.concat(tables, ignore_index=True)[COLUMNS]
    if len(tables) > 1 and len(table):
        same = ["kind", "subject", "finding"]
        common = table.groupby(same)["response"].transform("nunique") == len(tables)
        table = pd.concat([table[common].drop_duplicates(same).assign(response=EVERY),
                           table[~common]], ignore_index=True)
    return table


def _questions(fit: AnyFit, plan: Plan | None, sd: float | None) -> list[Question]:
    sd = fit.response.assumed_sd if sd is None else sd
    log = fit.response.scale == "log"
    noise = None if sd is None else float(np.log1p(sd)) if log else float(sd)
    rows, known = term_questions(fit, plan.terms if plan is not None else (), noise)
    return [*rows, *run_questions(fit, plan, noise, known)]


# -- words ---------------------------------------------------------------------------


def _sentence(fit: AnyFit, table: pd.DataFrame) -> str:
    name = subject(fit)
    parts = list(_parts(fit, {k: table[table["kind"] == k] for k in KINDS}))
    if not parts:
        return f"About {name} nothing that these runs were made for is left open."
    return f"Not learned about {name}: {'; '.join(parts)}."


def _parts(fit: AnyFit, by: Mapping[str, pd.DataFrame]) -> Iterable[str]:
    if len(by["aliased"]):
        names = by["aliased"]["subject"]
        yield (f"how {wording.join(names)} act{'s' if len(names) == 1 else ''} apart from other "
               "effects" if len(names) <= FEW else
               f"how {len(names)} terms act apart from other effects")
    quiet = by["within noise"]
    if len(quiet):
        names = quiet["subject"]
        what = wording.join(names) if len(names) <= FEW else f"{len(names)} terms within noise"
        yield f"whether {what} matter{'s' if len(names) == 1 else ''}{_reach(fit, quiet['size'])}"
    if len(by["left out"]):
        yield f"how large {wording.join(by['left out']['subject'])} is, being left out"
    if len(by["unbounded"]):
        yield f"how large {wording.join(by['unbounded']['subject'])} can be"
    if len(by["noise"]):
        yield "effects as small as was planned for, since noise was larger than assumed"
    if len(by["groups"]):
        yield f"how large {wording.join(by['groups']['subject'])} are"
    if len(by["range"]):
        names = by["range"]["subject"]
        yield f"what {wording.join(names)} do{'es' * (len(names) == 1)} beyond what was run"
    if len(by["curvature"]):
        yield "whether the response bends, and with which factor"
    if len(by["beyond the data"]):
        yield ("what happens in "
               f"{wording.percent(by['beyond the data']['size'].sum())} of the region")
    if len(by["missing"]):
        count = int(by["missing"]["size"].sum())
        yield f"what {wording.count(count, 'run')} without a measurement would have shown"
    if len(by["grades"]):
        yield "what sets single grades apart"
    if len(by["detection"]):
        count = int(by["detection"]["size"].sum())
        yield f"the true value of {wording.count(count, 'reading')} beyond the detection limit"


def _reach(fit: AnyFit, sizes: pd.Series) -> str:
    """How large an effect could still be, in brackets."""
    most = sizes.max()
    if np.isnan(most):
        return ""
    if np.isinf(most):
        return " (an effect of any size is still possible)"
    size = (f"a{'n' * (effect_word(fit)[0] in 'aeiou')} {effect_word(fit)} of "
            f"{wording.digits(most)}" if multiplies(fit)
            else wording.quantity(most, fit.response.unit))
    return f" (an effect could still be as large as {size})"
