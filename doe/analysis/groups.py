"""Groups of rows that share a random effect: read from columns, named, and said in words.

A group is written as the column that tells it (``"day"``), as one column nested in another
(``"batch/cask"``, which stands for ``"batch"`` and ``"batch:cask"``), or as columns that act
together (``"part:operator"``), after Wilkinson & Rogers (1973).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from doe import wording
from doe.errors import InputError

__all__ = ["Grouping", "between_rows", "plural", "read_groups"]


@dataclass(frozen=True, eq=False)
class Grouping:
    """One way in which the rows fall into groups.

    Attributes
    ----------
    columns : tuple of str
        The columns that together tell a group.
    codes : ndarray of int, shape (n,)
        Group of each row, from 0.
    levels : tuple of str
        The groups' names.
    nested : bool
        True if the last column only has a meaning within the others.
    """

    columns: tuple[str, ...]
    codes: np.ndarray
    levels: tuple[str, ...]
    nested: bool = False

    @property
    def name(self) -> str:
        """``"batch:cask"``."""
        return ":".join(self.columns)

    @property
    def label(self) -> str:
        """``"cask within batch"``, ``"part × operator"``, ``"whole plot"``."""
        words = [c.replace("_", " ") for c in self.columns]
        if self.nested:
            return f"{words[-1]} within {' × '.join(words[:-1])}"
        return " × ".join(words)

    @property
    def last(self) -> str:
        """What tells a group within any others it is nested in, as it is read."""
        return (self.columns[-1].replace("_", " ") if self.nested or len(self.columns) == 1
                else self.label)

    @property
    def between(self) -> str:
        """``"from one whole plot to another"`` and the like."""
        words = [c.replace("_", " ") for c in self.columns]
        if self.nested:
            return f"from one {words[-1]} to another within the same {wording.join(words[:-1])}"
        if len(words) > 1:
            return f"in how {wording.join(words)} act together"
        return f"from one {words[0]} to another"

    @property
    def counted(self) -> str:
        """``"12 whole plots"``, ``"30 casks within batch"``."""
        if len(self.columns) > 1 and not self.nested:
            return f"{len(self.levels)} combinations of {wording.join(self.columns)}"
        outer = self.label.removeprefix(self.last)
        return wording.count(len(self.levels), self.last, plural(self.last)) + outer

    def refines(self, other: Grouping) -> bool:
        """True if every group lies within one group of the other."""
        pairs = np.unique(np.column_stack([self.codes, other.codes]), axis=0)
        return len(pairs) == len(self.levels)

    @classmethod
    def of(cls, data: pd.DataFrame, columns: Sequence[str], nested: bool = False) -> Grouping:
        """The groups told by columns of the data.

        Raises
        ------
        InputError
            If a column is missing or a row has no entry in it.
        """
        columns = tuple(columns)
        for name in columns:
            if name not in data:
                raise InputError("groups", name, "the data have no such column",
                                 "Use a column of the data: " + ", ".join(map(str, data.columns)))
            if data[name].isna().any():
                raise InputError(f"data, column '{name}'", None, "a row does not say which group "
                                 "it belongs to", "Fill it in for every row")
        keys = [_sorted_codes(data[name]) for name in columns]
        _, codes = np.unique(np.column_stack(keys), axis=0, return_inverse=True)
        first = np.unique(codes.ravel(), return_index=True)[1]
        levels = [", ".join(str(data[name].iloc[i]) for name in columns) for i in first]
        return cls(columns, codes.ravel(), tuple(levels), nested)


def plural(noun: str) -> str:
    """More than one of it: ``"whole plots"``, ``"batches"``, ``"days"``."""
    if noun.endswith(("s", "x", "ch", "sh")):
        return noun + "es"
    if noun.endswith("y") and noun[-2:-1] not in "aeiou":
        return noun[:-1] + "ies"
    return noun + "s"


def _sorted_codes(values: pd.Series) -> np.ndarray:
    try:
        return pd.factorize(values, sort=True)[0]
    except TypeError:  # numbers and texts have no order between them
        return pd.factorize(values.astype(str), sort=True)[0]


def between_rows(groups: Sequence[Grouping], row: str) -> str:
    """``"from one run to another within the same whole plot"``: where the residual lies."""
    finest = [g for g in groups if all(g.refines(other) for other in groups)]
    if finest:
        return f"from one {row} to another within the same {finest[0].last}"
    return f"from one {row} to another with all of these the same"


def read_groups(data: pd.DataFrame, groups: str | Sequence[str]) -> tuple[Grouping, ...]:
    """The groupings that `groups` asks for, each once, in its order.

    Raises
    ------
    InputError
        If a column is missing or has gaps, all rows are in one group, every row is a group of
        its own, or two groupings divide the rows in the same way.
    """
    wanted: dict[tuple[str, ...], bool] = {}
    for text in [groups] if isinstance(groups, str) else list(groups):
        if not isinstance(text, str) or not text.strip():
            raise InputError("groups", text, "this is not the name of a column",
                             "Give columns such as 'whole_plot', 'day' or 'batch/cask'")
        outer, *inner = (tuple(p.strip() for p in part.split(":")) for part in text.split("/"))
        wanted.setdefault(outer, False)
        for part in inner:
            outer = (*outer, *part)
            wanted.setdefault(outer, True)
    if not wanted:
        raise InputError("groups", groups, "no group is given", "Use `fit` where every run stands "
                         "alone")
    out: list[Grouping] = []
    for columns, nested in wanted.items():
        new = Grouping.of(data, columns, nested)
        if len(new.levels) == 1:
            raise InputError("groups", new.name, "all rows are in one group, so that nothing "
                             "varies between groups", "Leave it out")
        if len(new.levels) == len(data):
            raise InputError("groups", new.name, "every row is a group of its own, which cannot be "
                             "told from the noise between rows", "Leave it out")
        for old in out:
            if len(old.levels) == len(new.levels) and new.refines(old):
                raise InputError("groups", new.name, f"it divides the rows just as '{old.name}' "
                                 "does", "Give one of them")
        out.append(new)
    return tuple(out)
