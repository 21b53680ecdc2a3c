"""The running panel killed at any moment: what it said is saved is in the file, whole.

Each case opens the study in a process of its own, enters runs through the panel as a click does,
and ends the process with SIGKILL: half of the cases at any time, half while an entry is written.
"""

from __future__ import annotations

import multiprocessing
import os
import random
import signal
import tempfile
import time
from multiprocessing.connection import Connection
from pathlib import Path

from benchmarks.attacks.sample import BRIEF, RESPONSES, plan_of
from doe.panels.running import RunningPanel
from doe.store import open_study

__all__ = ["COUNT", "run"]

COUNT = 1000
RUNS = 12
CASES_A_STUDY = 40
LONGEST = 0.8
"""From the panel's first picture to the kill, s; two or three entries."""
WRITTEN_WITHIN = 0.04
"""After the click the entry is on the disk within about so long, s."""
PATIENCE = 60


def enter(path: Path, seed: int, pipe: Connection) -> None:
    """Enter readings until killed; tell what is tried, and what the panel says is saved."""
    rng = random.Random(seed)
    with open_study(path) as file:
        panel = RunningPanel(file)
        tried: dict = {}

        def told(change: dict) -> None:
            text = change["new"]
            if tried and "Not done" not in text and ("saved" in text or "orrected" in text):
                pipe.send(("said", dict(tried)))
                tried.clear()

        panel.status.observe(told, "value")
        pipe.send(("ready", {}))
        while True:
            due = file.read().pending
            run = due[0] if due else rng.randrange(1, RUNS + 1)
            panel.run.value = run
            values = {name: round(rng.uniform(1, 90), 2) for name in RESPONSES}
            for name, value in values.items():
                panel.readings[name].value = str(value)
            panel.operator.value, panel.reason.value = "R. Ito", "" if due else "read again"
            tried.update({(run, name): value for name, value in values.items()})
            pipe.send(("tries", dict(tried)))
            for _ in range(2):  # a reading that is far off is asked about, and then confirmed
                if tried:
                    panel.record()
            if tried:
                pipe.send(("stuck", panel.status.value))
                return


def killed(path: Path, rng: random.Random, context) -> tuple[list[dict], dict, str]:
    """What was acknowledged, what was under way, and what went wrong otherwise."""
    ours, theirs = context.Pipe(duplex=False)
    process = context.Process(target=enter, args=(path, rng.randrange(2**32), theirs))
    process.start()
    theirs.close()
    said, under_way = [], {}
    if not ours.poll(PATIENCE) or ours.recv()[0] != "ready":
        process.kill()
        return said, under_way, "the panel did not open"
    in_writing = rng.random() < 0.5
    end = time.monotonic() + rng.uniform(0, LONGEST)
    problem = ""
    while True:
        left = end - time.monotonic()
        if left <= 0 or not ours.poll(left):
            break
        kind, what = ours.recv()
        if kind == "said":
            said.append(what)
            under_way = {}
        elif kind == "tries":
            under_way = what
            if in_writing and rng.random() < 0.5:
                end = time.monotonic() + rng.uniform(0, WRITTEN_WITHIN)
                in_writing = False
        else:
            problem = f"the panel refused: {what}"
    os.kill(process.pid, signal.SIGKILL)
    process.join()
    while ours.poll():
        try:
            kind, what = ours.recv()
        except EOFError:
            break
        if kind == "said":
            said.append(what)
            under_way = {}
        elif kind == "tries":
            under_way = what
    return said, under_way, problem


def what_stands(path: Path) -> tuple[dict, int]:
    """Readings that count by run and response, and how many were ever entered."""
    with open_study(path) as file:
        study = file.read()
        values = {(r.run, name): value for r in study.done for name, value in
                  r.measurements.items()}
        return values, len(file.history())


def run(seed: int, count: int) -> list[str]:
    """One line a kill after which an entry was lost, torn, or there without having been made."""
    rng = random.Random(seed)
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload([__name__])
    failures = []
    acknowledged = in_flight = kept = 0
    with tempfile.TemporaryDirectory() as folder:
        for case in range(count):
            if case % CASES_A_STUDY == 0:
                path = Path(folder) / f"{case}.study"
                with open_study(path, create=BRIEF) as file:
                    file.set_plan(plan_of(RUNS))
                stands, entered = {}, 0
            said, under_way, problem = killed(path, rng, context)
            expected, number = dict(stands), entered
            for entry in said:
                number += sum(expected.get(k) != v for k, v in entry.items())
                expected |= entry
            whole = expected | under_way
            also = number + sum(expected.get(k) != v for k, v in under_way.items())
            stands, entered = what_stands(path)
            acknowledged += len(said)
            in_flight += bool(under_way)
            kept += bool(under_way) and (stands, entered) == (whole, also)
            if problem:
                failures.append(f"kill {case}: {problem}")
            if (stands, entered) not in ((expected, number), (whole, also)):
                wrong = {k: (v, stands.get(k)) for k, v in expected.items() if stands.get(k) != v}
                failures.append(f"kill {case}: {len(said)} acknowledged; said and found: {wrong}")
    print(f"  {acknowledged} entries acknowledged; {in_flight} under way when killed, "
          f"{kept} of them in the file")
    return failures
