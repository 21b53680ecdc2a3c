"""Command lines of odd options and odd files: each ends in words, and changes nothing it refuses.

A line may end with 0, or with 2 and a sentence; never in a traceback, never after more than 20 s
of the processor, and without scraps beside the study. A study is the same after a line that was
refused, or that only reads, as before it. A sample of the lines is run again as programs of
their own. For systems with pipes and devices among their files.
"""

from __future__ import annotations

import io
import os
import random
import resource
import shlex
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, redirect_stderr, redirect_stdout
from pathlib import Path
from unittest import mock

from benchmarks.attacks.apart import Apart
from benchmarks.attacks.sample import sample_study
from doe.__main__ import main
from doe.brief import Brief
from doe.brief_toml import template_toml
from doe.factors import Factor, Region
from doe.practice import open_practice
from doe.responses import Response
from doe.sheets import write_sheet
from doe.store import open_study

__all__ = ["COUNT", "ENDS", "folder_of_files", "lines", "problem", "run"]

COUNT = 400
ENDS = (0, 2)
PATIENCE = 20.0
"""Seconds of the processor for one line."""

MEMORY = 4 * 2**30
"""Bytes for one line."""

_WAITING = 120.0
_ALONE = 20
"""One line of so many is run again as a program of its own."""

STAGES = ("briefed", "planned", "half", "performed", "surface", "extreme", "names", "wide")
BROKEN = ("cut.study", "empty.study", "text.study", "other.study", "folder.study", "none.study",
          "pipe", "zero", "link", "x" * 300 + ".study", "", "brief.toml", "ünï códe ≤.study",
          "folder.study/inner.study", "brief.toml/inner.study", "\udcff.study", "-", "--")
SHEETS = ("sheet.csv", "sheet.xlsx", "sheet.html", "other.csv", "torn.xlsx", "huge.csv",
          "image.csv")
OUTS = ("new.csv", "new.xlsx", "new.html", "new.HTM", "new.pdf", "new", "sheet.csv", "brief.toml",
        "performed.study", "folder.study", "nowhere/new.csv", "pipe", "link", "", ".", "..csv",
        "x" * 300 + ".html", "x" * 250 + ".html", "/proc/new.html", "ünï ≤ 日本.csv", "\udcff.html")

WHOLE = ("0", "-1", "1", "2", "3", "5", "8", "12", "16", "17", "40", "2001", "1e3", "1.5", "nan",
         "inf", "", "abc", "999999999", "9" * 24, "9" * 5000, "-2147483649", "١٢", " 8 ", "0x10")
SEEDS = ("0", "1", "11", "-1", "2147483648", "9" * 30, "x")
NUMBER = ("0", "-1", "0.1", "0.5", "1", "2", "1e308", "-1e308", "1e-308", "1e400", "nan", "inf",
          "-inf", "", "x", "1,5", "5e-324")
ODD = ("", " ", "x", "日本", "\udcff", "a" * 5000, "'; DROP TABLE brief; --", "%s%n", "$(id)",
       "`id`", "../../etc", "\x1b[31mred", "\u202eabc", "a\nb", "None", "<b>", "=1+1", "{0}", "🧪")
FAMILIES = ("full factorial", "fractional factorial", "Plackett–Burman", "definitive screening",
            "mixed levels", "central composite", "small composite", "Box–Behnken", "doehlert",
            "split-plot", "random blocks", "optimal", "BOX-BEHNKEN", *ODD)
MODELS = ("linear", "interactions", "quadratic", "cubic", *ODD)
TERMS = ("mean", "linear", "quadratic", "time", "time +", "a:b", "(revolution + time)**2",
         "I(time**2)", "I(time**99)", "time ** time", "time" + " + time" * 500, "-1", "0", "1",
         "np.log(time)", "__import__('os')", "(" * 300, "pressure:time:revolution", "C(time)", *ODD)
NAMES = ("voids", "coarsest_lump", "settling", "residual", "Q", "time", *ODD)

READ_ONLY = ("status", "advise", "analyse", "choose", "report", "sheet")
SLOW = ("report", "choose", "advise", "augment", "demo")
"""Commands that take seconds on some study; the rest make up the quick lines."""

OPTIONS: Mapping[str, Mapping[str, Sequence[str]]] = {
    "demo": {"--folder": ("brief.toml", "brief.toml/d", "x" * 300, "mine", "/proc/d", "pipe"),
             "--seed": SEEDS},
    "new": {"--brief": ("brief.toml", "bad.toml", "wide.toml", "utf16.toml", *BROKEN),
            "--template": ()},
    "plan": {"--family": FAMILIES, "--runs": WHOLE, "--axial": (
        "rotatable", "face-centred", "inscribed", "spherical", "orthogonal", "orthogonal blocks",
        *ODD), "--centre-points": (*WHOLE, "100000"), "--replicates": (*WHOLE, "100000"),
        "--blocks": WHOLE, "--groups": WHOLE, "--ratio": NUMBER,
        "--criterion": ("D", "I", "A", *ODD),
        "--model": MODELS, "--starts": ("1", "2", "0", "-1", "999999999", "x"),
        "--order": ("random", "grouped", "trend-robust", "fewest changes", *ODD),
        "--seed": SEEDS, "--author": ODD, "--reason": ODD, "--look": ()},
    "advise": {"--aim": ("screen", "model", "optimise", *ODD), "--runs": WHOLE, "--effect": NUMBER},
    "augment": {"--runs": WHOLE, "--model": ("linear", "interactions", *ODD), "--axial": (
        "rotatable", "face-centred", *ODD), "--separate": ("revolution:time", "time:time", *TERMS),
        "--seed": SEEDS, "--author": ODD, "--reason": ODD, "--look": ()},
    "sheet": {"--out": OUTS, "--overwrite": ()},
    "import": {"--correct": (), "--reason": ODD, "--author": ODD, "--decimal": (".", ",", *ODD)},
    "status": {}, "analyse": {"--response": NAMES, "--terms": TERMS},
    "choose": {}, "report": {"--out": OUTS, "--overwrite": ()},
    "export": {"--out": OUTS},
}
OFTEN = {"sheet": {"--out": 0.9}, "report": {"--out": 0.8}, "new": {"--brief": 0.9},
         "demo": {"--folder": 1.0}}
"""How likely an option is given, where that is not a third of the time."""


def lines(seed: int, count: int, *, quick: bool = False) -> list[list[str]]:
    """Command lines drawn from the grammar: the same seed, the same lines.

    `quick` leaves out the commands and options that may work for seconds.
    """
    rng = random.Random(seed)
    commands = [c for c in OPTIONS if not (quick and c in SLOW)]
    return [_line(rng, commands, quick) for _ in range(count)]


def _line(rng: random.Random, commands: Sequence[str], quick: bool) -> list[str]:
    command = rng.choice(commands)
    words = [command]
    if command == "import":
        words += [_study(rng), rng.choice((*SHEETS, *BROKEN))]
    elif command == "export":
        words.append(rng.choice(("book.ipynb", "brief.toml", *BROKEN)))
    elif command == "new":
        words.append(rng.choice(("new.study", "performed.study", *BROKEN)))
    elif command != "demo":
        words.append(_study(rng))
    for option, values in OPTIONS[command].items():
        if rng.random() < OFTEN.get(command, {}).get(option, 0.3 if command != "plan" else 0.2):
            if quick and option == "--family":
                values = [v for v in values if v not in ("optimal", "split-plot", "random blocks",
                                                         "mixed levels")]
            words += [option, rng.choice(values)] if values else [option]
    mishap = rng.random()
    if mishap < 0.03:
        words[0] = rng.choice(("", "stauts", "PLAN", "--help", "--version", "\udcff"))
    elif mishap < 0.06:
        words.append(rng.choice(("--nothing", "extra", "-o", "--seed", "--look", "")))
    elif mishap < 0.08:
        del words[-1]
    return words


def _study(rng: random.Random) -> str:
    return (f"{rng.choice(STAGES)}.study" if rng.random() < 0.8 else rng.choice(BROKEN))


@contextmanager
def folder_of_files() -> Iterator[Path]:
    """A folder with studies at every stage, and with what only looks like one."""
    home = Path(tempfile.mkdtemp(prefix="lines-"))
    try:
        _fill(home)
        yield home
    finally:
        shutil.rmtree(home)


def _fill(home: Path) -> None:
    for stage, name in (("briefed", "briefed"), ("planned", "planned"), ("run", "performed"),
                        ("surface", "surface")):
        open_practice(home / f"{name}.study", stage).close()
    sample_study(home / "half.study")
    template = Brief.from_toml(template_toml())
    far_off = {"voids": (1e-300, 50.0), "coarsest_lump": (1e300, 1e-300, 3.0)}
    _performed(home / "extreme.study", template,
               lambda i, name: far_off.get(name, (0.0,))[i % len(far_off.get(name, (0.0,)))])
    factors = (Factor("C", 0, 1), Factor("I", 0, 1), Factor("residual", 1, 2), Factor("µ", 0, 1),
               Factor.categorical("Q", ("residual", "error")))
    held = {"revolution": 1000.0, "rotation_ratio": 0.4, "time": 60.0}
    _performed(home / "names.study", template.replace(
        region=Region(factors), held=held, responses=(Response("E"), Response("intercept"))),
        lambda i, name: float(i * i % 7))
    wide = template.replace(held=held, region=Region(tuple(
        Factor(f"x{i}", 0, 1) for i in range(24))))
    open_study(home / "wide.study", create=wide).close()
    (home / "wide.toml").write_text(wide.to_toml(), "utf-8")
    (home / "brief.toml").write_text(template_toml(), "utf-8")
    (home / "utf16.toml").write_text(template_toml(), "utf-16")
    (home / "bad.toml").write_text("steps = [[1]]\n" + template_toml(), "utf-8")
    whole = (home / "performed.study").read_bytes()
    (home / "cut.study").write_bytes(whole[: len(whole) // 2])
    (home / "empty.study").write_bytes(b"")
    (home / "text.study").write_text("no study\n" * 200)
    (home / "folder.study").mkdir()
    (home / "mine").mkdir()
    shutil.copy(home / "half.study", home / "mine" / "first_screening.study")
    os.mkfifo(home / "pipe")
    (home / "link").symlink_to("nowhere")
    (home / "zero").symlink_to("/dev/zero")
    _other_files(home)


def _other_files(home: Path) -> None:
    import sqlite3

    db = sqlite3.connect(home / "other.study")
    db.execute("CREATE TABLE brief (version)")
    db.close()
    with open_study(home / "planned.study", read_only=True) as file:
        for kind in ("csv", "xlsx", "html"):
            write_sheet(file.read(), home / f"sheet.{kind}")
    (home / "other.csv").write_text("run,voids\n1,0.4\n")
    (home / "image.csv").write_bytes(bytes(range(256)) * 40)
    (home / "torn.xlsx").write_bytes((home / "sheet.xlsx").read_bytes()[:3000])
    (home / "huge.csv").write_text("a,b\n" + "1,2\n" * 200_000)
    (home / "book.ipynb").write_text('{"cells": [], "metadata": {}, "nbformat": 4, '
                                     '"nbformat_minor": 5}')


def _performed(path: Path, brief: Brief, reading) -> None:
    """A study with every run of a small plan recorded."""
    from doe.planning import make_plan

    with open_study(path, create=brief) as file:
        plan = make_plan(brief.region, "fractional factorial", runs=8, centre_points=2, seed=1,
                         mixer=brief.mixer)
        file.set_plan(plan)
        for i in range(len(plan)):
            file.record(i + 1, {r.name: reading(i, r.name) for r in brief.responses})


def answer(home: str, words: Sequence[str]) -> tuple[int, str, str, float]:
    """How a line ended, what it said on the two streams, and its seconds of the processor."""
    streams = [io.TextIOWrapper(io.BytesIO(), encoding="utf-8", newline="") for _ in range(2)]
    before, started, code = os.getcwd(), time.process_time(), 0
    os.chdir(home)
    try:
        with (mock.patch.object(sys, "argv", ["cupstudy", *words]), redirect_stdout(streams[0]),
              redirect_stderr(streams[1])):
            main()
    except SystemExit as ended:
        code = 0 if ended.code is None else ended.code
    finally:
        os.chdir(before)
    for stream in streams:
        stream.flush()
    said = [s.buffer.getvalue().decode("utf-8", "replace") for s in streams]
    return code, said[0], said[1], time.process_time() - started


def _within_limits(home: str, words: Sequence[str]) -> tuple[int, str, str, float]:
    """`answer`, where a line that eats all memory takes none from others."""
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
    return answer(home, words)


def problem(home: Path, words: Sequence[str], ask=answer) -> str:
    """What is wrong with how a line ends; empty if nothing is."""
    with _copied(home) as place:
        before = _state(place)
        given = ask(str(place), list(words))
        if isinstance(given, str):
            return given
        code, out, err, seconds = given
        after = _state(place)
    if code not in ENDS:
        return f"it ended with {code}: {err.strip()[-300:]}"
    if "Traceback" in out + err:
        return err.strip()[-600:]
    if seconds > PATIENCE:
        return f"it took {seconds:.0f} s of the processor"
    if "not enough memory" in err:
        return "it took all memory"
    if code and not err.strip():
        return "it was refused without a word"
    scraps = [name for name in after if name not in words
              and (name.startswith(".") or name.endswith(("-wal", "-shm")))]
    if scraps:
        return f"it left {', '.join(scraps)} behind"
    if code or "--look" in words or (words and words[0] in READ_ONLY):
        changed = [name for name in before if name.endswith(".study")
                   and before[name] != after.get(name)]
        if changed:
            return f"it was {'refused' if code else 'to read'}, yet changed {', '.join(changed)}"
    return ""


@contextmanager
def _copied(home: Path) -> Iterator[Path]:
    place = Path(tempfile.mkdtemp(prefix="line-"))
    try:
        for path in home.iterdir():
            if path.is_symlink():
                (place / path.name).symlink_to(os.readlink(path))
            elif path.is_fifo():
                os.mkfifo(place / path.name)
            elif path.is_dir():
                shutil.copytree(path, place / path.name)
            else:
                shutil.copy(path, place / path.name)
        yield place
    finally:
        shutil.rmtree(place)


def _state(place: Path) -> dict[str, bytes]:
    return {str(p.relative_to(place)): p.read_bytes() if p.is_file() else b""
            for p in place.rglob("*")}


def _alone(place: str, words: list[str]) -> tuple[int, str, str, float] | str:
    """The same as `answer`, by a program of its own."""
    try:
        done = subprocess.run([sys.executable, "-m", "doe", *words], cwd=place, check=False,
                              capture_output=True, timeout=_WAITING)
    except subprocess.TimeoutExpired:
        return f"it did not end within {_WAITING:.0f} s"
    except (OSError, ValueError):  # a line that the system itself does not start
        return 2, "", "not started", 0.0
    return (done.returncode, done.stdout.decode("utf-8", "replace"),
            done.stderr.decode("utf-8", "replace"), 0.0)


def run(seed: int, count: int) -> list[str]:
    """Failures of so many lines, one text each."""
    failures = []
    with folder_of_files() as home, Apart(_within_limits, _WAITING) as apart:
        def ask(place: str, words: list[str]):
            given = apart(place, words)
            return given.value if given.kind == "value" else str(given)

        for number, words in enumerate(lines(seed, count)):
            found = problem(home, words, ask)
            if not found and number % _ALONE == 0:
                found = problem(home, words, _alone)
            if found:
                shown = " ".join(w if len(w) < 60 else w[:20] + "..." for w in map(
                    shlex.quote, words))
                failures.append(f"{shown}: {found}")
    return failures
