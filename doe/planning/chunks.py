"""Work in chunks that joblib may spread over processes or machines, with one result.

What is to be done is cut into chunks, and every chunk given its own random numbers, before
anything is known of who does the work. A chunk's result depends on nothing but the chunk, and
results come back in the order of the chunks: one process, four, or a cluster give the same.
(Machines whose linear algebra rounds differently in the last digit can settle a tie differently;
those of one kind, with the same number of threads, do not.)
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Iterable, Iterator
from typing import Any

import numpy as np

from doe.errors import InputError
from doe.planning.structure import as_count

__all__ = ["Here", "each", "never", "rounds", "seeded_chunks"]

_FRESH = 1 / 3
_GENERATIONS = 12


def each(work: Callable[..., Any], chunks: Iterable[tuple], n_jobs: int | None = None,
         ) -> Iterator[Any]:
    """``work(*chunk)`` of each chunk, in their order.

    Parameters
    ----------
    work : callable
        A function of a module, so that other processes find it.
    chunks : iterable of tuple
        Its arguments.
    n_jobs : int, optional
        Processes, as joblib counts them: −1 is one for each processor. If left out, what
        ``joblib.parallel_config`` says, else this process alone.

    Raises
    ------
    InputError
        If `n_jobs` is no such number.
    """
    if n_jobs is not None and (isinstance(n_jobs, bool) or not isinstance(n_jobs, (int, np.integer))
                               or n_jobs == 0):
        raise InputError("n_jobs", n_jobs, "this is no number of processes",
                         "Give 1, 2, 3, ..., or −1 for one process for each processor")
    from joblib import Parallel, delayed  # slow to import; most plans are made without it
    from joblib.parallel import get_active_backend

    chunks = list(chunks)
    backend, usual = get_active_backend()
    if (n_jobs or usual or backend.default_n_jobs) == 1:
        return (work(*chunk) for chunk in chunks)
    return _to_the_end(Parallel(n_jobs=n_jobs, return_as="generator")(
        delayed(work)(*chunk) for chunk in chunks))


def _to_the_end(results: Iterator[Any]) -> Iterator[Any]:
    """The results, of which the caller may want no more at any point."""
    try:
        for result in results:  # noqa: UP028  ("yield from" would close them first, and warn)
            yield result
    finally:
        with warnings.catch_warnings():  # that work underway was given up is as it should be
            warnings.simplefilter("ignore", UserWarning)
            results.close()


def seeded_chunks(total: int, size: int, seed: int) -> list[tuple[int, np.random.SeedSequence]]:
    """`total` draws in chunks of `size`, the last perhaps smaller, each with a seed of its own.

    The seeds are spawned from one (``numpy.random.SeedSequence``), so they differ, and those of
    the first chunks stay the same when more draws are asked for.
    """
    total = as_count("draws", total, at_least=1)
    counts = [min(size, total - at) for at in range(0, total, size)]
    return list(zip(counts, np.random.SeedSequence(seed).spawn(len(counts)), strict=True))


def rounds(starts: int, batch: int) -> list[tuple[bool, list[int]]]:
    """The rounds of a search from many starts: whether from scratch, and the sizes of batches.

    The batches of a round may be improved at the same time. The first round, a third of the
    starts, is drawn from scratch; each later one starts from the best that were found before it,
    which are looked up anew at least twelve times if there are as many batches.
    """
    sizes = [min(batch, starts - at) for at in range(0, starts, batch)]
    first = next((i for i in range(len(sizes)) if i * batch >= _FRESH * starts), len(sizes))
    later = sizes[first:]
    width = -(-len(later) // _GENERATIONS) or 1
    return [(True, sizes[:first])] + [(False, later[at:at + width])
                                      for at in range(0, len(later), width)]


def never() -> bool:
    """The answer to whether to stop, where nobody asks."""
    return False


class Here:
    """A question that can be asked in this process alone; elsewhere the answer is no."""

    def __init__(self, stop: Callable[[], bool]) -> None:
        self.stop = stop

    def __call__(self) -> bool:
        return self.stop()

    def __reduce__(self) -> tuple:
        return Here, (never,)
