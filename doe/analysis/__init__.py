"""Fits of measured responses: linear models, their tests, and what they say in words."""

from doe.analysis.achieved import AchievedDifference, achieved_difference, against_plan
from doe.analysis.activity import FactorActivity, active_factors
from doe.analysis.anova import Anova, Curvature, LackOfFit
from doe.analysis.anova_types import AnovaType, anova_by_type
from doe.analysis.averaging import Averaged, average
from doe.analysis.components import VarianceComponents, variance_components
from doe.analysis.fit import Fit, fit
from doe.analysis.gauge import GaugeStudy, gauge_study
from doe.analysis.gauge_use import NoiseParts, noise_parts, run_sd
from doe.analysis.lenth import Lenth, critical_values, judge_effects, pseudo_standard_error
from doe.analysis.mixed import MixedFit, fit_mixed
from doe.analysis.model_file import model_from_plain, model_to_plain
from doe.analysis.multiplicity import Multiplicity, multiplicity
from doe.analysis.posterior import Posterior, active_effects
from doe.analysis.reality import CrossValidation, RealityCheck, cross_validate, reality_check
from doe.analysis.resampling import Bootstrap, bootstrap
from doe.analysis.search import Search, search
from doe.analysis.selection import aicc, backward, bic
from doe.analysis.sensitivity import Sensitivity, sensitivity
from doe.analysis.sparse import SparsePath, dantzig, lasso
from doe.analysis.two_stage import TwoStage, two_stage
from doe.analysis.unlearned import Unlearned, unlearned

__all__ = [
    "AchievedDifference", "Anova", "AnovaType", "Averaged", "Bootstrap", "CrossValidation",
    "Curvature", "FactorActivity", "Fit", "GaugeStudy", "LackOfFit", "Lenth", "MixedFit",
    "Multiplicity", "NoiseParts", "Posterior", "RealityCheck", "Search", "Sensitivity",
    "SparsePath", "TwoStage", "Unlearned", "VarianceComponents", "achieved_difference",
    "active_effects", "active_factors", "against_plan",
    "aicc", "anova_by_type", "average", "backward", "bic", "bootstrap", "critical_values",
    "cross_validate", "dantzig", "fit", "fit_mixed", "gauge_study", "judge_effects", "lasso",
    "model_from_plain", "model_to_plain", "multiplicity", "noise_parts",
    "pseudo_standard_error",
    "reality_check", "run_sd", "search", "sensitivity", "two_stage", "unlearned",
    "variance_components",
]
