"""One byte of a study file changed: the same values as before, or one clear refusal."""

from __future__ import annotations

import random
import tempfile
from pathlib import Path

from benchmarks.attacks.apart import Apart
from benchmarks.attacks.sample import all_it_says, sample_study

__all__ = ["COUNT", "run"]

COUNT = 1500


def run(seed: int, count: int) -> list[str]:
    """One line a byte whose change gave another value, a traceback, a hang or a crash."""
    rng = random.Random(seed)
    failures = []
    with tempfile.TemporaryDirectory() as folder, Apart(all_it_says) as look:
        whole = sample_study(Path(folder) / "whole.study").read_bytes()
        path = Path(folder) / "hurt.study"
        path.write_bytes(whole)
        right = all_it_says(path)
        for case in range(count):
            place, value = rng.randrange(len(whole)), rng.randrange(1, 256)
            hurt = bytearray(whole)
            hurt[place] ^= value
            path.write_bytes(hurt)
            answer = look(path, case % 2 == 0)
            what = f"byte {place} of {len(whole)} changed by {value:#04x}"
            if answer.kind == "value" and answer.value != right:
                failures.append(f"{what}: another value, silently")
            elif answer.kind not in ("value", "refused"):
                failures.append(f"{what}: {answer}")
            elif answer.kind == "refused" and not answer.value.startswith("StudyFileError"):
                failures.append(f"{what}: does not name the file: {answer.value}")
    return failures
