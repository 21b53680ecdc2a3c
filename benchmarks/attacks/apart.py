"""Calls in a process of their own: a hang, a crash and a traceback are answers like any other."""

from __future__ import annotations

import multiprocessing
import traceback
from collections.abc import Callable
from dataclasses import dataclass
from multiprocessing.connection import Connection
from typing import Any

from doe.errors import InputError

__all__ = ["Answer", "Apart"]


@dataclass(frozen=True)
class Answer:
    """What came of a call: ``kind`` is value, refused, traceback, hang or crash."""

    kind: str
    value: Any = None

    def __str__(self) -> str:
        return f"{self.kind}: {self.value}"


class Apart:
    """`call`, a function of a module, made in another process; a context manager.

    Parameters
    ----------
    call : callable
    limit : float
        After so many seconds an answer counts as a hang; starting the process does not count.
    """

    def __init__(self, call: Callable, limit: float = 20.0) -> None:
        self._call, self._limit = call, limit
        self._process: multiprocessing.process.BaseProcess | None = None

    def __enter__(self) -> Apart:
        return self

    def __exit__(self, *_: object) -> None:
        self._stop()

    def __call__(self, *args: object) -> Answer:
        if self._process is None:
            self._start()
        self._pipe.send(args)
        try:
            if self._pipe.poll(self._limit):
                return self._pipe.recv()
        except EOFError:
            self._process.join()
            code = self._process.exitcode
            self._process = None
            return Answer("crash", f"the process ended with {code}")
        self._stop()
        return Answer("hang", f"no answer within {self._limit:g} s")

    def _start(self) -> None:
        context = multiprocessing.get_context("spawn")
        self._pipe, theirs = context.Pipe()
        # No daemon: what is called may start processes of its own.
        self._process = context.Process(target=_serve, args=(self._call, theirs))
        self._process.start()
        theirs.close()
        self._pipe.recv()  # it is ready

    def _stop(self) -> None:
        if self._process is not None:
            self._process.kill()
            self._process.join()
            self._process = None


def _serve(call: Callable, pipe: Connection) -> None:
    pipe.send("ready")
    while True:
        try:
            args = pipe.recv()
        except EOFError:
            return
        try:
            answer = Answer("value", call(*args))
        except InputError as error:
            answer = Answer("refused", f"{type(error).__name__}: {error}")
        except BaseException:  # noqa: BLE001, whatever it is, it is what the user would see
            answer = Answer("traceback", traceback.format_exc(limit=-4))
        pipe.send(answer)
