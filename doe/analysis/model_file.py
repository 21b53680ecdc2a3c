"""A fit as plain data that can be kept, read by people and made again: no pickles, no code.

What is kept is how the fit came about and what it gave; the data are not in it, only their
fingerprint. Reading it back fits the data anew and refuses where that gives something else.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import math
import platform
from collections.abc import Mapping
from dataclasses import replace
from importlib.metadata import PackageNotFoundError, version
from numbers import Real
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from doe import plain
from doe.analysis.fit import fit
from doe.analysis.model import Fit
from doe.errors import InputError
from doe.factors import Region
from doe.responses import Response
from doe.terms import Term, formula

__all__ = ["PACKAGES", "data_fingerprint", "load_model", "model_from_plain", "model_to_plain",
           "package_versions", "save_model"]

FORMAT, FORMAT_VERSION = "cupstudy linear model", 1

PACKAGES = ("cupstudy", "numpy", "pandas", "scipy", "statsmodels")

AGREEMENT = 1e-8
"""Greatest difference of a coefficient, relative to the largest of them, between the kept and the
new fit."""

_FIELDS = {"format": str, "version": int, "formula": str, "response": Mapping, "region": Mapping,
           "terms": list, "refused": list, "blocks": (str, type(None)), "selection": str,
           "remarks": list, "data": Mapping, "coefficients": Mapping,
           "packages": Mapping}


def data_fingerprint(data: pd.DataFrame, response: Response, region: Region,
                     blocks: str | None = None) -> str:
    """SHA-256 of the data a model rests on, written as CSV in one fixed way.

    The columns are the factors in the region's order, the response and, if any, the blocks;
    numbers have as many digits as it takes to read them back exactly. Rows are sorted, so that
    their order does not matter; other columns do not count.

    Raises
    ------
    InputError
        If a column is missing.
    """
    columns = [*region.names, response.name, *([blocks] if blocks else [])]
    for name in columns:
        if name not in data:
            raise InputError("data, column", name, "it is missing",
                             "The data have: " + ", ".join(map(str, data.columns)))
    texts = [[_cell(v) for v in data[name]] for name in columns]
    rows = sorted(zip(*texts, strict=True))
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows(rows)
    return hashlib.sha256(buffer.getvalue().encode()).hexdigest()


def _cell(value: object) -> str:
    """A number by its value, however it is stored: 3, 3.0 and numpy's 3 are all ``3.0``."""
    return repr(float(value) + 0.0) if isinstance(value, (Real, np.bool_)) else str(value)


def package_versions(packages: tuple[str, ...] = PACKAGES) -> dict[str, str]:
    """Versions of Python and of the packages that a fit was made with."""
    out = {"Python": platform.python_version()}
    for name in packages:
        try:
            out[name] = version(name)
        except PackageNotFoundError:
            out[name] = "not installed as a package"
    return out


def model_to_plain(fit: Fit) -> dict[str, Any]:
    """How a fit came about and what it gave, as plain data that JSON can hold.

    Parameters
    ----------
    fit : Fit

    Returns
    -------
    dict
        ``format, version, formula`` (factors in coded units), ``response, region, terms,
        refused`` (asked for, but aliased), ``blocks`` (the column), ``selection, remarks, data``
        (``sha256, rows, columns``), ``coefficients`` (on the model's scale, coded units),
        ``sigma`` (None if the model is saturated), ``df_error, packages``.

    Raises
    ------
    InputError
        If the fit is not one of least squares.
    """
    if not isinstance(fit, Fit):
        raise InputError("fit", type(fit).__name__, "only fits by least squares can be kept",
                         "Give what doe.analysis.fit returns")
    blocks = None if fit.blocks is None else str(fit.blocks.name)
    name = fit.response.name
    return {
        "format": FORMAT,
        "version": FORMAT_VERSION,
        "formula": formula(fit.terms, f"log({name})" if fit.log_scale else name),
        "response": plain.to_plain(fit.response),
        "region": plain.to_plain(fit.region),
        "terms": plain.to_plain(fit.terms),
        "refused": plain.to_plain(_refused(fit)),
        "blocks": blocks,
        "selection": fit.selection,
        "remarks": list(fit.remarks),
        "data": {"sha256": data_fingerprint(fit.data, fit.response, fit.region, blocks),
                 "rows": len(fit.data),
                 "columns": [*fit.region.names, name, *([blocks] if blocks else [])]},
        "coefficients": _coefficients(fit),
        "sigma": fit.sigma if fit.df_error else None,
        "df_error": fit.df_error,
        "packages": package_versions(),
    }


def _refused(fit: Fit) -> list[Term]:
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


def _coefficients(fit: Fit) -> dict[str, float]:
    return {str(k): float(v) for k, v in zip(fit.columns.matrix.columns, fit.coefficients,
                                             strict=True)}


def model_from_plain(kept: Mapping[str, Any], data: pd.DataFrame, *,
                     other_data: bool = False) -> Fit:
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
    made = fit(data, response, region, terms, blocks=blocks, selection=kept["selection"])
    same = data_fingerprint(made.data, response, region, blocks) == kept["data"].get("sha256")
    if not same and not other_data:
        raise InputError("data", f"{len(made.data)} rows", "they are not the data that the model "
                         f"was made from ({kept['data'].get('rows')} rows, SHA-256 "
                         f"{str(kept['data'].get('sha256'))[:12]}…)",
                         "Give those data, or other_data=True to fit the same model to these")
    if not same:
        remarks = (*made.remarks, "The model was kept from other data; these are new to it.")
    else:
        remarks = tuple(map(str, kept["remarks"]))
        _compare(made, kept["coefficients"])
    if refused:
        made = Fit.of(made.data, made.observed, response, region, terms, made.blocks, (),
                      made.selection, refused)
    return replace(made, remarks=remarks)


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


def _compare(made: Fit, kept: Mapping[str, Any]) -> None:
    """Refuse a new fit whose coefficients differ from the kept ones."""
    found = _coefficients(made)
    scale = max(map(abs, found.values()), default=0.0) or 1.0
    unmatched = [n for n in [*kept, *found] if (n in kept) != (n in found)]
    for name in [*unmatched, *found]:
        before, now = kept.get(name), found.get(name)
        known = all(isinstance(v, Real) and not isinstance(v, bool) and math.isfinite(v)
                    for v in (before, now))
        if not known or abs(before - now) > AGREEMENT * scale:
            raise InputError(f"model, coefficient '{name}'", before, "fitting the same data gives "
                             + (f"{now!r}" if now is not None else "no such coefficient"),
                             "The file was changed, or the packages compute otherwise: compare "
                             "'packages' in it, and fit anew")


def save_model(fit: Fit, path: str | Path) -> Path:
    """Write `model_to_plain` as JSON; a half-written file never takes an old one's place."""
    path = Path(path)
    text = json.dumps(model_to_plain(fit), indent=2, ensure_ascii=False, allow_nan=False)
    part = path.with_name(path.name + ".part")
    part.write_text(text + "\n", encoding="utf-8")
    part.replace(path)
    return path


def load_model(path: str | Path, data: pd.DataFrame, *, other_data: bool = False) -> Fit:
    """The fit that `save_model` wrote, made again from its data; see `model_from_plain`.

    Raises
    ------
    InputError
        If there is no such file, it is no kept model, or the fit does not come out the same.
    """
    path = Path(path)
    try:
        kept = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise InputError("model file", str(path), f"it cannot be opened ({error.strerror})",
                         "Check the path") from None
    except (ValueError, RecursionError):
        raise InputError("model file", str(path), "it is not JSON", "Give a file that save_model "
                         "wrote") from None
    return model_from_plain(kept, data, other_data=other_data)
