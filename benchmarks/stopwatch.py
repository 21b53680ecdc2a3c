"""The one clock of the benchmarks."""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np

__all__ = ["seconds"]


def seconds(call: Callable, repeats: int) -> float:
    """Median processor time of one call, after one that is not counted."""
    call()
    times = []
    for _ in range(repeats):
        start = time.process_time()
        call()
        times.append(time.process_time() - start)
    return float(np.median(times))
