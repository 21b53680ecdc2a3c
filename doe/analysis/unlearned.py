"""What a study could not learn, beside what it did: the open questions, each with its size.

References
----------
Altman, D. G. & Bland, J. M. (1995). Absence of evidence is not evidence of absence. *BMJ* 311,
485 (an effect within noise is reported with the largest size it could still have).
Cook, R. D. & Weisberg, S. (1982). *Residuals and Influence in Regression*. Chapman & Hall
(settings whose leverage exceeds that of every run are far from the data).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import stats
from scipy.stats import qmc

from doe import wording
from doe.analysis.anova import groups_of_replicates
from doe.analysis.model import Fit
from doe.analysis.unlearned_terms import FEW, Question, term_questions
from doe.errors import InputError
from doe.factors import Region
from doe.terms import Term

if TYPE_CHECKING:
    from doe.planning.plan import Plan

__all__ = ["KINDS", "Unlearned", "unlearned"]

KINDS = ("aliased", "within noise", "left out", "noise", "range", "curvature", "beyond the data",
         "missing", "detection")

COLUMNS = ["response", *Question._fields]

EVERY = "all responses"

REACHED = 0.9
"""Share of a planned range below which it is said not to be reached (common practice, no
source)."""

SAME = 0.01
"""Share of a range within which settings count as one."""

WORTH_SAYING = 0.01
"""Least share of the region that is worth a line."""

DRAWS = 4096


@dataclass(frozen=True, eq=False)
class Unlearned:
    """The questions that a study leaves open.

    Attributes
    ----------
    table : DataFrame
        One row a question: ``response`` (its label, or "all responses"), ``kind`` (one of
        `KINDS`), ``subject``, ``finding`` in words, and ``size``: the largest effect that is
        still possible, in the response's unit (a factor on a log scale) for terms, with sign and
        unit in ``limit``; a share for ranges and for the region; a count for readings; else
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


def unlearned(fits: Fit | Sequence[Fit] | Mapping[str, Fit], plan: Plan | None = None,
              sd: float | None = None) -> Unlearned:
    """List what one or several fits leave open.

    Parameters
    ----------
    fits : Fit, sequence or mapping of Fit
    plan : Plan, optional
        Tells which terms, ranges and runs were meant.
    sd : float, optional
        Standard deviation between repeated runs, as `Response.assumed_sd`, which is taken if none
        is given. It bounds the effects of a saturated model, and says whether noise was larger
        than the plan allowed for.

    Raises
    ------
    InputError
        If there are no fits, or one is not of least squares.

    Notes
    -----
    Terms of the plan, or of the largest model the settings support, that are not in a fit are
    added back one at a time to bound their effects. The share of the region beyond the data is
    counted over a Sobol sequence of the settings that may be run.
    """
    every = list(fits.values()) if isinstance(fits, Mapping) else (
        [fits] if isinstance(fits, Fit) else list(fits))
    if not every:
        raise InputError("fits", fits, "there are none", "Give at least one fit")
    for f in every:
        if not isinstance(f, Fit):
            raise InputError("fits", type(f).__name__, "this is no fit by least squares",
                             "Give what doe.analysis.fit returns")
    rows, said = [], []
    for f in every:
        table = pd.DataFrame(_questions(f, plan, sd), columns=COLUMNS[1:])
        said.append(_sentence(f, table))
        rows.append(table.assign(response=f.response.label))
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


def _questions(fit: Fit, plan: Plan | None, sd: float | None) -> list[Question]:
    sd = fit.response.assumed_sd if sd is None else sd
    noise = None if sd is None else float(np.log1p(sd)) if fit.log_scale else float(sd)
    rows, known = term_questions(fit, plan.terms if plan is not None else (), noise)
    return [*rows, *_noise(fit, noise), *_ranges(fit, plan), *_curvature(fit, known),
            *_beyond(fit), *_missing(fit, plan), *_detection(fit)]


def _noise(fit: Fit, noise: float | None) -> list[Question]:
    """Noise beyond what was assumed, by the lower end of its one-sided 95 % interval."""
    if noise is None or not fit.df_error:
        return []
    least = fit.sigma * np.sqrt(fit.df_error / stats.chi2.ppf(0.95, fit.df_error))
    if least <= noise:
        return []
    if fit.log_scale:
        found, assumed = (wording.percent(np.expm1(v)) for v in (fit.sigma, noise))
    else:
        found, assumed = (wording.quantity(v, fit.response.unit) for v in (fit.sigma, noise))
    text = (f"Noise was {found}, not {assumed} as assumed, so that effects the plan counted on can "
            "go unseen.")
    return [Question("noise", "small effects", text, float(fit.sigma / noise))]


# -- settings ------------------------------------------------------------------------


def _ranges(fit: Fit, plan: Plan | None) -> list[Question]:
    rows = []
    for f in fit.region.factors:
        seen = fit.data[f.name]
        meant = plan.settings[f.name] if plan is not None and f.name in plan.settings else None
        if not f.is_numeric:
            wanted = set(f.levels if meant is None else meant)
            absent = [v for v in f.levels if v in wanted - set(seen)]
            if absent:
                text = f"Never run with {wording.join(absent, 'or')}."
                rows.append(Question("range", f.label, text, seen.nunique() / len(f.levels)))
            continue
        low, high = (f.low, f.high) if meant is None else (float(meant.min()), float(meant.max()))
        if not high > low:
            low, high = f.low, f.high
        share = float((seen.max() - seen.min()) / (high - low))
        if share <= SAME:
            at = wording.quantity(float(seen.median()), f.unit)
            rows.append(Question("range", f.label, f"Never varied: {at} in every run.", share))
        elif share < REACHED:
            text = (f"Run from {_range(seen.min(), seen.max(), f.unit)} only, "
                    f"{wording.percent(share)} of the planned {_range(low, high, f.unit)}.")
            rows.append(Question("range", f.label, text, share))
    return rows


def _range(low: float, high: float, unit: str) -> str:
    return f"{low:.4g} to {high:.4g} {unit}".rstrip().replace("-", wording.MINUS)


def _curvature(fit: Fit, known: set[str]) -> list[Question]:
    """Numeric factors whose squares are neither estimated nor aliased with a named term."""
    straight, unclear = [], []
    for f in fit.region.numeric:
        levels = groups_of_replicates(f.code(fit.data[f.name])[:, None]).max() + 1
        if Term(f.name, f.name).label(fit.region) in known or levels == 1:
            continue
        (straight if levels == 2 else unclear).append(f.label)
    rows = []
    if straight:
        rows.append(Question("curvature", wording.join(straight), "Run at two settings only, so "
                             "that a bend between them would not show."))
    if unclear:
        one = len(unclear) == 1
        bend = fit.anova.curvature
        if bend is None or not np.isfinite(bend.p):
            text = (f"These runs cannot tell {'whether it' if one else 'which of them'} bends the "
                    "response" + ("." if one else ", if any."))
        elif bend.p < 0.05:
            text = ("The response is curved, but these runs do not show "
                    f"{'whether this' if one else 'which of them'} bends it.")
        else:
            text = "The centre points show no curvature; that does not rule out bends that cancel."
        rows.append(Question("curvature", wording.join(unclear), text))
    return rows


def _beyond(fit: Fit) -> list[Question]:
    settings = _spread(fit.region)
    if settings.empty:
        return []
    outside = fit.outside_data(settings)
    remote = fit.predict(settings)["remote"].to_numpy() & ~outside
    rows = []
    for hit, why in ((outside, "beyond the range of settings that was run"),
                     (remote, "within each factor's range, yet further from the middle of the runs "
                              "than any of them (by leverage)")):
        share = float(hit.mean())
        if share >= WORTH_SAYING:
            rows.append(Question("beyond the data", f"{wording.percent(share)} of the region",
                         f"Lies {why}: predictions there are extrapolated.", share))
    return rows


def _spread(region: Region) -> pd.DataFrame:
    """Settings spread evenly over those that may be run."""
    unit = qmc.Sobol(len(region), seed=1).random(DRAWS)
    columns = {}
    for f, u in zip(region.factors, unit.T, strict=True):
        columns[f.name] = (f.low + (f.high - f.low) * u if f.is_numeric else
                           np.asarray(f.levels, object)[(u * len(f.levels)).astype(int)])
    settings = pd.DataFrame(columns)
    return settings[region.contains(settings)]


# -- readings ------------------------------------------------------------------------


def _missing(fit: Fit, plan: Plan | None) -> list[Question]:
    if plan is None or "run" not in fit.data:
        return []
    lost = sorted(set(plan.runs["run"]) - set(fit.data["run"]))
    if not lost:
        return []
    named = (wording.count(len(lost), "run") if len(lost) > FEW else
             f"{'run' if len(lost) == 1 else 'runs'} {wording.join(lost)}")
    return [Question("missing", named, "Without a measurement, so that nothing is known at "
                     f"{'its' if len(lost) == 1 else 'their'} settings.", float(len(lost)))]


def _detection(fit: Fit) -> list[Question]:
    """Readings that say only "at most" or "at least"."""
    response, n = fit.response, len(fit.data)
    marks = fit.data.attrs.get("qualifiers", {}).get(response.name, {})
    marked = fit.data.index.map(lambda i: marks.get(i, "")).to_numpy(object)
    below = marked == "<"
    if response.detection_limit is not None:
        below |= fit.data[response.name].to_numpy(float) <= response.detection_limit
    above = marked == ">"
    limit = ("" if response.detection_limit is None else
             f" ({wording.quantity(response.detection_limit, response.unit)})")
    rows = []
    for hit, text in ((below, f"At or below the detection limit{limit}: how far is not known"),
                      (above, "Beyond what could be read: how far is not known")):
        if hit.any():
            rows.append(Question("detection", f"{int(hit.sum())} of {n} readings",
                                 f"{text}, and effects there are understated.", float(hit.sum())))
    return rows


# -- words ---------------------------------------------------------------------------


def _sentence(fit: Fit, table: pd.DataFrame) -> str:
    name = fit.response.label
    parts = list(_parts(fit, {k: table[table["kind"] == k] for k in KINDS}))
    if not parts:
        return f"About {name} nothing that these runs were made for is left open."
    return f"Not learned about {name}: {'; '.join(parts)}."


def _parts(fit: Fit, by: Mapping[str, pd.DataFrame]) -> Iterable[str]:
    if len(by["aliased"]):
        names = by["aliased"]["subject"]
        yield (f"how {wording.join(names)} act{'s' if len(names) == 1 else ''} apart from other "
               "effects" if len(names) <= FEW else
               f"how {len(names)} terms act apart from other effects")
    quiet = by["within noise"]
    if len(quiet):
        names = quiet["subject"]
        what = wording.join(names) if len(names) <= FEW else f"{len(names)} terms within noise"
        most = quiet["size"].max()
        size = ("" if not np.isfinite(most) else f" (an effect could still be as large as a factor "
                f"of {wording.digits(most)})" if fit.log_scale else " (an effect could still be as "
                f"large as {wording.quantity(most, fit.response.unit)})")
        yield f"whether {what} matter{'s' if len(names) == 1 else ''}{size}"
    if len(by["left out"]):
        yield f"how large {wording.join(by['left out']['subject'])} is, being left out"
    if len(by["noise"]):
        yield "effects as small as was planned for, since noise was larger than assumed"
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
    if len(by["detection"]):
        count = int(by["detection"]["size"].sum())
        yield f"the true value of {wording.count(count, 'reading')} beyond the detection limit"
