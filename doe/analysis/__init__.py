"""Fits of measured responses: linear models, their tests, and what they say in words."""

from doe.analysis.anova import Anova, Curvature, LackOfFit
from doe.analysis.fit import Fit, fit
from doe.analysis.lenth import Lenth, critical_values, judge_effects, pseudo_standard_error
from doe.analysis.selection import aicc, backward

__all__ = ["Anova", "Curvature", "Fit", "LackOfFit", "Lenth", "aicc", "backward",
           "critical_values", "fit",
           "judge_effects", "pseudo_standard_error"]
