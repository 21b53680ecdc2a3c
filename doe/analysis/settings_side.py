"""The settings' side of a fitted model: its columns, its reach, and how predictions are laid out.

It rests on region, terms, columns and data alone, so that every kind of fit shares it.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from scipy import stats

from doe import terms as model_terms
from doe.analysis.anova import SAME_SETTING
from doe.analysis.estimable import Columns
from doe.errors import InputError
from doe.factors import Factor, Region
from doe.responses import Response
from doe.terms import Term

__all__ = ["SettingsSide", "check_level"]


def check_level(level: float) -> None:
    """Refuse a coverage that is not between 0 and 1."""
    if not 0 < level < 1:
        raise InputError("level", level, "it must lie between 0 and 1", "Use 0.95")


class SettingsSide:
    """What a fit of any kind can say of settings.

    The class that takes it up has ``response``, ``region``, ``terms`` (those estimated, intercept
    first), ``data`` (the rows used) and ``columns`` (the model's, in coded units), and tests
    combinations of its coefficients with ``contrast``.
    """

    response: Response
    region: Region
    terms: tuple[Term, ...]
    data: pd.DataFrame
    columns: Columns

    residual_name = "studentised residual"

    @property
    def log_scale(self) -> bool:
        """True if the logarithm of the response is modelled, so that effects multiply."""
        return self.response.scale == "log"

    def span(self, term: Term) -> float:
        """Change of a term's column that its effect stands for: from low to high for products of
        factors at first power, else one coded unit."""
        two_level = all(p == 1 and (self.region[n].is_numeric or len(self.region[n].levels) == 2)
                        for n, p in term.powers)
        return 2.0 if two_level and term.powers else 1.0

    def order(self) -> np.ndarray:
        """Place of each run in time: column "order", else "run", else the rows' order."""
        for name in ("order", "run"):
            if name in self.data and pd.api.types.is_numeric_dtype(self.data[name]):
                return stats.rankdata(self.data[name], method="ordinal")
        return np.arange(1, len(self.data) + 1)

    @property
    def fitted_title(self) -> str:
        """What is fitted, with its unit."""
        return self.response.title

    def residual_note(self) -> str:
        """What the residuals are, where that needs words."""
        return ""

    def design_rows(self, settings: pd.DataFrame) -> np.ndarray:
        """Model columns of natural settings, for the average block; shape (n, p)."""
        out = np.zeros((len(settings), len(self.columns.owner)))
        own = [j for j, t in enumerate(self.columns.owner) if t is not None]
        out[:, own] = model_terms.model_matrix(self.region, settings, self.terms).to_numpy()
        return out

    def average_rows(self, settings: pd.DataFrame, over: Sequence[Factor]) -> np.ndarray:
        """`design_rows` averaged over all levels of the given categorical factors.

        Their columns sum to zero over the levels, and so do the products with them.
        """
        names = {f.name for f in over}
        out = self.design_rows(settings.assign(**{f.name: f.levels[0] for f in over}))
        out[:, [t is not None and not names.isdisjoint(t.names)
                for t in self.columns.owner]] = 0.0
        return out

    def outside_data(self, settings: pd.DataFrame) -> np.ndarray:
        """Which settings leave the box that the achieved settings span; boolean, shape (n,)."""
        outside = np.zeros(len(settings), bool)
        for f in self.region.factors:
            values, seen = settings[f.name], self.data[f.name]
            if f.is_numeric:
                slack = (SAME_SETTING + 1e-9) * f.half_range
                inside = values.between(seen.min() - slack, seen.max() + slack)
                outside |= ~inside.to_numpy()
            else:
                outside |= ~values.isin(seen.unique()).to_numpy()
        return outside

    def extrapolated(self, settings: pd.DataFrame) -> np.ndarray:
        """Which settings are outside the region, or outside the box that the achieved settings
        span, by more than 1 % of a factor's range; boolean, shape (n,)."""
        return ~self.region.contains(settings, SAME_SETTING) | self.outside_data(settings)

    def compare(self, before: pd.DataFrame, after: pd.DataFrame,
                level: float = 0.95) -> pd.DataFrame:
        """Change of the mean from one setting to another, row by row.

        Returns
        -------
        DataFrame
            ``change, low, high`` in the response's unit; ratios where effects multiply.
        """
        return self.contrast(self.design_rows(after) - self.design_rows(before), level)

    def laid_out(self, settings: pd.DataFrame, mean: np.ndarray, confidence: np.ndarray,
                 prediction: np.ndarray) -> pd.DataFrame:
        """Predictions of a linear model in the response's unit.

        Parameters
        ----------
        settings : DataFrame
        mean : ndarray, shape (n,)
            On the model's scale, as are the limits.
        confidence, prediction : (low, high)
            Limits of the mean and of one new run.

        Returns
        -------
        DataFrame
            ``mean, mean_low, mean_high, low, high, extrapolated``.
        """
        out = pd.DataFrame({"mean": mean, "mean_low": confidence[0], "mean_high": confidence[1],
                            "low": prediction[0], "high": prediction[1]}, index=settings.index)
        if self.log_scale:
            out = np.exp(out)
        return self.marked(out, settings, self.response.unit,
                           "median" if self.log_scale else "mean")

    def marked(self, out: pd.DataFrame, settings: pd.DataFrame, unit: str,
               statistic: str) -> pd.DataFrame:
        """Predictions with ``extrapolated``, their unit, and what "mean" stands for."""
        out["extrapolated"] = self.extrapolated(settings)
        out.attrs["units"] = dict.fromkeys(("mean", "mean_low", "mean_high", "low", "high"), unit)
        out.attrs["statistic"] = statistic
        return out
