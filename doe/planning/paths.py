"""The order of settings that takes the least time to change from one to the next.

A shortest path through all runs, with the time to change from one setting to another as their
distance: serpentine orders, in which the factors that cost most change least, and greedy ones
are improved by turning stretches round and by moving them (Croes 1958; Or 1976).

References
----------
Croes, G. A. (1958). A method for solving traveling-salesman problems. *Operations Research* 6,
791–812.
Or, I. (1976). *Traveling Salesman-type Combinatorial Problems and Their Relation to the
Logistics of Regional Blood Banking*. Dissertation, Northwestern University.
"""

from __future__ import annotations

import numpy as np

__all__ = ["path_cost", "shortest_path"]

_LONGEST = 3


def shortest_path(codes: np.ndarray, cost: np.ndarray, rng: np.random.Generator, starts: int,
                  before: np.ndarray | None = None) -> np.ndarray:
    """An order of rows with little cost of changes, the best of several starts.

    Parameters
    ----------
    codes : ndarray of int, shape (n, k)
        Settings; equal numbers are equal settings.
    cost : ndarray, shape (k,)
        Of changing each factor.
    rng : numpy Generator
    starts : int
    before : ndarray of int, shape (k,), optional
        Settings of the run before the first.

    Returns
    -------
    ndarray of int, shape (n,)
    """
    n = len(codes)
    if n < 2:
        return np.arange(n)
    C = ((codes[:, None] != codes[None]) * cost).sum(axis=2)
    lead = np.zeros(n) if before is None else ((codes != before) * cost).sum(axis=1)
    best, least = None, np.inf
    for i in range(max(2, starts)):
        start = (_serpentine(codes, cost, rng) if i % 2 == 0 else _greedy(C, lead, rng))
        order = _improved(start, C, lead)
        total = path_cost(order, C, lead)
        if total < least - 1e-12:
            best, least = order, total
    return best


def path_cost(order: np.ndarray, C: np.ndarray, lead: np.ndarray) -> float:
    """Cost of the first setting and of all changes after it."""
    return float(lead[order[0]] + C[order[:-1], order[1:]].sum())


def _serpentine(codes: np.ndarray, cost: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Dearest factor slowest, every other stretch run backwards (a reflected Gray code)."""
    factors = np.lexsort([rng.random(len(cost)), -cost])
    labels = [rng.permutation(int(codes[:, j].max()) + 1)[codes[:, j]] for j in range(len(cost))]

    def walk(rows: np.ndarray, left: list[int]) -> list[int]:
        if not left or len(rows) < 2:
            return rows.tolist()
        out: list[int] = []
        for i, level in enumerate(np.unique(labels[left[0]][rows])):
            part = walk(rows[labels[left[0]][rows] == level], left[1:])
            out += part if i % 2 == 0 else part[::-1]
        return out

    return np.array(walk(rng.permutation(len(codes)), list(factors)), int)


def _greedy(C: np.ndarray, lead: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    n = len(C)
    noise = 1e-9 * rng.random((n, n))
    at = int((lead + 1e-9 * rng.random(n)).argmin())
    order, left = [at], np.ones(n, bool)
    left[at] = False
    while left.any():
        at = int(np.where(left, C[at] + noise[at], np.inf).argmin())
        order.append(at)
        left[at] = False
    return np.array(order, int)


def _improved(order: np.ndarray, C: np.ndarray, lead: np.ndarray) -> np.ndarray:
    while True:
        turned, gain = _turn(order, C, lead)
        if gain <= 1e-9:
            turned, gain = _move(order, C, lead)
        if gain <= 1e-9:
            return order
        order = turned


def _turn(order: np.ndarray, C: np.ndarray, lead: np.ndarray) -> tuple[np.ndarray, float]:
    """The stretch whose turning round saves most."""
    n = len(order)
    into = np.vstack([lead[order][None], C[order[:-1]][:, order]])   # (place before i, row)
    i, j = np.triu_indices(n, 1)
    after = np.minimum(j + 1, n - 1)
    leaves = j + 1 < n
    old = into[i, i] + np.where(leaves, C[order[j], order[after]], 0.0)
    new = into[i, j] + np.where(leaves, C[order[i], order[after]], 0.0)
    best = int((old - new).argmax())
    a, b = i[best], j[best]
    return (np.concatenate([order[:a], order[a:b + 1][::-1], order[b + 1:]]),
            float((old - new)[best]))


def _move(order: np.ndarray, C: np.ndarray, lead: np.ndarray) -> tuple[np.ndarray, float]:
    """The first stretch of a few runs that is better placed elsewhere, either way round."""
    now, n = path_cost(order, C, lead), len(order)
    for size in range(1, min(_LONGEST, n - 1) + 1):
        for i in range(n - size + 1):
            part, rest = order[i:i + size], np.delete(order, np.s_[i:i + size])
            base = path_cost(rest, C, lead)
            for piece in (part, part[::-1]):
                inner = C[piece[:-1], piece[1:]].sum()
                enter = np.concatenate([[lead[piece[0]]], C[rest, piece[0]]])
                leave = np.concatenate([C[piece[-1], rest], [0.0]])
                cut = np.concatenate([[lead[rest[0]]], C[rest[:-1], rest[1:]], [0.0]])
                total = base + inner + enter + leave - cut
                k = int(total.argmin())
                if total[k] < now - 1e-9:
                    return np.concatenate([rest[:k], piece, rest[k:]]), float(now - total[k])
    return order, 0.0
