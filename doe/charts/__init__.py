"""Charts: a result in, a plotly figure out, all with one look.

Every function returns a ``plotly.graph_objects.Figure`` whose title says the finding.
`Still` shows one without a kernel.
"""

from __future__ import annotations

from doe.charts.comparison import compared_power, region_fractions
from doe.charts.conformance import conformance
from doe.charts.curve import curve
from doe.charts.diagnostics import residual_panel
from doe.charts.effects import half_normal, ordered_effects
from doe.charts.leeway import leeway
from doe.charts.means import interactions, main_effects
from doe.charts.plans import column_correlation, plan_map, precision_map
from doe.charts.power import detectable_effects
from doe.charts.ratio_power import detectable_ratio
from doe.charts.residuals import residuals_by_factor
from doe.charts.runs import run_progress
from doe.charts.still import Still, picture
from doe.charts.strip import set_up_strip
from doe.charts.surfaces import contour, surface
from doe.charts.theme import TEMPLATE
from doe.charts.window import operating_window

__all__ = [
    "TEMPLATE",
    "Still",
    "column_correlation",
    "compared_power",
    "conformance",
    "contour",
    "curve",
    "detectable_effects",
    "detectable_ratio",
    "half_normal",
    "interactions",
    "leeway",
    "main_effects",
    "operating_window",
    "ordered_effects",
    "picture",
    "plan_map",
    "precision_map",
    "region_fractions",
    "residual_panel",
    "residuals_by_factor",
    "run_progress",
    "set_up_strip",
    "surface",
]
