"""A fit of any kind as plain data that can be kept, read by people and made again: no pickles, no
code.

What is kept is how the fit came about and what it gave; the data are not in it, only their
fingerprint. Making it again fits the data anew and refuses where that gives something else.
"""

from __future__ import annotations

import math
import platform
from collections.abc import Mapping, Sequence
from dataclasses import replace
from importlib.metadata import PackageNotFoundError, version
from numbers import Real
from typing import Any

import numpy as np
import pandas as pd

from doe import plain
from doe.analysis.estimable import estimable
from doe.analysis.fingerprint import columns_of, fingerprint
from doe.analysis.kinds import DispersionFit, GradeFit, KindFit
from doe.analysis.making import KINDS, make, options_of
from doe.analysis.mixed import MixedFit
from doe.analysis.model import Fit
from doe.analysis.refitting import AnyFit, blocks_column, check_fit, runs_of
from doe.errors import InputError
from doe.factors import Region
from doe.responses import Response
from doe.terms import Term, formula

__all__ = ["PACKAGES", "model_from_plain", "model_to_plain", "package_versions"]

FORMAT, FORMAT_VERSION = "cupstudy model", 2

PACKAGES = ("cupstudy", "numpy", "pandas", "scipy", "statsmodels")

AGREEMENT, SEARCHED = 1e-8, 1e-6
"""Greatest difference between the kept and the new fit, relative to the largest of the numbers
compared, in closed form and where an estimate is searched for."""

_FIELDS = {"format": str, "version": int, "kind": str, "model": str, "formula": str,
           "response": Mapping, "region": Mapping, "terms": list, "refused": list,
           "blocks": (str, type(None)), "options": Mapping, "given": list, "selection": str,
           "remarks": list, "data": Mapping, "coefficients": Mapping, "estimates": Mapping,
           "packages": Mapping}


def package_versions(packages: tuple[str, ...] = PACKAGES) -> dict[str, str]:
    """Versions of Python and of the packages that a fit was made with."""
    out = {"Python": platform.python_version()}
    for name in packages:
        try:
            out[name] = version(name)
        except PackageNotFoundError:
            out[name] = "not installed as a package"
    return out


def model_to_plain(fit: AnyFit) -> dict[str, Any]:
    """How a fit came about and what it gave, as plain data that JSON can hold.

    Parameters
    ----------
    fit : Fit, MixedFit or KindFit

    Returns
    -------
    dict
        ``format, version, kind`` (one of `doe.analysis.making.KINDS`), ``model`` (in words),
        ``formula`` (factors in coded units), ``response, region, terms, refused`` (asked for, but
        aliased), ``blocks`` (the column), ``options`` (as of `fit_mixed`, `fit_kind` or
        `dispersion_effects`) and ``given`` (those of them that no column of the data holds, so that
        they must be given again), ``selection, remarks, data`` (``sha256, rows, columns``),
        ``coefficients`` (on the model's scale, coded units), ``estimates`` (variances, thresholds,
        dispersion and the like), ``df_error, packages``.

    Raises
    ------
    InputError
        If this is no fit.
    """
    check_fit(fit)
    options, given = options_of(fit)
    kind = next(name for name, cls in KINDS.items() if isinstance(fit, cls))
    return {
        "format": FORMAT,
        "version": FORMAT_VERSION,
        "kind": kind,
        "model": _model(fit),
        "formula": formula(fit.terms, _outcome(fit)),
        "response": plain.to_plain(fit.response),
        "region": plain.to_plain(fit.region),
        "terms": plain.to_plain(fit.terms),
        "refused": plain.to_plain(_refused(fit)),
        "blocks": blocks_column(fit),
        "options": options,
        "given": given,
        "selection": fit.selection,
        "remarks": list(_remarks(fit)),
        "data": {"sha256": fingerprint(fit), "rows": len(runs_of(fit)),
                 "columns": columns_of(fit)},
        "coefficients": _coefficients(fit),
        "estimates": _estimates(fit),
        "df_error": fit.df_error,
        "packages": package_versions(),
    }


def _model(fit: AnyFit) -> str:
    if isinstance(fit, KindFit):
        return fit.model.rstrip(",")
    return "least squares" if isinstance(fit, Fit) else "restricted maximum likelihood"


def _outcome(fit: AnyFit) -> str:
    """What the terms stand for, as the left side of the formula."""
    name = fit.response.name
    log = f"log({name})" if fit.response.scale == "log" else name
    if isinstance(fit, DispersionFit):
        return f"log(variance({log}))"
    law = {"count": f"log({name})", "proportion": f"logit({name})", "ordinal": f"logit({name})"}
    return law.get(fit.response.kind, log) if isinstance(fit, KindFit) else log


def _refused(fit: AnyFit) -> list[Term]:
    """The terms that were asked for and could not be estimated."""
    asked = fit.aliased.loc[fit.aliased["asked"], "term"]
    return [_term(text) for text in asked]


def _term(text: str) -> Term:
    """The term that ``str(term)`` wrote."""
    names: list[str] = []
    for part in text.split(":"):
        name, _, power = part.removeprefix("I(").removesuffix(")").partition(" ** ")
        names += [name] * int(power or 1)
    return Term(*names)


def _remarks(fit: AnyFit) -> tuple[str, ...]:
    return fit.rows.remarks if isinstance(fit, KindFit) else fit.remarks


def _coefficients(fit: AnyFit) -> dict[str, float]:
    return {str(k): float(v) for k, v in zip(fit.columns.matrix.columns, fit.coefficients,
                                             strict=True)}


def _estimates(fit: AnyFit) -> dict[str, float]:
    """What was estimated beside the coefficients."""
    if isinstance(fit, MixedFit):
        out = {f"variance of {g.name}": v for g, v in zip(fit.groups, fit.reml.variances,
                                                          strict=False)}
        out["variance of residual"] = fit.reml.variances[-1]
    elif isinstance(fit, GradeFit):
        out = {f"level of {g}": v for g, v in zip(fit.seen[1:], fit.levels, strict=True)}
    elif isinstance(fit, KindFit):
        out = {"dispersion": fit.dispersion} | {
            k: getattr(fit, k) for k in ("alpha", "sigma") if getattr(fit, k, 0.0)}
    else:
        out = {"sigma": fit.sigma} if fit.df_error else {}
    return {k: float(v) for k, v in out.items()}


def model_from_plain(kept: Mapping[str, Any], data: pd.DataFrame, *, other_data: bool = False,
                     exposure: Sequence[float] | None = None,
                     trials: Sequence[float] | None = None,
                     qualifiers: Mapping | None = None) -> AnyFit:
    """Make a kept fit again from its data, and check that it is the same.

    Parameters
    ----------
    kept : mapping
        From `model_to_plain`.
    data : DataFrame
        The data it was made from; further rows without a measurement and further columns do
        no harm.
    other_data : bool
        True fits the model to other data: their fingerprint and the coefficients are then not
        compared, and the fit's remarks say so.
    exposure, trials, qualifiers
        As for `doe.analysis.kinds.fit_kind`, where they were given with the data and not as one
        of their columns (or, qualifiers, in their ``attrs``).

    Raises
    ------
    InputError
        If a field is missing or cannot be used, the data are not those of the fit, or the
        coefficients come out otherwise.
    """
    _check_fields(kept)
    response, region = (_value(cls, kept, name) for cls, name in ((Response, "response"),
                                                                  (Region, "region")))
    terms, refused = (_terms(kept, name, region) for name in ("terms", "refused"))
    blocks = kept["blocks"]
    if blocks is not None and blocks not in data:
        raise InputError("data, column", blocks, "the model has blocks, and this column is missing",
                         "Give the column that says which block each run was in")
    again = {k: v for k, v in (("exposure", exposure), ("trials", trials),
                               ("qualifiers", qualifiers)) if v is not None}
    for name in kept["given"]:
        if name not in list(again):
            raise InputError(f"model, {name}", None, "it was given row by row when the model was "
                             "made, and no column of the data holds it", f"Give {name}=... again")
    made = make(kept["kind"], data, response, region, terms, blocks, kept["selection"],
                {**kept["options"], **again})
    was = kept["data"]
    same = isinstance(made, KINDS[kept["kind"]]) and fingerprint(made) == was.get("sha256")
    if not same and not other_data:
        raise InputError("data", f"{len(runs_of(made))} rows", "they are not the data that the "
                         f"model was made from ({was.get('rows')} rows, SHA-256 "
                         f"{str(was.get('sha256'))[:12]}… of {was.get('columns')})",
                         "Give those data, or other_data=True to fit the same model to these")
    if not same:
        remarks = (*_remarks(made), "The model was kept from other data; these are new to it.")
    else:
        remarks = tuple(map(str, kept["remarks"]))
        _compare(made, kept)
    return _finished(made, refused, remarks, kept["selection"])


def _finished(made: AnyFit, refused: Sequence[Term], remarks: tuple[str, ...],
              selection: str) -> AnyFit:
    """The fit with what was said of it, and with the terms refused among the aliased."""
    change: dict[str, Any] = {"remarks": remarks, "selection": selection}
    if refused:
        change["aliased"] = estimable(made.region, made.data, made.terms, made.blocks, refused)[1]
    if isinstance(made, KindFit):
        return replace(made, rows=replace(made.rows, **change))
    return replace(made, **change)


def _check_fields(kept: Mapping[str, Any]) -> None:
    if not isinstance(kept, Mapping) or kept.get("format") != FORMAT:
        raise InputError("model, format", kept.get("format") if isinstance(kept, Mapping) else kept,
                         "this is no kept model", f"Give what model_to_plain wrote ('{FORMAT}')")
    for name, kind in _FIELDS.items():
        if name not in kept:
            raise InputError(f"model, {name}", None, "it is missing", "Keep the model anew")
        if not isinstance(kept[name], kind) or isinstance(kept[name], bool):
            raise InputError(f"model, {name}", kept[name], "it cannot be read", "Keep the model "
                             "anew")
    if kept["version"] > FORMAT_VERSION:
        raise InputError("model, version", kept["version"], "a newer version of the program wrote "
                         "it", "Update the program")
    if kept["kind"] not in KINDS:
        raise InputError("model, kind", kept["kind"], "there is no such kind of fit",
                         "Use one of: " + ", ".join(KINDS))


def _value(cls: type, kept: Mapping[str, Any], name: str) -> Any:
    try:
        return plain.from_plain(cls, kept[name])
    except InputError:
        raise
    except (TypeError, ValueError) as error:  # such as a number where a list should be
        raise InputError(f"model, {name}", kept[name], f"it cannot be read ({error})",
                         "Keep the model anew") from None


def _terms(kept: Mapping[str, Any], name: str, region: Region) -> list[Term]:
    terms = []
    for names in kept[name]:
        if not isinstance(names, list) or any(n not in region.names for n in names):
            raise InputError(f"model, {name}", names, "this is no product of the factors",
                             "Use lists of these names: " + ", ".join(region.names))
        terms.append(Term(*names))
    return terms


def _compare(made: AnyFit, kept: Mapping[str, Any]) -> None:
    """Refuse a new fit whose model or numbers differ from the kept ones."""
    if _model(made) != kept["model"]:
        raise InputError("model, model", kept["model"], "fitting the same data gives a model "
                         f"called '{_model(made)}'", "The file was changed: fit anew")
    limit = AGREEMENT if isinstance(made, Fit) else SEARCHED
    _agree("coefficient", kept["coefficients"], _coefficients(made), limit)
    _agree("estimate", kept["estimates"], _estimates(made), limit)


def _agree(what: str, kept: Mapping[str, Any], found: Mapping[str, float], limit: float) -> None:
    scale = float(np.max(np.abs(list(found.values())), initial=0.0)) or 1.0
    unmatched = [n for n in [*kept, *found] if (n in kept) != (n in found)]
    for name in [*unmatched, *found]:
        before, now = kept.get(name), found.get(name)
        known = all(isinstance(v, Real) and not isinstance(v, bool) and math.isfinite(v)
                    for v in (before, now))
        if not known or abs(before - now) > limit * scale:
            raise InputError(f"model, {what} '{name}'", before, "fitting the same data gives "
                             + (f"{now!r}" if now is not None else f"no such {what}"),
                             "The file was changed, or the packages compute otherwise: compare "
                             "'packages' in it, and fit anew")
