"""The plan: runs with the family, structure and seed they came from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import pandas as pd

from doe import plain
from doe.errors import InputError
from doe.factors import Region
from doe.terms import Term
from doe.wording import count

__all__ = ["POINTS", "STRUCTURE", "Plan"]

STRUCTURE = ("run", "standard", "block", "point")
"""Columns of `Plan.runs` before the factors; ``whole_plot`` may follow them."""

POINTS = ("factorial", "centre", "axial", "edge", "added", "shell")


@dataclass(frozen=True, eq=False)
class Plan:
    """Runs in run order, with what they were made for.

    Parameters
    ----------
    region : Region
    runs : DataFrame
        One row a run, in run order: ``run`` (from 1), ``standard`` (standard order, from 1),
        ``block`` (from 1), ``point`` (one of `POINTS`), where runs are grouped by a factor that
        is hard to change also ``whole_plot`` (from 1), then one column a factor in natural
        units, at settings that can be made.
    terms : tuple of Term
        The model it was made to estimate, intercept included.
    family : str
    seed : int
        Draws the same run order again.
    details : dict
        What is particular to the family, as plain data (what JSON can hold).
    remarks : tuple of str
        What snapping, constraints and structure cost, in words.

    Raises
    ------
    InputError
        If a column is missing, there are no runs, or a kind of point is unknown.
    """

    region: Region
    runs: pd.DataFrame
    terms: tuple[Term, ...]
    family: str
    seed: int
    details: dict[str, Any] = field(default_factory=dict)
    remarks: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        structure = [*STRUCTURE, *(["whole_plot"] if "whole_plot" in self.runs else [])]
        for name in [*structure, *self.region.names]:
            if name not in self.runs:
                raise InputError("plan, runs", name, "this column is missing",
                                 "Give the columns " + ", ".join([*structure, *self.region.names]))
        if self.runs.empty:
            raise InputError("plan, runs", self.runs, "there are none", "Give at least one run")
        runs = self.runs[[*structure, *self.region.names]].reset_index(drop=True)
        for name in structure:
            if name != "point":
                runs[name] = runs[name].astype(int)
        for point in runs["point"]:
            if point not in POINTS:
                raise InputError("plan, point", point, "no such kind of point",
                                 "Use one of: " + ", ".join(POINTS))
        for factor in self.region.numeric:
            runs[factor.name] = runs[factor.name].astype(float)
        object.__setattr__(self, "runs", runs)
        object.__setattr__(self, "terms", tuple(self.terms))
        object.__setattr__(self, "remarks", tuple(self.remarks))

    def __len__(self) -> int:
        return len(self.runs)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Plan) and self.to_plain() == other.to_plain()

    __hash__ = None

    @property
    def settings(self) -> pd.DataFrame:
        """The factor columns, in natural units and run order."""
        return self.runs[self.region.names]

    @property
    def blocks(self) -> int:
        """Number of blocks."""
        return self.runs["block"].nunique()

    @property
    def table(self) -> pd.DataFrame:
        """The runs, with the factors' units in ``attrs["units"]``."""
        table = self.runs.copy()
        table.attrs["units"] = {f.name: f.unit for f in self.region.factors if f.unit}
        return table

    @property
    def sentence(self) -> str:
        """The plan in one sentence."""
        centre = int((self.runs["point"] == "centre").sum())
        parts = [f"{self.details.get('title', self.family)}: {count(len(self), 'run')}"
                 + (f", {centre} of them at the centre," if centre else "")
                 + f" in {count(len(self.region), 'factor')}"]
        if self.blocks > 1:
            parts.append(f"{self.blocks} blocks")
        if "whole_plot" in self.runs:
            parts.append(f"{self.runs['whole_plot'].nunique()} groups of runs that share the "
                         "settings that are hard to change")
        parts.append("in the order given" if self.family == "given"
                     else f"run order drawn with seed {self.seed}")
        return ", ".join(parts) + "."

    def to_plain(self) -> dict[str, Any]:
        """The plan as plain data."""
        return {
            "region": plain.to_plain(self.region),
            "runs": {name: self.runs[name].tolist() for name in self.runs},
            "terms": plain.to_plain(self.terms),
            "family": self.family,
            "seed": int(self.seed),
            "details": plain.to_plain(self.details),
            "remarks": list(self.remarks),
        }

    @classmethod
    def from_plain(cls, data: Mapping[str, Any]) -> Plan:
        """The plan that `to_plain` wrote, checked anew.

        Raises
        ------
        InputError
            If a field is missing or cannot be used.
        """
        for name in ("region", "runs", "terms", "family", "seed"):
            if name not in data:
                raise InputError(f"plan, {name}", None, "it is missing", "Add it")
        return cls(
            region=plain.from_plain(Region, data["region"]),
            runs=pd.DataFrame(dict(data["runs"])),
            terms=tuple(plain.from_plain(Term, names) for names in data["terms"]),
            family=data["family"],
            seed=int(data["seed"]),
            details=dict(data.get("details", {})),
            remarks=tuple(data.get("remarks", ())),
        )

