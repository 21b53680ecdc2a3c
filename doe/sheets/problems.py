"""What is wrong with a sheet: every problem of it, collected and shown together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass

import pandas as pd

from doe.errors import InputError
from doe.wording import count

__all__ = ["Problem", "SheetError", "UnreadableError"]

SHOWN = 40
"""Problems listed in the message; the table holds all of them."""


@dataclass(frozen=True)
class Problem:
    """One thing in a sheet that cannot be imported.

    Parameters
    ----------
    row : int or None
        As a spreadsheet counts, from 1; None if the whole file is meant.
    column : str
        Heading; empty if the whole row or file is meant.
    value : str
        As it stands in the sheet.
    problem, remedy : str
        What is wrong and what to do about it, without a full stop.
    """

    row: int | None
    column: str
    value: str
    problem: str
    remedy: str

    def __str__(self) -> str:
        place = [f"row {self.row}"] if self.row is not None else []
        place += [f"column {self.column!r}"] if self.column else []
        value = self.value if len(self.value) <= 60 else self.value[:57] + "..."
        shown = f"{', '.join(place)}: " if place else ""
        shown += f"{value!r}: " if value else ""
        return f"{shown}{self.problem}. {self.remedy}."


class UnreadableError(ValueError):
    """Why a file as a whole cannot be read (`problem`) and what to do about it (`remedy`)."""

    def __init__(self, problem: str, remedy: str) -> None:
        self.problem, self.remedy = problem, remedy
        super().__init__(problem, remedy)


class SheetError(InputError):
    """A sheet that cannot be imported; nothing of it has been.

    Parameters
    ----------
    sheet : str
        Name of the file.
    problems : sequence of Problem
        All of them, in the order of the rows.
    """

    def __init__(self, sheet: str, problems: Sequence[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__(f"sheet '{sheet}'", count(len(self.problems), "problem"),
                         "nothing was imported", "Correct the sheet and import it again")
        self.args = (sheet, self.problems)

    @property
    def table(self) -> pd.DataFrame:
        """Columns row, column, value, problem, remedy; one row a problem."""
        columns = ["row", "column", "value", "problem", "remedy"]
        table = pd.DataFrame([asdict(p) for p in self.problems], columns=columns)
        return table.astype({"row": "Int64"})

    def __str__(self) -> str:
        if len(self.problems) == 1:
            return f"{self.field}: {self.problem}. {self.problems[0]}"
        lines = [f"{self.field}: {self.problem}; {self.value}."]
        lines += [f"  {i}. {p}" for i, p in enumerate(self.problems[:SHOWN], 1)]
        if len(self.problems) > SHOWN:
            lines.append(f"  ... and {len(self.problems) - SHOWN} more, all of them in .table.")
        return "\n".join(lines)
