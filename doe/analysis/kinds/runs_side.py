"""The runs' side of a fit by maximum likelihood: residuals, leverage, influence, drift."""

from __future__ import annotations

from abc import abstractmethod
from functools import cached_property
from typing import ClassVar

import numpy as np
import pandas as pd

from doe.analysis.diagnostics import (
    SerialCorrelation,
    normal_scores,
    run_names,
    serial_correlation,
    simulated_residuals,
)
from doe.analysis.kinds.residuals import SEED, Influence, standardise

__all__ = ["RunsSide"]


class RunsSide:
    """What a fit by maximum likelihood says of its runs.

    The class that takes it up says how each reading stands to the model: ``_location``, ``_seen``
    and ``_stretches``.
    """

    row: ClassVar[str] = "run"
    """What a row of the data is."""
    residual_name: ClassVar[str] = "quantile residual"

    @property
    def plain(self) -> object:
        """The likelihood without a penalty."""
        return getattr(self.likelihood, "plain", self.likelihood)

    def _location(self) -> tuple[np.ndarray, np.ndarray]:
        """Slope and curvature of each run's log-likelihood in its linear predictor."""
        return self.plain.location(self.estimate.theta)

    @abstractmethod
    def _seen(self) -> tuple[np.ndarray, np.ndarray]:
        """Readings and their fitted means."""

    @abstractmethod
    def _stretches(self, change: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Normal scores of the chances of less than, and up to, each reading, the dispersion being
        multiplied by `change`."""

    def _other_residuals(self) -> dict[str, np.ndarray]:
        return {}

    @cached_property
    def influence(self) -> Influence:
        """Leverage and pull of each run."""
        return Influence(self.rows.matrix, *self._location(), self.dispersion)

    @cached_property
    def diagnostics(self) -> pd.DataFrame:
        """One row a run; see `run_diagnostics`, which takes another seed."""
        return self.run_diagnostics()

    def run_diagnostics(self, seed: int = SEED) -> pd.DataFrame:
        """Residuals, leverage and influence of each run.

        Parameters
        ----------
        seed : int
            Of the places drawn within the stretches that counts, grades and readings beyond a limit
            fill; kept in ``attrs["seed"]``.

        Returns
        -------
        DataFrame
            ``run, order, observed, fitted, residual``; ``standardised``: the quantile residual
            (Dunn & Smyth 1996) with the leverage allowed for; ``studentised``: the same with the
            run left out of the dispersion, if there is one to estimate; ``nearest``: the value
            nearest to zero that the reading allows, whatever is drawn; ``df``: the studentised
            residual is nearly t on one less, normal if infinite; ``leverage`` (of the weighted
            columns), ``cooks_distance`` (of one step without the run, Pregibon 1981),
            ``normal_score``; for counts and proportions also ``pearson`` and ``deviance``, the
            standardised residuals of generalised linear models. Missing for runs that the
            fit must pass through. Observed and fitted are in the response's unit; readings
            beyond a limit on the model's scale, written as the limit, and ``beyond`` says
            "below" or "above".
        """
        pull, (observed, fitted) = self.influence, self._seen()
        uniform = np.random.default_rng(seed).uniform(size=len(observed))
        every = np.ones(len(observed))
        inner, _ = standardise(*self._stretches(every), pull.left, uniform)
        outer, nearest = standardise(*self._stretches(pull.dispersion_without(self.df_reference)),
                                     pull.left, uniform)
        if self.df_reference <= 1:
            outer, nearest = np.full((2, len(every)), np.nan)
        numbered = np.arange(1, len(every) + 1)
        table = pd.DataFrame({
            "run": run_names(self.data) if self.row == "run" else numbered,
            "order": self.order() if self.row == "run" else numbered, "observed": observed,
            "fitted": fitted, "residual": observed - fitted, "standardised": inner,
            "studentised": outer, "nearest": nearest, "df": float(self.df_reference),
            "leverage": pull.leverage, "cooks_distance": pull.cooks_distance,
            "normal_score": normal_scores(outer), **self._other_residuals(),
        })
        table.attrs |= {"scale": "log" if self.log_scale else "identity", "seed": seed,
                        "row": self.row}
        return table

    @cached_property
    def serial_correlation(self) -> SerialCorrelation | None:
        """Durbin–Watson test of Pearson's residuals in run order, as of `Fit`."""
        if "order" not in self.data and "run" not in self.data:
            return None
        return serial_correlation(self.influence.pearson, self.influence.root, self.order())

    def simulated_residuals(self, draws: int, seed: int) -> np.ndarray:
        """Studentised residuals of this model where there is nothing but noise; (draws, runs)."""
        return simulated_residuals(self.influence.root, draws, seed,
                                   known=bool(np.isinf(self.df_reference)))

    def residual_note(self) -> str:
        """What the residuals are, in words."""
        text = ("Residuals are quantile residuals: each reading's place in the distribution "
                "foretold for its run, as a normal score")
        low, high = self._stretches(np.ones(len(self.data)))
        return text + (f"; where it fills a stretch of places, one drawn at random (seed {SEED})."
                       if (low < high).any() else ".")
