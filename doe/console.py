"""What the command line prints: readable on every terminal, and an end without a traceback."""

from __future__ import annotations

import codecs
import os
import sys
import unicodedata
from collections.abc import Iterator
from contextlib import contextmanager

from rich.console import Console

from doe.errors import InputError
from doe.wording import harmless

__all__ = ["FAILED", "INPUT_REFUSED", "INTERRUPTED", "Terminal", "ended_in_words",
           "speak_everywhere"]

INPUT_REFUSED = FAILED = 2
INTERRUPTED = 130
"""As a shell gives it for a program that Ctrl-C ended."""

_PLAINER = {
    "≤": "<=", "≥": ">=", "≠": "!=", "≈": "~", "±": "+-", "×": "x", "÷": "/", "·": "*", "−": "-",
    "–": "-", "—": "-", "‑": "-", "→": "->", "•": "*", "…": "...", "√": "sqrt", "∞": "inf",
    "µ": "u", "μ": "u", "°": " deg ", "σ": "sigma", "α": "alpha", "Δ": "delta", "Σ": "sum",
    "⁻": "^-", "²": "^2", "³": "^3", "‘": "'", "’": "'", "“": '"', "”": '"', "\u00a0": " ",
    "\u202f": " ", "\u2009": " ", "ß": "ss", "ø": "o", "Ø": "O",
}


def _plainer(error: UnicodeError) -> tuple[str, int]:
    """What stands for the first character that the terminal has not, and where to go on."""
    if not isinstance(error, UnicodeEncodeError):
        raise error
    character = error.object[error.start]
    base = "".join(c for c in unicodedata.normalize("NFKD", character) if c.isascii())
    for text in (_PLAINER.get(character, ""), base, "?"):
        if text:
            try:
                text.encode(error.encoding)
            except UnicodeEncodeError:
                continue
            return text, error.start + 1
    raise error


class Terminal(Console):
    """Prints what stands in a study, which may be anybody's, without letting it give orders."""

    def print(self, *objects: object, **options: object) -> None:
        """As rich prints, with control characters of texts made visible."""
        super().print(*(harmless(o) if isinstance(o, str) else o for o in objects), **options)


def speak_everywhere() -> None:
    """Let both streams replace what their encoding has no character for."""
    codecs.register_error("plainer", _plainer)
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):  # a stream put in its place may have none
            stream.reconfigure(errors="plainer")


@contextmanager
def ended_in_words() -> Iterator[None]:
    """End the program with one sentence on whatever it cannot go on from.

    Bad input, a file that cannot be used, a disk or memory that is full and Ctrl-C are no
    defects of the program; all else keeps its traceback.
    """
    try:
        try:
            yield
        finally:
            sys.stdout.flush()  # here, where a failure can still be told
    except InputError as error:
        _end(str(error), INPUT_REFUSED)
    except KeyboardInterrupt:
        _end("Interrupted.", INTERRUPTED)
    except BrokenPipeError:  # who read has read enough
        _leave_unsaid(sys.stdout)
        sys.exit(0)
    except MemoryError:
        _end("There is not enough memory for this. Ask for fewer runs or a smaller model, or "
             "close other programs.", FAILED)
    except OSError as error:
        _leave_unsaid(sys.stdout)
        where = "output" if error.filename is None else f"file = {os.fsdecode(error.filename)!r}"
        _end(f"{where}: {error.strerror or error}. Check the path, that you may use it, and that "
             "there is room.", FAILED)


def _end(sentence: str, code: int) -> None:
    try:
        print(harmless(sentence), file=sys.stderr, flush=True)
    except OSError:
        _leave_unsaid(sys.stderr)
    sys.exit(code)


def _leave_unsaid(stream) -> None:
    """Drop what is still to be written, which would fail again when the program ends."""
    try:
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, stream.fileno())
    except (OSError, ValueError):  # a stream without a file behind it
        return
