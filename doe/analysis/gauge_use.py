"""What a gauge's scatter means for plans and predictions.

References
----------
ISO 5725-1:2023 (a reading's variance is that of the thing measured plus the gauge's).
Satterthwaite, F. E. (1946). An approximate distribution of estimates of variance components.
*Biometrics Bulletin* 2, 110–114.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from doe import wording
from doe.analysis.gauge import GaugeStudy
from doe.analysis.model import Fit
from doe.analysis.settings_side import check_level
from doe.errors import InputError, as_number

__all__ = ["NoiseParts", "noise_parts", "run_sd"]


def run_sd(gauge: GaugeStudy, between: float, readings: int = 1, operators: int = 1) -> float:
    """Standard deviation of a run's reading, for `doe.planning.appraise` and `assumed_sd`.

    Parameters
    ----------
    gauge : GaugeStudy
    between : float
        Standard deviation between runs at one setting, the gauge's scatter apart, in its unit.
    readings, operators : int
        Each run's result is the mean over so many operators with so many readings each.
    """
    between = as_number("between", between, at_least=0)
    return float(np.hypot(between, gauge.sd_of_mean(readings, operators)))


@dataclass(frozen=True, eq=False)
class NoiseParts:
    """A model's residual scatter, split into what the gauge adds and what the runs do.

    Attributes
    ----------
    fit : Fit
    sd, gauge_sd, process_sd : float
        Of a reading about the model, of the gauge, and of the runs themselves (0 if the gauge
        explains all), on the model's scale.
    readings, operators : int
    """

    fit: Fit
    sd: float
    gauge_sd: float
    process_sd: float
    readings: int
    operators: int

    @property
    def share(self) -> float:
        """Share of the residual variance that is the gauge's, at most 1."""
        return min(1.0, (self.gauge_sd / self.sd) ** 2)

    def predict(self, settings: pd.DataFrame, level: float = 0.95) -> pd.DataFrame:
        """As `Fit.predict`, but ``low, high`` are for a new run's own value, not for its reading.

        The specification is about the material: what the gauge adds to a reading is left out.
        Degrees of freedom are Satterthwaite's, the gauge's variance taken as known.
        """
        check_level(level)
        out = self.fit.predict(settings, level)
        reading = (1 + out["leverage"]) * self.sd**2
        own = out["leverage"] * self.sd**2 + self.process_sd**2
        df = np.maximum(self.fit.df_error * (own / reading) ** 2, 1.0)
        # What holds the reading holds the run's own value, too, so it is never wider than that.
        wide = np.minimum(stats.t.ppf((1 + level) / 2, df) * np.sqrt(own),
                          stats.t.ppf((1 + level) / 2, self.fit.df_error) * np.sqrt(reading))
        centre = np.log(out["mean"]) if self.fit.log_scale else out["mean"]
        back = np.exp if self.fit.log_scale else np.asarray
        out["low"], out["high"] = back(centre - wide), back(centre + wide)
        return out

    @property
    def sentence(self) -> str:
        """How much of the noise is the gauge's, and what to do about it."""
        what = wording.capitalise(self.fit.response.label)
        if self.process_sd == 0:
            return (f"{what}: the gauge alone explains the scatter about the model; more readings "
                    "a run, or a better gauge, would sharpen every finding.")
        advice = ("More readings a run would sharpen the findings more than more runs do."
                  if self.share > 0.5 else
                  "Mostly the runs themselves differ; more readings a run would help little.")
        return (f"{what}: {wording.percent(self.share)} of the noise variance is the gauge's. "
                + advice)


def noise_parts(fit: Fit, gauge: GaugeStudy, readings: int = 1, operators: int = 1) -> NoiseParts:
    """Split a fit's residual scatter by what is known of the gauge.

    Parameters
    ----------
    fit : Fit
        Of responses read as the gauge study read its parts; on a log scale the gauge's
        standard deviation is taken relative to the mean of the readings.
    gauge : GaugeStudy
    readings, operators : int
        As in `run_sd`.

    Raises
    ------
    InputError
        If the fit leaves no degrees of freedom for error, or the units differ.
    """
    if not fit.df_error:
        raise InputError("fit", fit.response.name, "it leaves no degrees of freedom for error, so "
                         "there is no noise to split", "Add runs or drop terms")
    if gauge.unit != fit.response.unit:
        raise InputError("gauge, unit", gauge.unit, f"the response is in {fit.response.unit!r}",
                         "Give a study of the gauge that read this response, in its unit")
    own = gauge.sd_of_mean(readings, operators)
    if fit.log_scale:
        own /= float(np.mean(fit.data[fit.response.name]))
    left = max(0.0, fit.sigma**2 - own**2)
    return NoiseParts(fit, fit.sigma, own, left**0.5, readings, operators)
