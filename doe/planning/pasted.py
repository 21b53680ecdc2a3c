"""A table of runs made elsewhere, read as a plan."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Sequence

import numpy as np
import pandas as pd

from doe.errors import InputError
from doe.factors import Factor, Region
from doe.planning.layout import kinds_of_points
from doe.planning.plan import POINTS, STRUCTURE, Plan
from doe.planning.settle import block_columns, rank
from doe.terms import INTERCEPT, MODELS, Term, model_matrix, read_terms, standard_terms
from doe.wording import count, join

__all__ = ["pasted"]

_PLAIN = re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?")
_GROUPED = re.compile(r"[+-]?\d{1,3}(?:,\d{3})+(?:\.\d*)?")
_SPACES = re.compile(r"(?<=\d)[\s\u00a0\u202f](?=\d{3}(?:\D|$))")
_WHOLE = ("run", "standard", "block", "whole_plot")


def pasted(table: pd.DataFrame | str, region: Region, *,
           terms: Sequence[Term] | str | None = None, outside: bool = False) -> Plan:
    """A plan of family "given" from a table with one row a run, in run order.

    Parameters
    ----------
    table : DataFrame or str
        A column for each factor, headed by its name, its label, or its label and unit as
        ``time (s)``; case does not matter. ``run``, ``standard``, ``block``, ``whole_plot`` and
        ``point`` are taken over where they are there; other columns are left out, which is said.
        As text: rows of cells parted by tabs, semicolons or commas, as a spreadsheet copies
        them. Numbers may have a decimal comma (where commas do not part the cells) and spaces
        between thousands. A column of which every number could be meant either way, such as
        1,200, is read in the way that lies in the factor's range, and refused if both do.
    region : Region
    terms : sequence of Term, formula or model name, optional
        The model it shall estimate; the largest of the usual ones that it can if not given.
    outside : bool
        Take runs outside the region too, which is said; otherwise they are refused.

    Raises
    ------
    InputError
        If a column is missing, a cell cannot be read (row and column are named), or runs lie
        outside the region.

    Examples
    --------
    >>> region = Region([Factor("time", 60, 300, unit="s"), Factor("ratio", 0.2, 0.8)])
    >>> plan = pasted("time (s)\\tratio\\n60\\t0,2\\n300\\t0,8\\n60\\t0,8\\n300\\t0,2", region)
    >>> plan.settings["ratio"].tolist()
    [0.2, 0.8, 0.8, 0.2]
    """
    comma_parts = False
    if isinstance(table, str):
        table, comma_parts = _cells(table)
    if not isinstance(table, pd.DataFrame) or table.empty:
        raise InputError("table", table, "it has no runs", "Give a heading and one row a run")
    table = table.reset_index(drop=True)
    found = _columns(table, region)
    runs = pd.DataFrame({f.name: _settings(f, table[found[f.name]], comma_parts)
                         for f in region.factors})
    remarks = _outside(region, runs, outside)
    for name in _WHOLE:
        default = np.ones(len(runs), int) if name == "block" else np.arange(1, len(runs) + 1)
        if name in found:
            runs[name] = _whole(name, table[found[name]])
        elif name != "whole_plot":
            runs[name] = default
    runs["point"] = (_points(table[found["point"]]) if "point" in found else
                     kinds_of_points(region, runs.assign(role="given")))
    runs = runs.sort_values("run", kind="stable")
    if runs["run"].duplicated().any():
        twice = int(runs["run"][runs["run"].duplicated()].iloc[0])
        raise InputError("table, column 'run'", twice, "this number is used twice",
                         "Number the runs in the order they are made")
    left_out = [str(c) for c in table if c not in found.values()]
    if left_out:
        remarks.append(f"Left out, as no factor is called so: {join(left_out)}.")
    terms = _terms(region, runs, terms)
    return Plan(region, runs, terms, "given", 0, {"title": "Given plan"}, tuple(remarks))


def _cells(text: str) -> tuple[pd.DataFrame, bool]:
    """The text as a table of texts, and whether commas part the cells."""
    lines = [line for line in text.lstrip("\ufeff").strip("\r\n").splitlines() if line.strip()]
    if len(lines) < 2:
        raise InputError("table", text, "it has no runs", "Give a heading and one row a run")
    mark = next((m for m in "\t;," if m in lines[0]), "\t")
    rows = [[cell.strip() for cell in row]
            for row in csv.reader(io.StringIO("\n".join(lines)), delimiter=mark)]
    width = len(rows[0])
    for number, row in enumerate(rows[1:], 1):
        if (len(row) > width and any(row[width:])) or len(row) < width:
            raise InputError(f"table, row {number}", mark.join(row), f"it has {len(row)} cells "
                             f"and the heading {width}",
                             "Part cells by tabs or semicolons if numbers have decimal commas")
    return pd.DataFrame([row[:width] for row in rows[1:]], columns=rows[0]), mark == ","


def _columns(table: pd.DataFrame, region: Region) -> dict[str, object]:
    """For each factor, and each structure column that is there, the table's own heading."""
    headings = [(_bare(c), c) for c in table]
    found: dict[str, object] = {}
    wanted = [(f.name, {_bare(f.name), _bare(f.label), _bare(f.title)}) for f in region.factors]
    extra = [(n, {n, n.replace("_", " ")}) for n in (*STRUCTURE, "whole_plot")
             if n not in region.names]
    for name, ways in (*wanted, *extra):
        hits = [c for bare, c in headings if bare in ways and c not in found.values()]
        if len(hits) > 1 or (hits and sum(c == hits[0] for c in table) > 1):
            raise InputError("table, heading", hits[0], f"more than one column could be '{name}'",
                             "Leave one of them out")
        if hits:
            found[name] = hits[0]
    missing = [f.name for f in region.factors if f.name not in found]
    if missing:
        raise InputError("table, headings", [str(c) for c in table],
                         f"there is no column for {join(missing)}",
                         "Head each factor's column with its name: " + ", ".join(region.names))
    return found


def _bare(heading: object) -> str:
    return " ".join(str(heading).split()).casefold()


def _settings(factor: Factor, cells: pd.Series, comma_parts: bool) -> np.ndarray:
    where = f"table, column '{factor.name}'"
    if not factor.is_numeric:
        by_bare = {_bare(level): level for level in factor.levels}
        for i, cell in enumerate(cells, 1):
            if _bare(cell) not in by_bare:
                raise InputError(f"{where}, row {i}", cell, "no such level",
                                 "Use one of: " + ", ".join(factor.levels))
        return np.array([by_bare[_bare(cell)] for cell in cells], object)
    texts = [_SPACES.sub("", str(c).strip()).replace("−", "-") for c in cells]
    as_point = [_number(t, comma_parts, grouped=True) for t in texts]
    as_comma = [_number(t, comma_parts, grouped=False) for t in texts]
    for i, (a, b) in enumerate(zip(as_point, as_comma, strict=True), 1):
        if a is None and b is None:
            raise InputError(f"{where}, row {i}", cells.iloc[i - 1], "this is not a number",
                             f"Write the setting in {factor.unit or 'plain numbers'}, "
                             "without its unit")
    readings = [np.array(r, float) for r in (as_comma, as_point) if None not in r]
    if not readings:
        raise InputError(where, cells.tolist(), "decimal points and decimal commas are mixed",
                         "Write all numbers of the column in one way")
    if len(readings) == 2 and not np.array_equal(*readings):
        fits = [bool((np.abs(factor.code(r)) <= 1 + 1e-9).all()) for r in readings]
        if fits[0] == fits[1]:
            raise InputError(where, cells.tolist(), "commas could mean decimals or thousands",
                             "Write the numbers without marks between thousands")
        readings = [readings[fits.index(True)]]
    values = readings[0]
    if not np.isfinite(values).all():
        row = int(np.flatnonzero(~np.isfinite(values))[0])
        raise InputError(f"{where}, row {row + 1}", cells.iloc[row], "this is not a finite number",
                         "Fill in the setting, or leave the row out")
    return values


def _number(text: str, comma_parts: bool, *, grouped: bool) -> float | None:
    """The number a text stands for; commas are thousands marks where `grouped`, else decimal."""
    if grouped:
        text = text.replace(",", "") if _GROUPED.fullmatch(text) else text
    elif not comma_parts and text.count(",") == 1 and "." not in text:
        text = text.replace(",", ".")
    return float(text) if _PLAIN.fullmatch(text) else None


def _whole(name: str, cells: pd.Series) -> list[int]:
    out = []
    for i, cell in enumerate(cells, 1):
        number = _number(str(cell).strip(), comma_parts=True, grouped=False)
        if number is None or number != int(number) or number < 1:
            raise InputError(f"table, column '{name}', row {i}", cell,
                             "this is not a whole number from 1", "Number from 1, or leave the "
                             "column out")
        out.append(int(number))
    return out


def _points(cells: pd.Series) -> list[str]:
    out = [_bare(c) for c in cells]
    for i, point in enumerate(out, 1):
        if point not in POINTS:
            raise InputError(f"table, column 'point', row {i}", point, "no such kind of point",
                             "Use one of: " + ", ".join(POINTS) + "; or leave the column out")
    return out


def _outside(region: Region, runs: pd.DataFrame, outside: bool) -> list[str]:
    broken = region.violations(runs)
    if not broken:
        return []
    more = f", and {count(len(broken) - 1, 'further breach', 'further breaches')}"
    said = broken[0] + (more if len(broken) > 1 else "")
    if not outside:
        raise InputError("table", int((~region.contains(runs)).sum()),
                         f"so many runs lie outside the region: {said}",
                         "Correct them, widen the region, or take them as they are with "
                         "outside=True")
    return [f"{count(int((~region.contains(runs)).sum()), 'run lies', 'runs lie')} outside the "
            f"region: {said}."]


def _terms(region: Region, runs: pd.DataFrame,
           terms: Sequence[Term] | str | None) -> tuple[Term, ...]:
    if terms is not None:
        return read_terms(region, terms)
    blocks = block_columns(runs["block"])
    for model in reversed(MODELS):
        own = standard_terms(region, model)
        X = np.hstack([model_matrix(region, runs, own).to_numpy(), blocks])
        if rank(X) == X.shape[1]:
            return own
    return (INTERCEPT,)
