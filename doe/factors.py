"""Factors, the region they span, and the coding between natural and coded units.

Natural units are what the mixer shows. Coded units put the centre at 0 and half
the range at 1 (ISO 3534-3). Nothing outside this module and `doe.terms` codes.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from itertools import product

import numpy as np
import pandas as pd

from doe.constraints import Constraint
from doe.errors import InputError, as_choice, as_name, as_number, as_text
from doe.increments import to_increment, to_increment_inside

__all__ = ["Factor", "Region", "to_increment", "to_increment_inside"]

KINDS = ("continuous", "ordinal", "categorical")


@dataclass(frozen=True)
class Factor:
    """What a study varies.

    Parameters
    ----------
    name : str
        An identifier; it stands in formulas and column headings.
    low, high : float or None
        Range in `unit`; the levels give it for ordinal factors, and categorical
        factors have none.
    unit : str
        Unit of the settings, e.g. ``"rpm"``, ``"s"``, ``"kPa"``; ``""`` for a ratio.
    increment : float or None
        The least step the factor can be set in, counted from zero; continuous only.
    levels : tuple
        Settable levels (ordinal: numbers; categorical: texts).
    kind : {"continuous", "ordinal", "categorical"}
    hard_to_change : bool
        True if a change of setting between runs is costly, so that runs may be grouped.
    label : str
        How people read it; the name with spaces if not given.
    nuisance : bool
        True for what is varied or recorded but is never part of a recipe: a lot, a position, an
        operator, a day. A recipe is averaged over it.

    Raises
    ------
    InputError
        If a field cannot be used; the message names it.

    Examples
    --------
    >>> speed = Factor("revolution", 600, 1600, unit="rpm", increment=10)
    >>> speed.code([600, 1100, 1600])
    array([-1.,  0.,  1.])
    >>> Factor.settable("pressure", [2, 20, 100], unit="kPa").snap([30.0])
    array([20.])
    """

    name: str
    low: float | None = None
    high: float | None = None
    unit: str = ""
    increment: float | None = None
    levels: tuple = ()
    kind: str = "continuous"
    hard_to_change: bool = False
    label: str = ""
    nuisance: bool = False

    def __post_init__(self) -> None:
        as_name("factor, name", self.name)
        where = f"factor '{self.name}'"
        as_choice(f"{where}, kind", self.kind, KINDS)
        put = lambda key, value: object.__setattr__(self, key, value)  # noqa: E731
        for key in ("unit", "label"):
            as_text(f"{where}, {key}", getattr(self, key))
        put("label", self.label if self.label.strip() else self.name.replace("_", " "))
        put("levels", tuple(self.levels))
        if self.kind == "categorical":
            self._check_categories(where)
            return
        if self.kind == "ordinal":
            levels = tuple(sorted(as_number(f"{where}, levels", v) for v in self.levels))
            if len(set(levels)) < 2 or len(set(levels)) != len(levels):
                raise InputError(f"{where}, levels", self.levels, "at least two different levels "
                                 "are needed, each once", "List the settable levels")
            put("levels", levels)
            put("low", levels[0])
            put("high", levels[-1])
        elif self.levels:
            raise InputError(f"{where}, levels", self.levels, "a continuous factor has no levels",
                             "Use Factor.settable for a factor with fixed levels")
        put("low", as_number(f"{where}, low", self.low))
        put("high", as_number(f"{where}, high", self.high))
        if not self.low < self.high:
            raise InputError(f"{where}, high", self.high, f"it must be above low = {self.low:g}",
                             "Swap the limits or widen the range")
        if self.increment is not None:
            step = as_number(f"{where}, increment", self.increment, above=0)
            put("increment", step)
            if step > self.high - self.low:
                raise InputError(f"{where}, increment", step, "it is wider than the range, so only "
                                 "one setting would be left", "Widen the range")

    def _check_categories(self, where: str) -> None:
        if self.low is not None or self.high is not None or self.increment is not None:
            raise InputError(f"{where}, low", self.low, "a categorical factor has no range",
                             "Leave low, high and increment out")
        if len(self.levels) < 2 or len(set(self.levels)) != len(self.levels):
            raise InputError(f"{where}, levels", self.levels, "at least two different levels are "
                             "needed, each once", "List the levels")
        for level in self.levels:
            if not isinstance(level, str) or not level.strip():
                raise InputError(f"{where}, levels", level, "a level must be a text",
                                 "Write the level in quotes")

    @classmethod
    def settable(cls, name: str, levels: Iterable[float], unit: str = "", *,
                 hard_to_change: bool = False, label: str = "",
                 nuisance: bool = False) -> Factor:
        """A numeric factor that can only be set to the given levels."""
        return cls(name, unit=unit, levels=tuple(levels), kind="ordinal",
                   hard_to_change=hard_to_change, label=label, nuisance=nuisance)

    @classmethod
    def categorical(cls, name: str, levels: Iterable[str], *, hard_to_change: bool = False,
                    label: str = "", nuisance: bool = False) -> Factor:
        """A factor whose levels have no order."""
        return cls(name, levels=tuple(levels), kind="categorical",
                   hard_to_change=hard_to_change, label=label, nuisance=nuisance)

    @property
    def is_numeric(self) -> bool:
        """True for continuous and ordinal factors."""
        return self.kind != "categorical"

    @property
    def title(self) -> str:
        """Label with its unit, for axes and headings."""
        return f"{self.label} ({self.unit})" if self.unit else self.label

    @property
    def centre(self) -> float:
        """Midpoint of the range, in natural units; numeric factors only."""
        return (self._number("low") + self._number("high")) / 2

    @property
    def half_range(self) -> float:
        """Half the range, in natural units; numeric factors only."""
        return (self._number("high") - self._number("low")) / 2

    def _number(self, end: str) -> float:
        if not self.is_numeric:
            raise InputError(f"factor '{self.name}'", self.kind, "it has no numeric range",
                             "Use its levels")
        return getattr(self, end)

    def code(self, values: Iterable) -> np.ndarray:
        """Natural to coded units (numeric factors); shape (n,)."""
        return (np.asarray(values, float) - self.centre) / self.half_range

    def decode(self, coded: Iterable) -> np.ndarray:
        """Coded to natural units (numeric factors); shape (n,)."""
        return self.centre + np.asarray(coded, float) * self.half_range

    def snap(self, values: Iterable) -> np.ndarray:
        """The nearest settings that can be made; shape (n,).

        Values outside the range by more than rounding are left outside, so that
        the caller can see them; `Region.contains` is the check.
        """
        if not self.is_numeric:
            return np.asarray(values, object)
        values = np.asarray(values, float)
        if self.kind == "ordinal":
            levels = np.asarray(self.levels)
            return levels[np.abs(values[:, None] - levels).argmin(axis=1)]
        if self.increment is None:
            return values
        return to_increment_inside(values, self.increment, self.low, self.high)

    def settings(self, count: int = 21) -> np.ndarray:
        """Settable values that cover the range: all levels, or about `count` of the rest."""
        if self.kind != "continuous":
            return np.asarray(self.levels, object if self.kind == "categorical" else float)
        return np.unique(self.snap(np.linspace(self.low, self.high, count)))


@dataclass(frozen=True)
class Region:
    """The settings that may be run: factors within their ranges, and constraints.

    Parameters
    ----------
    factors : sequence of Factor
    constraints : sequence of Constraint or str
        Each must hold for a run, e.g. ``"revolution * rotation_ratio <= 900"``.
    """

    factors: tuple[Factor, ...]
    constraints: tuple[Constraint, ...] = field(default=())

    def __post_init__(self) -> None:
        factors = tuple(self.factors)
        if not factors:
            raise InputError("region, factors", self.factors, "there are none",
                             "Give at least one factor")
        names = [f.name for f in factors]
        for name in names:
            if names.count(name) > 1:
                raise InputError("region, factors", name, "this name is used twice",
                                 "Give every factor a name of its own")
        constraints = tuple(c if isinstance(c, Constraint) else Constraint.parse(c)
                            for c in self.constraints)
        for constraint in constraints:
            for name in constraint.names:
                if name not in names:
                    raise InputError(f"constraint '{constraint}'", name, "no such factor",
                                     "Use the factors' names: " + ", ".join(names))
                if not factors[names.index(name)].is_numeric:
                    raise InputError(f"constraint '{constraint}'", name, "a categorical factor "
                                     "cannot stand in a constraint", "Use numeric factors only")
                if factors[names.index(name)].nuisance:
                    raise InputError(f"constraint '{constraint}'", name, "a nuisance factor is not "
                                     "chosen, so it cannot keep a limit",
                                     "Leave it out of the constraint")
        object.__setattr__(self, "factors", factors)
        object.__setattr__(self, "constraints", constraints)

    def __getitem__(self, name: str) -> Factor:
        for factor in self.factors:
            if factor.name == name:
                return factor
        raise InputError("factor", name, "no such factor",
                         "Use one of: " + ", ".join(self.names))

    def __len__(self) -> int:
        return len(self.factors)

    @property
    def names(self) -> list[str]:
        """Factor names in their order."""
        return [f.name for f in self.factors]

    @property
    def numeric(self) -> list[Factor]:
        """The continuous and ordinal factors."""
        return [f for f in self.factors if f.is_numeric]

    @property
    def nuisances(self) -> list[str]:
        """Names of the factors that are never part of a recipe."""
        return [f.name for f in self.factors if f.nuisance]

    @cached_property
    def encoded_names(self) -> list[str]:
        """Names of the columns of `encode`: one for a numeric factor, L − 1 for L categories."""
        return [n for f in self.factors for n in
                ([f.name] if f.is_numeric else [f"{f.name}[{v}]" for v in f.levels[1:]])]

    def encode(self, settings: pd.DataFrame) -> np.ndarray:
        """Coded columns of natural settings; shape (n, q).

        Numeric factors are coded to centre 0, half-range 1. A categorical factor has a
        column for each level but the first: +1 at that level, −1 at the first, else 0
        (sum-to-zero coding), so that two levels read −1, +1.

        Raises
        ------
        InputError
            If a column is missing, a number is not finite or a level is unknown.
        """
        columns = []
        for f in self.factors:
            if f.name not in settings:
                raise InputError("settings, column", f.name, "this factor is missing",
                                 "Give a column for each of: " + ", ".join(self.names))
            values = settings[f.name].to_numpy()
            if f.is_numeric:
                columns.append(f.code(_finite(f, values)))
                continue
            values = np.asarray(values, object)
            unknown = [v for v in values if v not in f.levels]
            if unknown:
                raise InputError(f"factor '{f.name}'", unknown[0], "no such level",
                                 "Use one of: " + ", ".join(f.levels))
            columns += [(values == v).astype(float) - (values == f.levels[0])
                        for v in f.levels[1:]]
        return np.column_stack(columns) if columns else np.empty((len(settings), 0))

    def decode(self, coded: np.ndarray) -> pd.DataFrame:
        """Natural settings of a coded array with one column a factor; shape (n, k).

        For a categorical factor the coded value is spread over its levels: −1 is the
        first and +1 the last.
        """
        coded = np.atleast_2d(np.asarray(coded, float))
        out = {}
        for j, f in enumerate(self.factors):
            if f.is_numeric:
                out[f.name] = f.decode(coded[:, j])
            else:
                place = np.clip((coded[:, j] + 1) / 2, 0, 1) * (len(f.levels) - 1)
                out[f.name] = np.asarray(f.levels, object)[np.round(place).astype(int)]
        return pd.DataFrame(out)

    def snap(self, settings: pd.DataFrame) -> pd.DataFrame:
        """Each factor at the nearest setting that can be made."""
        out = settings.copy()
        for f in self.factors:
            out[f.name] = f.snap(settings[f.name])
        return out

    def contains(self, settings: pd.DataFrame, tolerance: float = 1e-9) -> np.ndarray:
        """Which settings may be run; boolean, shape (n,). `tolerance` is in half-ranges."""
        inside = np.ones(len(settings), bool)
        for f in self.factors:
            if f.is_numeric:
                inside &= np.abs(f.code(settings[f.name])) <= 1 + tolerance
            else:
                inside &= settings[f.name].isin(f.levels).to_numpy()
        for c in self.constraints:
            inside &= c.holds(settings)
        return inside

    def violations(self, settings: pd.DataFrame) -> list[str]:
        """Every broken limit in words, each naming the row (from 1) and the value."""
        out = []
        for f in self.factors:
            if not f.is_numeric:
                out += [f"row {i + 1}: {f.label} {v!r} is not one of: {', '.join(f.levels)}"
                        for i, v in enumerate(settings[f.name]) if v not in f.levels]
                continue
            values, unit = settings[f.name].to_numpy(float), f.unit and f" {f.unit}"
            for i in np.flatnonzero(~(np.abs(f.code(values)) <= 1 + 1e-9)):
                out.append(f"row {i + 1}: {f.label} {values[i]:g}{unit} is outside "
                           f"{f.low:g} to {f.high:g}{unit}")
        for c in self.constraints:
            value = c.value(settings)
            for i in np.flatnonzero(~c.holds(settings)):
                out.append(f"row {i + 1}: {c.left} is {value[i]:g}, above {c.upper:g}")
        return out

    def centre(self) -> pd.DataFrame:
        """The centre point: numeric factors at mid-range, a row for each category mix."""
        parts = [[f.centre] if f.is_numeric else list(f.levels) for f in self.factors]
        return pd.DataFrame(list(product(*parts)), columns=self.names)

    def middle(self) -> pd.DataFrame:
        """The centre point at the first level of each categorical factor: one row."""
        return pd.DataFrame([{f.name: f.centre if f.is_numeric else f.levels[0]
                              for f in self.factors}])

    def grid(self, count: int | Mapping[str, int] = 11,
             fixed: Mapping[str, object] | None = None) -> pd.DataFrame:
        """All combinations of settable values inside the region.

        Parameters
        ----------
        count : int or mapping
            About how many values for each continuous factor.
        fixed : mapping, optional
            Factors held at one setting.
        """
        fixed = dict(fixed or {})
        for name in fixed:
            _ = self[name]
        axes = []
        for f in self.factors:
            if f.name in fixed:
                axes.append([fixed[f.name]])
            else:
                axes.append(f.settings(count if isinstance(count, int) else count[f.name]))
        mesh = np.meshgrid(*[np.arange(len(a)) for a in axes], indexing="ij")
        table = pd.DataFrame({f.name: np.asarray(a)[m.ravel()]
                              for f, a, m in zip(self.factors, axes, mesh, strict=True)})
        return table[self.contains(table)].reset_index(drop=True)

    def replace(self, factors: Sequence[Factor]) -> Region:
        """The same constraints over changed factors."""
        return Region(tuple(factors), self.constraints)

    def hold(self, held: Mapping[str, object]) -> Region:
        """The region left to the other factors when some are held at one setting.

        Raises
        ------
        InputError
            If a factor is unknown, a setting is outside its range, or no factor is left.
        """
        for name, value in held.items():
            f = self[name]
            if f.is_numeric:
                as_number(f"factor '{name}', held", value, at_least=f.low, at_most=f.high)
            elif value not in f.levels:
                raise InputError(f"factor '{name}', held", value, "no such level",
                                 "Use one of: " + ", ".join(f.levels))
        fixed = [c.fix(held) for c in self.constraints]
        return Region(tuple(f for f in self.factors if f.name not in held),
                      tuple(c for c in fixed if c is not None))


def _finite(f: Factor, values: np.ndarray) -> np.ndarray:
    try:
        numbers = np.asarray(values, float)
    except (TypeError, ValueError):
        bad = next(v for v in values if not isinstance(v, (int, float, np.number)))
        raise InputError(f"factor '{f.name}'", bad, "this is not a number",
                         f"Give the setting in {f.unit or 'plain numbers'}") from None
    if not np.isfinite(numbers).all():
        row = int(np.flatnonzero(~np.isfinite(numbers))[0])
        raise InputError(f"factor '{f.name}', row {row + 1}", values[row],
                         "the setting is missing or not finite", "Fill it in or leave the row out")
    return numbers
