"""Designed experiments for planetary centrifugal mixing.

The public names are loaded when first used, so ``import doe`` costs little.
"""

from __future__ import annotations

import importlib

__version__ = "0.1.0"

_HOME = {
    "errors": ["InputError"],
    "constraints": ["Constraint"],
    "factors": ["Factor", "Region"],
    "responses": ["Response"],
    "terms": ["Term"],
    "mixer": ["Material", "Mixer", "Vessel", "default_region"],
    "programme": ["Programme", "Step"],
    "bench": ["Bench"],
    "budgets": ["heat_budget", "time_budget"],
    "planning": ["Plan", "advise", "appraise", "compare", "make_plan", "simulated_power",
                 "suggest_runs"],
    "analysis": ["Fit", "fit", "fit_mixed", "gauge_study"],
    "analysis.kinds": ["fit_kind"],
    "decision": ["Recipe", "best_setting", "confirmation", "operating_window",
                 "stationary_point", "steepest_path"],
    "study": ["Brief", "Record", "Study"],
    "store": ["StudyFile", "open_study"],
    "sheets": ["import_sheet", "write_sheet"],
    "conclude": ["fit_all", "recommend"],
    "report": ["write_report"],
}
_PUBLIC = {name: module for module, names in _HOME.items() for name in names}

__all__ = sorted([*_PUBLIC, "__version__"])


def __getattr__(name: str):
    if name in _PUBLIC:
        return getattr(importlib.import_module(f"doe.{_PUBLIC[name]}"), name)
    raise AttributeError(f"module 'doe' has no attribute {name!r}")


def __dir__() -> list[str]:
    return __all__
