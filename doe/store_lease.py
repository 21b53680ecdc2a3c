"""One writer at a time on a drive whose locks may not hold: a lease beside the study file.

The lease is a small file that says who writes. It is made under a name that must be free, which
file servers do as one step. It goes when the study is closed; one whose process is gone, or in
which nothing was entered for `STALE` seconds, may be taken over. It is renewed by each entry and
by nothing else: a notebook left open overnight then does not keep colleagues out, no thread
outlives the file, and who finds their lease taken over has lost no entry, but is refused the next.

Taking over must have one winner. Whoever does it first makes a successor's lease, under a name
that holds the token of the lease it follows; only its owner may then put it in the place of that
one. Since each lease has a token of its own, of two who judged the same lease stale only one can
succeed. A successor who was killed half way is succeeded in the same manner.
"""

from __future__ import annotations

import contextlib
import json
import os
import re
import secrets
import socket
import subprocess
import sys
import threading
import time
import uuid
import warnings
from dataclasses import dataclass, fields, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import ClassVar

from doe.records import as_time, on_the_clock
from doe.store_file import NO_LINKS, StudyFileError, StudyFileWarning
from doe.store_rows import who_enters

__all__ = ["STALE", "Holder", "Lease", "lease_path"]

STALE = 2 * 3600.0
"""After this time without an entry others may take a lease over, s."""

_TOKEN = re.compile("[0-9a-f]{16}")


def lease_path(path: Path) -> Path:
    """Where the lease of a study file lies."""
    return path.with_name(path.name + "-writer")


@dataclass(frozen=True)
class Holder:
    """Who holds a lease: a process of somebody on some computer."""

    user: str
    host: str
    pid: int
    space: str  # in which process numbers mean something: a start of a system, a container
    born: str  # when the process started, since numbers are given again
    since: str
    renewed: str
    token: str

    @classmethod
    def here(cls) -> Holder:
        """This process, with a token of its own each time."""
        now = as_time("lease", None)
        return cls(who_enters(""), socket.gethostname(), os.getpid(), _space(), _born(os.getpid()),
                   now, now, secrets.token_hex(8))

    @property
    def is_gone(self) -> bool:
        """True if it is certain that the process has ended."""
        return ((self.host, self.space) == (socket.gethostname(), _space()) and bool(self.space)
                and _born(self.pid) != self.born)

    def written(self) -> bytes:
        """The text of the lease file; its length does not change when it is renewed."""
        return json.dumps(vars(self), ensure_ascii=True, indent=1).encode()

    def __str__(self) -> str:
        return f"{self.user} on {self.host} (process {self.pid})"


class Lease:
    """The right of this process to write a study file; shared by all who open it here.

    Raises
    ------
    StudyFileError
        If somebody else holds it, saying who and since when.
    """

    _here: ClassVar[dict[Path, Lease]] = {}
    _guard = threading.RLock()

    @classmethod
    def take(cls, path: Path) -> Lease:
        """The lease of a study file, for one more who opens it; `release` it when done."""
        file = lease_path(Path(os.path.realpath(path)))
        with cls._guard:
            lease = cls._here.get(file)
            if lease is None or lease._lost or lease._mine.pid != os.getpid():
                lease = cls._here[file] = cls(path, file)
            lease._users += 1
            return lease

    def __init__(self, path: Path, file: Path) -> None:
        self._path, self._file, self._users = path, file, 0
        self._lost: Holder | None = None  # to whom
        self._acquire(Holder.here())
        for stray in file.parent.iterdir():
            # Successors of holders before this one, who were killed half way.
            if stray.name.startswith(f"{file.name}.") and not stray.name.startswith(
                    _after(file, self._mine).name):
                stray.unlink(missing_ok=True)

    def keep(self) -> None:
        """Before an entry: note that somebody is at work, or raise if the lease is lost."""
        with self._guard:
            if not self._lost and _read(self._file) is None:  # deleted by hand, and nobody took it
                self._acquire(Holder.here())
                return
            self.check()
            if self._since_renewed() > STALE / 2:
                # Somebody may be about to take it over: one of us succeeds it, not both.
                self._acquire(replace(Holder.here(), since=self._mine.since), self._mine)
                return
            self._mine = replace(self._mine, renewed=as_time("lease", None))
            with contextlib.suppress(FileNotFoundError), self._file.open("r+b") as file:
                file.write(self._mine.written())
            self._clocks = _clocks()

    def check(self, *, kept: bool = False) -> None:
        """Raise if it is lost; `kept` says that an entry was committed by then."""
        with self._guard:
            there = self._lost or _read(self._file)
            if there is not None and there.token == self._mine.token:
                return
            self._lost = there
            raise StudyFileError(
                self._path, f"{there} took over writing it at {on_the_clock(there.since)}, since "
                f"nothing was entered here after {on_the_clock(self._mine.renewed)}" if there
                else f"'{self._file.name}' beside it, which says who writes it, was deleted",
                ("Look whether this entry was kept" if kept else "Nothing of this entry was kept")
                + ": open the study again, when others have closed it, or read it with "
                "read_only=True")

    def release(self) -> None:
        """One less who has the file open here; the last one gives the lease back."""
        with self._guard:
            self._users -= 1
            if self._users > 0 or self._mine.pid != os.getpid():
                return
            if self._here.get(self._file) is self:
                del self._here[self._file]
            if self._lost:
                return
            after = _after(self._file, self._mine)
            try:
                # Who is taking it over at this moment has made a successor's lease: it stays.
                if _make(after, Holder.here()):
                    if (there := _read(self._file)) and there.token == self._mine.token:
                        self._file.unlink(missing_ok=True)
                    after.unlink(missing_ok=True)
            except OSError as error:
                warnings.warn(f"{self._path}: '{self._file.name}' beside it could not be removed "
                              f"({error.strerror}); others on other computers can write in "
                              f"{STALE / 3600:g} hours, or when it is deleted", StudyFileWarning,
                              stacklevel=3)

    def _acquire(self, me: Holder, mine: Holder | None = None) -> None:
        try:
            other = _succeed(self._file, me, mine)
        except OSError as error:
            raise StudyFileError(self._path, "it lies on a network drive, and who writes it cannot "
                                 f"be noted beside it ({error.strerror})", "To write, make the "
                                 "folder writable; to read, open it with read_only=True") from None
        if other is not None:
            raise self._refusal(other)
        self._mine, self._clocks = me, _clocks()

    def _refusal(self, other: Holder) -> StudyFileError:
        free = datetime.fromisoformat(other.renewed).timestamp() + STALE
        again = on_the_clock(datetime.fromtimestamp(free, UTC).isoformat())
        own = (other.user, other.host) == (who_enters(""), socket.gethostname())
        return StudyFileError(
            self._path, f"{other} has it open for writing since {on_the_clock(other.since)}; last "
            f"entry {on_the_clock(other.renewed)}", "Read it with read_only=True. It can be "
            f"written when {'that notebook or program is closed' if own else 'they close it'}, or "
            f"from {again} if nothing is entered until then; if that computer is switched off, "
            f"delete '{self._file.name}'")

    def _since_renewed(self) -> float:
        """Seconds, by the clock that ran on: one may stand still in sleep, one may be set."""
        return max(now - then for now, then in zip(_clocks(), self._clocks, strict=True))


# ---- lease files


def _succeed(file: Path, me: Holder, mine: Holder | None = None) -> Holder | None:
    """Put a lease of `me` under this name; the holder instead, if that is somebody at work."""
    while True:
        if _make(file, me):
            return None
        there = _read(file)
        if there is None:
            continue  # given back just now
        own = mine is not None and there.token == mine.token
        if not (own or there.is_gone or _age(file) > STALE):
            return there
        after = _after(file, there)
        other = _succeed(after, me)
        still = _read(file)
        same = still is not None and still.token == there.token
        if other is not None:
            if same:
                return other
            continue  # who was to succeed this one came too late as well
        if same:
            os.replace(after, file)
            last = _read(file)
            if last is not None:
                return None if last.token == me.token else last
        after.unlink(missing_ok=True)


def _after(file: Path, holder: Holder) -> Path:
    """The name of the lease of who succeeds a holder."""
    return file.with_name(f"{file.name}.{holder.token}")


def _make(file: Path, holder: Holder) -> bool:
    """Write a lease whole, under a name that must be free; whether it was."""
    new = _fresh(file, holder.written())
    try:
        os.link(new, file)
    except FileExistsError:
        return new.stat().st_nlink == 2  # it was made, but the answer of the server was lost
    except OSError as error:
        if os.name != "nt" and error.errno not in NO_LINKS:
            raise
        return _make_in_place(file, holder)
    finally:
        new.unlink(missing_ok=True)
    return True


def _make_in_place(file: Path, holder: Holder) -> bool:
    try:
        handle = os.open(file, os.O_CREAT | os.O_EXCL | os.O_WRONLY)
    except FileExistsError:
        return False
    with open(handle, "wb") as out:
        out.write(holder.written())
    return True


def _fresh(file: Path, data: bytes) -> Path:
    """A new file beside the lease, written just now."""
    new = file.with_name(f".{file.name}.{secrets.token_hex(4)}")
    try:
        new.write_bytes(data)
    except OSError:
        new.unlink(missing_ok=True)
        raise
    return new


def _age(file: Path) -> float:
    """Seconds since a lease was renewed, by the clock of the computer that keeps the files."""
    now = _fresh(file, b"what time is it?")
    try:
        return now.stat().st_mtime - file.stat().st_mtime
    except FileNotFoundError:
        return 0.0  # given back just now
    finally:
        now.unlink(missing_ok=True)


def _read(file: Path) -> Holder | None:
    """Who holds a lease; None if there is none."""
    try:
        with file.open("rb") as opened:  # which asks the server, as a look at the folder may not
            text, found = opened.read(), os.fstat(opened.fileno())
    except FileNotFoundError:
        return None
    try:
        known = json.loads(text)
        holder = Holder(**{f.name: known[f.name] for f in fields(Holder)})
        for when in (holder.since, holder.renewed):
            datetime.fromisoformat(when)
        if _TOKEN.fullmatch(holder.token):
            return holder
    except (ValueError, TypeError, KeyError):
        pass  # cut short, or written by somebody else
    when = datetime.fromtimestamp(found.st_mtime, UTC).isoformat(timespec="seconds")
    return Holder("somebody", "an unknown computer", 0, "", "", when, when,
                  f"{found.st_mtime_ns & (1 << 64) - 1:016x}")


# ---- processes and clocks


def _space() -> str:
    """What makes a process number mean one process: a start of Linux and a container in it."""
    if sys.platform.startswith("linux"):
        try:
            return (Path("/proc/sys/kernel/random/boot_id").read_text().strip() + " "
                    + os.readlink("/proc/self/ns/pid"))
        except OSError:
            return ""
    return f"{sys.platform} {uuid.getnode():x}"


def _born(pid: int) -> str:
    """When a process started, as the system tells it; empty if there is none."""
    if sys.platform == "win32":
        return _born_on_windows(pid)
    if sys.platform.startswith("linux"):
        try:
            told = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
        except OSError:
            return ""
        return "" if told[0] in "ZX" else told[19]  # fields 3 and 22 of proc_pid_stat(5)
    told = subprocess.run(["ps", "-o", "lstart=", "-p", str(pid)], capture_output=True, text=True,
                          check=False)
    return told.stdout.strip()


def _born_on_windows(pid: int) -> str:
    import ctypes
    from ctypes import wintypes

    kernel, times = ctypes.windll.kernel32, [wintypes.FILETIME() for _ in range(4)]
    process = kernel.OpenProcess(0x1000, False, pid)  # the right to ask about it
    if not process:
        return ""
    try:
        code = wintypes.DWORD()
        kernel.GetExitCodeProcess(process, ctypes.byref(code))
        kernel.GetProcessTimes(process, *map(ctypes.byref, times))
    finally:
        kernel.CloseHandle(process)
    running = 259
    return f"{times[0].dwHighDateTime:x}{times[0].dwLowDateTime:08x}" * (code.value == running)


def _clocks() -> tuple[float, float]:
    return time.monotonic(), time.time()
