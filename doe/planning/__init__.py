"""Plans and what they can tell: families, structure, appraisal.

>>> from doe import Factor, Region
>>> from doe.planning import appraise, make_plan
>>> region = Region((Factor("revolution", 800, 1600, unit="rpm", increment=10),
...                  Factor("time", 60, 300, unit="s", increment=1),
...                  Factor("pressure", 2, 50, unit="kPa", increment=0.1)))
>>> plan = make_plan(region, "fractional factorial", runs=4, replicates=2, seed=7)
>>> print(plan.sentence)
Fractional factorial 2^(3−1), resolution III: 8 runs in 3 factors, run order drawn with seed 7.
>>> appraise(plan).alias_sentences[1]
'Revolution is aliased with time × pressure.'
"""

from __future__ import annotations

from doe.planning.advice import Advice, advise
from doe.planning.aliases import AliasStructure, alias_matrix, alias_structure
from doe.planning.appraisal import Appraisal, appraise, efficiencies, prediction_variance
from doe.planning.augment import add_axial, augment
from doe.planning.changes import set_ups
from doe.planning.comparison import Comparison, compare
from doe.planning.composite import small_composite
from doe.planning.continuous import ContinuousOptimum, continuous_optimum
from doe.planning.definitive import definitive_screening
from doe.planning.doehlert import doehlert_shell
from doe.planning.effort import Effort, effort
from doe.planning.factorial import fractional_factorial, full_factorial
from doe.planning.foldover import fold_choices, fold_over, semi_fold_over
from doe.planning.fraction_of_region import FractionOfRegion, fraction_of_region, half_width
from doe.planning.mixed import mixed_levels
from doe.planning.optimal import optimal_plan
from doe.planning.orders import reorder
from doe.planning.pasted import pasted
from doe.planning.plan import Plan
from doe.planning.ratio_power import RatioPower, ratio_power
from doe.planning.resolve import repair, resolve
from doe.planning.screening import plackett_burman
from doe.planning.simulated_power import PowerResult, simulated_power
from doe.planning.split_plot import random_blocks, split_plot
from doe.planning.standing import as_run
from doe.planning.suggest import (
    FAMILIES,
    make_plan,
    options_of,
    suggest_runs,
    usual_centre_points,
)
from doe.planning.surface import box_behnken, central_composite
from doe.planning.trends import OrderAppraisal, appraise_order

__all__ = [
    "FAMILIES",
    "Advice",
    "AliasStructure",
    "Appraisal",
    "Comparison",
    "ContinuousOptimum",
    "Effort",
    "FractionOfRegion",
    "OrderAppraisal",
    "Plan",
    "PowerResult",
    "RatioPower",
    "add_axial",
    "advise",
    "alias_matrix",
    "alias_structure",
    "appraise",
    "appraise_order",
    "as_run",
    "augment",
    "box_behnken",
    "central_composite",
    "compare",
    "continuous_optimum",
    "definitive_screening",
    "doehlert_shell",
    "efficiencies",
    "effort",
    "fold_choices",
    "fold_over",
    "fraction_of_region",
    "fractional_factorial",
    "full_factorial",
    "half_width",
    "make_plan",
    "mixed_levels",
    "optimal_plan",
    "options_of",
    "pasted",
    "plackett_burman",
    "prediction_variance",
    "random_blocks",
    "ratio_power",
    "reorder",
    "repair",
    "resolve",
    "semi_fold_over",
    "set_ups",
    "simulated_power",
    "small_composite",
    "split_plot",
    "suggest_runs",
    "usual_centre_points",
]
