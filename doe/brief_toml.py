"""A brief written by hand as TOML: read with errors that teach, written back in full."""

from __future__ import annotations

import dataclasses
import difflib
import json
import math
import re
import tomllib
from collections.abc import Iterable, Mapping
from pathlib import Path

from doe.bench import Bench
from doe.budgets import allowed_rise, heat_budget, heating_of_run
from doe.constraints import Constraint
from doe.errors import InputError
from doe.factors import Factor, Region
from doe.files import file_there
from doe.mixer import Material, Mixer, Vessel, default_region
from doe.plain import from_plain
from doe.responses import Response

__all__ = ["parse", "template_toml", "write"]

_TEXTS = ("title", "purpose", "author", "notes")
_TOP = (*_TEXTS, "invented", "fill_mass", "steps", "constraints")
_TABLES = {"mixer": Mixer, "vessel": Vessel, "material": Material}
_LISTS = {"factor": Factor, "response": Response}
_KINDS = {"str": (str, "a text", "Write it in quotes"),
          "bool": (bool, "true or false", "Write true or false, without quotes"),
          "tuple": (list, "a list", "Write it in square brackets, such as [1, 2]")}


def template_toml() -> str:
    """A commented brief to start from; it is itself a valid brief of an invented case."""
    return Path(__file__).with_name("templates").joinpath("brief.toml").read_text("utf-8")


def parse(source: str | Path) -> dict:
    """The fields of a brief as values of the ground floor.

    Parameters
    ----------
    source : str or Path
        TOML text, or the path of a file of it. A text of one line without ``=`` is a path.

    Raises
    ------
    InputError
        If it is no TOML, a key is unknown or missing, or a value cannot be used.
    """
    data = _load(source)
    _refuse_unknown(data, (*_TOP, *_TABLES, *_LISTS, "held", "bench",
                           "temperature_budget"),
                    "the brief")
    for key in ("title", "fill_mass", *_TABLES, "response"):
        if key not in data:
            form = {"fill_mass": "Add fill_mass = ... (g)", "response": "Add [[response]]"}.get(
                key, f"Add a table [{key}]" if key in _TABLES else f"Add {key} = \"...\"")
            raise InputError(f"brief, {key}", None, "it is missing", form)
    out = {key: data.get(key, "") for key in _TEXTS}
    out |= {key: data[key] for key in ("invented", "fill_mass") if key in data}
    if not isinstance(out.get("invented", False), bool):
        raise InputError("brief, invented", out["invented"], "this is not true or false",
                         _KINDS["bool"][2])
    out |= {key: _value(cls, data[key], f"[{key}]") for key, cls in _TABLES.items()}
    out["held"] = _by_step(_table(data.get("held", {}), "[held]"), "[held]")
    out["bench"] = _bench(data)
    out["steps"] = tuple(_list(data, "steps"))
    out["responses"] = tuple(
        _value(Response, _closed(_table(r, f"[[response]] {i}")), f"[[response]] {i}")
        for i, r in enumerate(_list(data, "response"), 1))
    out["region"] = _region(data, out)
    for name in out["bench"].change:
        if name not in (*out["region"].names, *out["held"]):
            raise InputError("[bench.change]", name, "no factor or held setting of this name",
                             "Use: " + ", ".join(out["region"].names))
    return out


def _load(source: str | Path) -> dict:
    text, name = source, "brief"
    if isinstance(source, Path) or ("\n" not in source and "=" not in source):
        name = f"brief '{source}'"
        if not file_there("brief", source):
            raise InputError("brief", str(source), "there is no such file",
                             "Check the path, or write a template first")
        try:
            text = Path(source).read_bytes().decode("utf-8-sig")
        except UnicodeDecodeError as error:
            raise InputError("brief", str(source), f"it is not UTF-8 text ({error.reason})",
                             "Save the file as UTF-8") from None
        except OSError as error:
            raise InputError("brief", str(source), f"it cannot be read ({error.strerror})",
                             "Check that you may read it") from None
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputError(name, _line_of(str(error), text), f"this is no TOML: {error}",
                         "Mend that line; texts stand in quotes, numbers do not") from None
    except (RecursionError, ValueError) as error:  # nested too deep; thousands of digits
        raise InputError(name, text.strip().split("\n")[0], f"it cannot be read: {error}",
                         "Write plain values, as in the template") from None


def _line_of(problem: str, text: str) -> str:
    """The line that the problem names, else the first."""
    found, lines = re.search(r"at line (\d+)", problem), text.split("\n")
    return lines[int(found[1]) - 1].strip() if found else text.strip().split("\n")[0]


def _region(data: Mapping, out: Mapping) -> Region:
    limits = tuple(_constraint(c) for c in _list(data, "constraints"))
    if "factor" not in data:
        usual = default_region(out["mixer"], out["vessel"], out["material"])
        limits = (*usual.constraints, *limits, *_heat(data, out, usual.names))
        return Region(usual.factors, limits)
    factors = []
    for i, given in enumerate(_list(data, "factor"), 1):
        given = _of_its_step(dict(_table(given, f"[[factor]] {i}")), f"[[factor]] {i}")
        levels = given.get("levels")
        if "kind" not in given and isinstance(levels, list) and levels:
            given["kind"] = "categorical" if isinstance(levels[0], str) else "ordinal"
        factors.append(_value(Factor, given, f"[[factor]] {i}"))
    return Region(tuple(factors), (*limits, *_heat(data, out, [f.name for f in factors])))


def _of_its_step(factor: dict, where: str) -> dict:
    """The factor with the name of its step in front of its own."""
    step = factor.pop("step", "")
    if not isinstance(step, str):
        raise InputError(f"{where}, step", step, "this is not a text", "Write it in quotes")
    if step and isinstance(factor.get("name"), str):
        factor["name"] = f"{step}_{factor['name']}"
    return factor


def _by_step(table: Mapping, where: str) -> dict:
    """Values by setting; those in a table of their own, such as [held.degassing], of that step."""
    out = {}
    for key, value in table.items():
        own = ({f"{key}_{name}": v for name, v in value.items()} if isinstance(value, Mapping)
               else {key: value})
        for name, v in own.items():
            if name in out:
                raise InputError(f"{where}, {name}", v, "it is given twice", "Leave one out")
            out[name] = v
    return out


def _bench(data: Mapping) -> Bench:
    given = dict(_table(data.get("bench", {}), "[bench]"))
    if "change" in given:
        given["change"] = _by_step(_table(given["change"], "[bench.change]"), "[bench.change]")
    return _value(Bench, given, "[bench]")


_HEAT = ("rise", "test_rotation", "test_time", "test_rise")


def _heat(data: Mapping, out: Mapping, names: Iterable[str]) -> tuple[Constraint, ...]:
    """The limit that a table [temperature_budget] stands for."""
    if "temperature_budget" not in data:
        return ()
    where = "[temperature_budget]"
    table = _table(data["temperature_budget"], where)
    _refuse_unknown(table, _HEAT, where)
    for key in _HEAT[1:]:
        if key not in table:
            raise InputError(f"{where}, {key}", None, "it is missing", "Run one short step, and "
                             "give its rotation (rpm), time (s) and how much it warmed (°C)")
    heating = heating_of_run(*(table[key] for key in _HEAT[1:]))
    rise = table["rise"] if "rise" in table else allowed_rise(out["vessel"], out["material"])
    limit = heat_budget(rise, heating, names, out["held"], out["mixer"])
    return () if limit is None else (limit,)


def _constraint(given: object) -> Constraint:
    if isinstance(given, str):
        return Constraint.parse(given)
    table = _table(given, "constraints")
    _refuse_unknown(table, ("limit", "reason"), "a constraint")
    for key, value in table.items():
        if not isinstance(value, str):
            raise InputError(f"constraints, {key}", value, "this is not a text",
                             "Write it in quotes")
    if "limit" not in table:
        raise InputError("constraints, limit", None, "it is missing",
                         "Write { limit = \"a * b <= 10\", reason = \"...\" }")
    return Constraint.parse(table["limit"], table.get("reason", ""))


def _value(cls: type, given: object, where: str):
    """A value of the ground floor from its table, with types checked by its annotations."""
    table = _table(given, where)
    fields = {f.name: f for f in dataclasses.fields(cls)}
    _refuse_unknown(table, fields, where)
    for key, value in table.items():
        kind = _KINDS.get(str(fields[key].type).partition("[")[0])
        if kind and not isinstance(value, kind[0]):
            raise InputError(f"{where}, {key}", value, f"this is not {kind[1]}", kind[2])
    return from_plain(cls, table)


def _closed(response: Mapping) -> dict:
    """Infinite ends of `possible` are open ends, which the value writes as None."""
    out = dict(response)
    if isinstance(out.get("possible"), list):
        out["possible"] = [None if isinstance(v, float) and math.isinf(v) else v
                           for v in out["possible"]]
    return out


def _table(given: object, where: str) -> Mapping:
    if not isinstance(given, Mapping):
        raise InputError(where, given, "this must be a table", "Write its fields below a heading "
                         "such as [mixer] or [[factor]]")
    return given


def _list(data: Mapping, key: str) -> list:
    given = data.get(key, [])
    if not isinstance(given, list):
        form = f"[[{key}]]" if key in _LISTS else f"{key} = [\"...\", \"...\"]"
        raise InputError(f"brief, {key}", given, "this must be a list", f"Write {form}")
    return given


def _refuse_unknown(table: Mapping, known: Iterable[str], where: str) -> None:
    known = list(known)
    for key in table:
        if key not in known:
            near = difflib.get_close_matches(key.lower(), known, n=3, cutoff=0.6)
            raise InputError(f"{where}, key", key, "no such key stands in " + where,
                             ("Did you mean " + " or ".join(f"'{n}'" for n in near) + "?"
                              if near else "Use: " + ", ".join(known)).rstrip("?"))


# ---- writing


def write(brief: Mapping) -> str:
    """TOML of a brief's plain data; what is left at None is left out."""
    lines = _pairs({k: brief[k] for k in (*_TEXTS, "invented", "fill_mass")})
    lines += [f"steps = {_text(list(brief['steps']))}"] if brief["steps"] else []
    limits = [_limit(c) for c in brief["region"]["constraints"]]
    lines += ["constraints = [", *[f"    {text}," for text in limits], "]"] if limits else []
    for key in _TABLES:
        lines += ["", f"[{key}]", *_pairs(brief[key])]
    bench = dict(brief["bench"])
    change = bench.pop("change")
    lines += ["", "[bench]", *_pairs(bench)]
    lines += ["", "[bench.change]", *_pairs(change)] if change else []
    if brief["held"]:
        lines += ["", "[held]", *_pairs(brief["held"])]
    for factor in brief["region"]["factors"]:
        given = dict(factor)
        if given["kind"] == "ordinal":
            given["low"] = given["high"] = None
        lines += ["", "[[factor]]", *_pairs(given)]
    for response in brief["responses"]:
        given = dict(response)
        least, most = given["possible"]
        given["possible"] = [-math.inf if least is None else least,
                             math.inf if most is None else most]
        lines += ["", "[[response]]", *_pairs(given)]
    return "\n".join(lines) + "\n"


def _pairs(table: Mapping) -> list[str]:
    return [f"{key} = {_text(value)}" for key, value in table.items()
            if value is not None and value != []]


def _text(value: object) -> str:
    if isinstance(value, str):
        # JSON's escapes are TOML's, but for the one control character JSON leaves bare.
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, list):
        return "[" + ", ".join(map(_text, value)) + "]"
    return repr(value)


def _limit(constraint: Mapping) -> str:
    left = " + ".join(" * ".join([repr(c), *names]) for c, names in constraint["terms"])
    text = f"{left.replace('+ -', '- ')} <= {constraint['upper']!r}"
    if not constraint["reason"]:
        return _text(text)
    return f"{{ limit = {_text(text)}, reason = {_text(constraint['reason'])} }}"
