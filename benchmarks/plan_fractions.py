"""Search for the best two-level fraction, against pyDOE3's, in one run.

    python benchmarks/plan_fractions.py
"""

from __future__ import annotations

from time import perf_counter

from pyDOE3 import fracfact_opt

from doe.planning.regular import best_fraction


def seconds(function, *arguments) -> float:
    """Least time of three calls, caches emptied."""
    times = []
    for _ in range(3):
        best_fraction.cache_clear()
        start = perf_counter()
        function(*arguments)
        times.append(perf_counter() - start)
    return min(times)


def main() -> None:
    """Print one line a size: ratio to the peer where it finishes in seconds."""
    for k, p in ((5, 2), (6, 2), (7, 3), (8, 4)):
        ours, peer = seconds(best_fraction, k, k - p), seconds(fracfact_opt, k, p)
        print(f"2^({k}-{p}): {ours * 1e3:7.2f} ms, peer takes {peer / ours:7.0f} times as long")
    for k, p in ((9, 4), (10, 4), (11, 5), (11, 4)):
        print(f"2^({k}-{p}): {seconds(best_fraction, k, k - p) * 1e3:7.2f} ms, peer not tried")


if __name__ == "__main__":
    main()
