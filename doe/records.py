"""What happened in a run, and the rules by which a record is accepted.

An *attempt* is one go at a planned run. A run has attempts 1, 2, ...: a further one is
possible only when the last was set aside, or when a repeat was declared. Every attempt
that is done counts as an observation, so a declared repeat is a replicate.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime

from doe.brief import Brief
from doe.errors import InputError, as_choice, as_number
from doe.factors import Factor
from doe.responses import Response

__all__ = ["STATUS_WORDS", "Record", "admit", "as_time", "as_whole", "attempt_due", "check_kind",
           "check_mark", "checked", "correct", "on_the_clock", "read_setting", "read_value"]

STATES = ("planned", "done", "void")
STATUS_WORDS = {"planned": "planned", "done": "done", "void": "set aside"}
"""What people read for the status that is stored."""
NEAR_WHOLE = 0.25
"""How far a share times its trials may be from a whole number, for shares that were rounded."""
MANY_TRIALS = 200
"""With more trials than this, rounding of the share alone may go further."""
_READING = re.compile(r"\s*([<>]?)\s*([-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)\s*")


@dataclass(frozen=True)
class Record:
    """One attempt at a planned run.

    Parameters
    ----------
    run : int
        The planned run's number, from 1.
    attempt : int
        From 1; 0 in a record still to be kept means the attempt that is due.
    status : {"planned", "done", "void"}
        "planned" is a repeat that was declared but not yet done.
    settings : dict of str to float or str
        Achieved settings by factor; the planned ones hold for factors left out.
    measurements : dict of str to float
        By response.
    time : str
        When it was run, ISO 8601 with an offset.
    operator, remark : str
    qualifiers : dict of str to str
        ``"<"`` or ``">"`` for a reading known only to lie below or above its value.
    reason : str
        Why it was set aside or repeated.
    """

    run: int
    attempt: int = 0
    status: str = "done"
    settings: dict = field(default_factory=dict)
    measurements: dict = field(default_factory=dict)
    time: str = ""
    operator: str = ""
    remark: str = ""
    qualifiers: dict = field(default_factory=dict)
    reason: str = ""

    def __post_init__(self) -> None:
        # A sheet makes a hundred thousand of these: the usual case of each check comes first.
        put = object.__setattr__
        if not (type(self.run) is type(self.attempt) is int and self.run >= 0 <= self.attempt):
            for key in ("run", "attempt"):
                put(self, key, as_whole(f"record, {key}", getattr(self, key)))
        if self.status not in STATES:
            as_choice("record, status", self.status, STATES)
        for key, value in (("settings", self.settings), ("measurements", self.measurements),
                           ("qualifiers", self.qualifiers)):
            if type(value) is not dict and not isinstance(value, Mapping):
                raise InputError(f"record, {key}", value, "this is no mapping",
                                 "Give a dict by name, such as {'voids': 0.4}")
            put(self, key, dict(value))
        if type(self.time) is type(self.operator) is type(self.remark) is type(self.reason) is str:
            return
        for key in ("time", "operator", "remark", "reason"):
            if not isinstance(getattr(self, key), str):
                raise InputError(f"record, {key}", getattr(self, key), "this is not a text",
                                 "Write it in quotes")

    @property
    def where(self) -> str:
        """The attempt in words, e.g. ``"run 3"`` or ``"run 3, attempt 2"``."""
        return f"run {self.run}" + (f", attempt {self.attempt}" if self.attempt > 1 else "")


def as_whole(name: str, value: object) -> int:
    """Return `value` as an int of at least 0, or raise `InputError`."""
    if type(value) is int and value >= 0:  # the usual case, met once for each of many records
        return value
    number = as_number(name, value, at_least=0)
    if number != int(number):
        raise InputError(name, value, "this is not a whole number", "Give a whole number")
    return int(number)


def as_time(name: str, value: datetime | str | None) -> str:
    """ISO 8601 in UTC, to the second; now if None. A time without offset is local time."""
    if value is None or value == "":
        value = datetime.now(UTC)
    try:
        moment = datetime.fromisoformat(value) if isinstance(value, str) else value
        return moment.astimezone(UTC).isoformat(timespec="seconds")
    except (AttributeError, TypeError, ValueError, OverflowError):
        raise InputError(name, value, "this is not a time",
                         "Write it as 2031-05-17 14:30") from None


def on_the_clock(when: str) -> str:
    """A stored time as the clock on the wall showed it; with the date unless it is today."""
    moment = datetime.fromisoformat(when).astimezone()
    today = moment.date() == datetime.now().astimezone().date()
    return moment.strftime("%H:%M" if today else "%Y-%m-%d %H:%M")


def read_value(response: Response, value: object, where: str = "") -> tuple[float, str]:
    """A reading as number and qualifier: ``3.2``, ``"3.2"``, ``"<0.5"`` or ``"> 200"``.

    Raises
    ------
    InputError
        If it is no finite number, or cannot be a reading of this response.
    """
    name = (f"{where}, " if where else "") + f"response '{response.name}'"
    qualifier = ""
    if isinstance(value, str):
        match = _READING.fullmatch(value.replace("\N{MINUS SIGN}", "-"))
        if match is None:
            raise InputError(name, value, "this is not a number", "Write it with a decimal point, "
                             "such as 3.2, or <3.2 for a reading below it")
        qualifier, value = match[1], float(match[2])
    number = as_number(name, value)
    check_kind(response, number, name, value)
    low, high = response.possible
    if (low is not None and number < low) or (high is not None and number > high):
        span = (f"at least {low:g}" if high is None else f"at most {high:g}" if low is None
                else f"from {low:g} to {high:g}")
        raise InputError(name, value, f"a reading can only be {span} {response.unit}".rstrip(),
                         "Check the reading and its unit; if it is right, widen 'possible' "
                         "in the brief")
    check_mark(response, number, qualifier, name, value)
    return number, qualifier


def check_mark(response: Response, number: float, mark: str, name: str, value: object) -> None:
    """Refuse a reading said to lie below what is least possible, or above what is greatest."""
    least, greatest = response.possible
    if least is None and (response.kind in ("count", "proportion") or response.scale == "log"):
        least = 0.0
    if greatest is None and response.kind == "proportion":
        greatest = response.whole
    unit = f" {response.unit}".rstrip()
    if mark == "<" and least is not None and number <= least:
        raise InputError(name, value, f"no reading can lie below {least:g}{unit}",
                         "Enter the reading itself, or '<' with the detection limit")
    if mark == ">" and greatest is not None and number >= greatest:
        raise InputError(name, value, f"no reading can lie above {greatest:g}{unit}",
                         "Enter the reading itself, or '>' with the end of the instrument's range")


def check_kind(response: Response, number: float, name: str, value: object) -> None:
    """Refuse what no count, share or grade can be; the fit would refuse it when all is done."""
    if response.kind == "count" and (number < 0 or number != int(number)):
        raise InputError(name, value, "a count is a whole number, at least 0",
                         "Enter the number counted")
    if response.kind == "ordinal" and number != int(number):
        raise InputError(name, value, "a grade is a whole number", f"Enter the {response.reading}")
    if response.kind != "proportion":
        return
    whole = response.whole
    if not 0 <= number <= whole:
        raise InputError(name, value, f"a share lies between 0 and {whole:g}",
                         "Divide what succeeded by what was tried"
                         + (", times 100" if whole > 1 else "; for percentages the brief needs "
                            "unit = '%'"))
    if isinstance(response.trials, float) and response.trials <= MANY_TRIALS:
        succeeded = number / whole * response.trials
        if abs(succeeded - round(succeeded)) > NEAR_WHOLE:
            below, above = (f(succeeded) / response.trials * whole
                            for f in (math.floor, math.ceil))
            raise InputError(name, value, f"of {response.trials:g} tried, no whole number makes "
                             "this share", f"Check it; next to it are {below:.4g} and {above:.4g}")


def read_setting(factor: Factor, value: object, where: str) -> float | str:
    """An achieved setting: a finite number, or one of the levels of a categorical factor."""
    name = f"{where}, factor '{factor.name}'"
    if factor.is_numeric:
        return as_number(name, value)
    return as_choice(name, value, factor.levels)


def checked(record: Record, brief: Brief) -> Record:
    """The record with names known, numbers as floats and blanks left out."""
    values, qualifiers, settings = {}, {}, {}
    for name, value in record.measurements.items():
        if value is None:
            continue
        response = named(brief.responses, name, f"{record.where}, response")
        values[name], mark = read_value(response, value, record.where)
        mark = mark or record.qualifiers.get(name, "")
        if mark:
            check_mark(response, values[name], mark, f"{record.where}, response '{name}'", value)
            qualifiers[name] = as_choice(f"{record.where}, qualifier of '{name}'", mark, ("<", ">"))
    for name in record.qualifiers:
        if name not in values:
            raise InputError(f"{record.where}, qualifier", name, "there is no reading to qualify",
                             "Give the reading, or leave the qualifier out")
    for name, value in record.settings.items():
        if value is not None:
            factor = named(brief.region.factors, name, f"{record.where}, factor")
            settings[name] = read_setting(factor, value, record.where)
    return replace(record, measurements=values, qualifiers=qualifiers, settings=settings,
                   time=as_time(f"{record.where}, time", record.time) if record.time else "")


def named(values: Sequence, name: object, where: str):
    for value in values:
        if value.name == name:
            return value
    raise InputError(where, name, "no such name in this study",
                     "Use one of: " + ", ".join(v.name for v in values))


def admit(record: Record, brief: Brief, earlier: Sequence[Record]) -> Record:
    """The attempt as it stands once `record` is added to it; status "done".

    Parameters
    ----------
    record : Record
        As entered. With attempt 0 it goes to the attempt that is due, or adds what is
        still missing to one already done.
    brief : Brief
    earlier : sequence of Record
        The attempts at the same run so far.

    Raises
    ------
    InputError
        If a name or value cannot be used, or the entry would change what is already
        recorded; saying again what is recorded is no change.
    """
    if record.status != "done":
        raise InputError(f"{record.where}, status", record.status, "only what was done is recorded",
                         "Set an attempt aside with void(), declare a repeat with repeat()")
    record = checked(record, brief)
    due = attempt_due(earlier)
    attempt = record.attempt or due
    old = next((r for r in earlier if r.attempt == attempt), None)
    if (old is None and attempt != due) or (old is not None and old.status == "void"):
        raise InputError(f"run {record.run}, attempt", attempt,
                         "this attempt is set aside" if old
                         else f"the attempt that is due is {due}",
                         "Leave the attempt out to record the one that is due, or declare a "
                         "repeat first")
    record = replace(record, attempt=attempt)
    if old is None or old.status == "planned":
        return replace(record, reason=old.reason if old else "",
                       time=record.time or as_time("time", None))
    return _merged(old, record)


def attempt_due(earlier: Sequence[Record]) -> int:
    """The attempt an entry goes to: a repeat declared, else the last done, else a new one."""
    for status in ("planned", "done"):
        found = [r.attempt for r in earlier if r.status == status]
        if found:
            return max(found)
    return 1 + max((r.attempt for r in earlier), default=0)


def correct(record: Record, brief: Brief, *, measurements: Mapping | None = None,
            settings: Mapping | None = None, time: datetime | str | None = None,
            remark: str | None = None) -> Record:
    """A done record with some values replaced; a value of None is withdrawn.

    Raises
    ------
    InputError
        If the record is not done, or a name or value cannot be used.
    """
    if record.status != "done":
        raise InputError(record.where, STATUS_WORDS[record.status], "only what is done and not "
                         "set aside can be corrected", "Record the run first")
    measurements, settings = measurements or {}, settings or {}
    Record(record.run, measurements=measurements, settings=settings)  # refuses what is no mapping
    for name in measurements:
        named(brief.responses, name, f"{record.where}, response")
    for name in settings:
        named(brief.region.factors, name, f"{record.where}, factor")
    new = checked(replace(record, measurements=measurements, settings=settings, qualifiers={}),
                  brief)
    keep = {k: v for k, v in record.measurements.items() if k not in measurements}
    marks = {k: v for k, v in record.qualifiers.items() if k not in measurements}
    left = {k: v for k, v in record.settings.items() if k not in settings}
    return replace(record, measurements=keep | new.measurements, settings=left | new.settings,
                   qualifiers=marks | new.qualifiers,
                   time=record.time if time is None else as_time(f"{record.where}, time", time),
                   remark=record.remark if remark is None else remark)


def _merged(old: Record, new: Record) -> Record:
    for kind, before, after in (("response", old.measurements, new.measurements),
                                ("factor", old.settings, new.settings)):
        for name in before.keys() & after.keys():
            same = before[name] == after[name] or (
                kind == "factor" and not isinstance(after[name], str)
                and math.isclose(before[name], after[name], rel_tol=1e-12))
            if not same or (kind == "response"
                            and old.qualifiers.get(name) != new.qualifiers.get(name)):
                raise InputError(
                    f"{old.where}, {kind} '{name}'", after[name],
                    f"it is already recorded as {old.qualifiers.get(name, '')}{before[name]}",
                    "Correct it with a reason (amend), set the attempt aside (void), or declare a "
                    "repeat (repeat)")
    return replace(
        old, settings={**old.settings, **new.settings},
        measurements={**old.measurements, **new.measurements},
        qualifiers={**old.qualifiers, **new.qualifiers}, operator=old.operator or new.operator,
        remark="; ".join(dict.fromkeys(r for r in (old.remark, new.remark) if r)))
