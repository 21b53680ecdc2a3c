"""Responses: what is measured, what is wanted of it, and how it is measured."""

from __future__ import annotations

from dataclasses import dataclass

from doe.errors import InputError, as_choice, as_name, as_number, as_text

__all__ = ["Response"]

GOALS = ("minimise", "maximise", "target")
KINDS = ("continuous", "count", "proportion", "ordinal", "censored")
SCALES = ("identity", "log")


@dataclass(frozen=True)
class Response:
    """A measured quantity with its goal, specification and method of test.

    Parameters
    ----------
    name : str
        An identifier; it stands in column headings.
    unit : str
        Unit of the measurement.
    goal : {"minimise", "maximise", "target"}
    lower, upper : float or None
        Specification limits, in `unit`.
    target : float or None
        The value wanted. For "minimise" and "maximise" it is the value beyond which a
        further gain is worth nothing.
    kind : {"continuous", "count", "proportion", "ordinal", "censored"}
        A "proportion" is a share from 0 to 1, or a percentage if `unit` is ``"%"``. "ordinal"
        is a grade, recorded as its number. "censored" is a continuous reading that a detection
        limit or the instrument's range cuts off.
    scale : {"identity", "log"}
        The scale models are fitted on; "log" for ratios and spreads that grow with the mean.
    method : str
        Method of test in words.
    resolution : float or None
        Least difference the instrument shows, in `unit`.
    detection_limit : float or None
        Values at or below it cannot be told apart, in `unit`.
    possible : (float or None, float or None)
        What a reading can be at all; others are refused at entry.
    assumed_sd : float or None
        Standard deviation between repeated runs, assumed before any data, in `unit`
        (on a log scale: relative, e.g. 0.10 for 10 %).
    importance : float
        Weight among the responses when one recipe must serve all of them; above 0.
    label : str
        How people read it; the name with spaces if not given.
    exposure : float, str or None
        For a count: what was inspected, as a number if it is the same in every run, else the
        name of the column it is recorded in. `lower` and `upper` hold for this much if it is
        a number.
    exposure_unit : str
        Unit of `exposure`, such as ``"cm²"``.
    trials : float, str or None
        For a proportion: how many were tried, likewise; None if the share was not counted.
    grades : tuple of str
        For an ordinal response: the names of grades 1, 2, 3, ... in ascending order.
    """

    name: str
    unit: str = ""
    goal: str = "minimise"
    lower: float | None = None
    upper: float | None = None
    target: float | None = None
    kind: str = "continuous"
    scale: str = "identity"
    method: str = ""
    resolution: float | None = None
    detection_limit: float | None = None
    possible: tuple[float | None, float | None] = (None, None)
    assumed_sd: float | None = None
    importance: float = 1.0
    label: str = ""
    exposure: float | str | None = None
    exposure_unit: str = ""
    trials: float | str | None = None
    grades: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        as_name("response, name", self.name)
        where = f"response '{self.name}'"
        as_choice(f"{where}, goal", self.goal, GOALS)
        as_choice(f"{where}, kind", self.kind, KINDS)
        as_choice(f"{where}, scale", self.scale, SCALES)
        put = lambda key, value: object.__setattr__(self, key, value)  # noqa: E731
        for key in ("unit", "label", "method", "exposure_unit"):
            as_text(f"{where}, {key}", getattr(self, key))
        put("label", self.label if self.label.strip() else self.name.replace("_", " "))
        self._check_grades(where)
        self._check_basis(where)
        put("possible", tuple(self.possible))
        for key in ("lower", "upper", "target", "detection_limit"):
            if getattr(self, key) is not None:
                put(key, as_number(f"{where}, {key}", getattr(self, key)))
        for key in ("resolution", "assumed_sd"):
            if getattr(self, key) is not None:
                put(key, as_number(f"{where}, {key}", getattr(self, key), above=0))
        put("importance", as_number(f"{where}, importance", self.importance, above=0))
        if len(self.possible) != 2:
            raise InputError(f"{where}, possible", self.possible, "two ends are needed",
                             "Give (least, greatest); None leaves an end open")
        ends = tuple(None if end is None else as_number(f"{where}, possible", end)
                     for end in self.possible)
        if None not in ends and not ends[0] < ends[1]:
            raise InputError(f"{where}, possible", self.possible, "the ends are not in order",
                             "Give (least, greatest)")
        put("possible", ends)
        if self.lower is not None and self.upper is not None and not self.lower < self.upper:
            raise InputError(f"{where}, upper", self.upper, f"it must be above lower = "
                             f"{self.lower:g}", "Swap the limits")
        if self.goal == "target" and self.target is None:
            raise InputError(f"{where}, target", None, "the goal is a target but none is given",
                             "Give target, or choose 'minimise' or 'maximise'")
        if self.target is not None and (
            (self.lower is not None and self.target < self.lower)
            or (self.upper is not None and self.target > self.upper)
        ):
            raise InputError(f"{where}, target", self.target, "it lies outside the specification",
                             "Move the target between the limits")

    def _check_grades(self, where: str) -> None:
        grades = tuple(self.grades) if isinstance(self.grades, (list, tuple)) else (self.grades,)
        object.__setattr__(self, "grades", grades)
        if self.kind != "ordinal":
            if grades:
                raise InputError(f"{where}, grades", grades, f"a response of kind '{self.kind}' "
                                 "has none", "Leave them out, or choose kind 'ordinal'")
            return
        for grade in grades:
            if not isinstance(grade, str) or not grade.strip():
                raise InputError(f"{where}, grades", grade, "this is no name", "Write it in quotes")
        if len(grades) < 2 or len(set(grades)) < len(grades):
            raise InputError(f"{where}, grades", grades, "at least two different names are needed",
                             "Name grades 1, 2, 3, ... in ascending order")
        if self.scale != "identity":
            raise InputError(f"{where}, scale", self.scale, "grades have no logarithm",
                             "Leave the scale out")
        if tuple(self.possible) == (None, None):
            object.__setattr__(self, "possible", (1, len(grades)))

    def _check_basis(self, where: str) -> None:
        """What counts and shares refer to."""
        for key, kind in (("exposure", "count"), ("trials", "proportion")):
            value = getattr(self, key)
            if value is None:
                continue
            if self.kind != kind:
                raise InputError(f"{where}, {key}", value, f"it belongs to a {kind}, and this "
                                 f"response is of kind '{self.kind}'", "Leave it out")
            if isinstance(value, str):
                as_name(f"{where}, {key}", value)
                continue
            value = as_number(f"{where}, {key}", value, above=0)
            if key == "trials" and value != int(value):
                raise InputError(f"{where}, trials", value, "this is not a whole number",
                                 "Give how many were tried in each run")
            object.__setattr__(self, key, value)

    @property
    def title(self) -> str:
        """Label with its unit, for axes and headings."""
        return f"{self.label} ({self.unit})" if self.unit else self.label

    @property
    def specification(self) -> str:
        """The specification limits in words."""
        unit = f" {self.unit}" if self.unit else ""
        if self.lower is not None and self.upper is not None:
            return f"{self._named(self.lower)} to {self._named(self.upper)}{unit}"
        if self.upper is not None:
            return f"at most {self._named(self.upper)}{unit}"
        if self.lower is not None:
            return f"at least {self._named(self.lower)}{unit}"
        return "no limits"

    def _named(self, limit: float) -> str:
        """A limit, with the grade it stands for."""
        named = self.kind == "ordinal" and limit in range(1, len(self.grades) + 1)
        return f"{limit:g} ({self.grades[int(limit) - 1]})" if named else f"{limit:g}"

    @property
    def whole(self) -> float:
        """What stands for all in a share: 100 for a percentage, else 1."""
        return 100.0 if self.unit.strip() == "%" else 1.0

    @property
    def reading(self) -> str:
        """What is written down, where that is not plain from the unit."""
        if self.kind == "ordinal":
            return "grade: " + ", ".join(f"{i} {g}" for i, g in enumerate(self.grades, 1))
        if self.kind == "count":
            if self.exposure is None:
                return "count"
            if isinstance(self.exposure, str):
                return f"count; what was inspected stands in {self.exposure}"
            return f"count on {self.exposure:g} {self.exposure_unit}".rstrip()
        if self.kind == "proportion":
            if self.trials is None:
                return f"share, from 0 to {self.whole:g}"
            share = f"share, from 0 to {self.whole:g}"
            return (f"{share}; how many were tried stands in {self.trials}"
                    if isinstance(self.trials, str) else f"{share}, of {self.trials:g} tried")
        return ""

    def meets(self, value: float) -> bool:
        """True if `value` is within the specification limits."""
        return ((self.lower is None or value >= self.lower)
                and (self.upper is None or value <= self.upper))
