"""A brief as tables for reading."""

from __future__ import annotations

from dataclasses import fields

import pandas as pd

from doe.brief import Brief
from doe.factors import Factor

__all__ = ["equipment_tables", "factor_table", "response_table"]

_MODELLED = {"count": "log of its rate", "proportion": "log of its odds",
             "ordinal": "log odds of higher grades"}


def factor_table(brief: Brief) -> pd.DataFrame:
    """One row a factor: ``factor, unit, range, settable, hard_to_change``, all as text."""
    return pd.DataFrame([{
        "factor": f.label, "unit": f.unit or "–",
        "range": f"{f.low:.4g} to {f.high:.4g}" if f.is_numeric else ", ".join(f.levels),
        "settable": _settable(f, brief) + (", not part of a recipe" if f.nuisance else ""),
        "hard_to_change": "yes" if f.hard_to_change else "no"} for f in brief.region.factors])


def _settable(f: Factor, brief: Brief) -> str:
    if not f.is_numeric:
        return "each level"
    if f.kind == "ordinal":
        return ", ".join(f"{v:g}" for v in f.levels)
    if f.increment:
        return f"steps of {f.increment:g} {f.unit}".rstrip()
    if f.name.endswith("rotation_ratio"):
        return f"by rotation in steps of {brief.mixer.rotation_increment:g} rpm"
    return "any value"


def response_table(brief: Brief) -> pd.DataFrame:
    """One row a response: ``response, goal, specification, modelled_on``, and where any has
    them, ``reading`` and ``method``, all as text."""
    out = pd.DataFrame([{
        "response": r.title,
        "goal": r.goal + (f" {r.target:g}" if r.target is not None and r.goal == "target" else ""),
        "specification": r.specification,
        "modelled_on": _MODELLED.get(r.kind) or ("log scale" if r.scale == "log"
                                                 else "its own scale"),
        "reading": r.reading or "–",
        "method": r.method or "–"} for r in brief.responses])
    return out.drop(columns=[c for c in ("reading", "method") if (out[c] == "–").all()])


def equipment_tables(brief: Brief) -> dict[str, pd.DataFrame]:
    """Mixer, vessel and material, each as ``property, value, unit``; unknown ones left out."""
    return {title: pd.DataFrame(
        [(f.name.replace("_", " "), _shown(getattr(value, f.name)), f.metadata.get("unit", ""))
         for f in fields(value) if getattr(value, f.name) not in (None, "")],
        columns=["property", "value", "unit"])
        for title, value in (("Mixer", brief.mixer), ("Vessel", brief.vessel),
                             ("Material", brief.material))}


def _shown(value: object) -> str:
    if isinstance(value, tuple) and isinstance(value[0], tuple):
        return ", ".join(f"level {level:g}: {rpm:g}" for level, rpm in value)
    if isinstance(value, tuple):
        return " to ".join(_shown(v) for v in value)
    return f"{value:g}" if isinstance(value, float) else str(value)
