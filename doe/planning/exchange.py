"""Exchange algorithms that advance many random starts together.

Two neighbourhoods, the same arithmetic. `exchange_rows` replaces a run by any of a list of
candidates, one run after the other (Cook & Nachtsheim 1980, after Fedorov 1972): the choice
where the list is short. `exchange_coordinates` replaces one coordinate of a run at a time
(Meyer & Nachtsheim 1995): its cost grows with the number of factors, not of candidates. All
starts of a batch take the same step at the same time as one array operation; those that a
whole pass leaves unchanged are done and drop out.

For an exchange of the row f by g, with the variance functions ``d(a, b) = a' M⁻¹ b`` and
``phi(a, b) = a' M⁻¹ W M⁻¹ b``,

- ``|M_new| / |M| = R = (1 + d(g, g)) (1 − d(f, f)) + d(f, g)²``,
- ``tr(W M⁻¹)`` falls by ``[(1 − d(f, f)) phi(g, g) + 2 d(f, g) phi(f, g)
  − (1 + d(g, g)) phi(f, f)] / R``.

References
----------
Cook, R. D. & Nachtsheim, C. J. (1980). A comparison of algorithms for constructing exact
D-optimal designs. *Technometrics* 22, 315–324.
Fedorov, V. V. (1972). *Theory of Optimal Experiments*. Academic Press.
Meyer, R. K. & Nachtsheim, C. J. (1995). The coordinate-exchange algorithm for constructing
exact optimal experimental designs. *Technometrics* 37, 60–69.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from doe.planning.candidates import Space, products
from doe.planning.criteria import after_swap, swap_kernel

__all__ = ["RIDGE", "exchange_coordinates", "exchange_rows", "ridge_for"]

RIDGE = 1e-6
"""Added to the diagonal while a random start may still be singular."""

_ENOUGH, _NOTHING = 1e-3, 1e-10
"""Least information of a candidate on a coefficient for which the ridge is small; and none."""

Levels = Callable[[np.ndarray, int], np.ndarray]


def _never() -> bool:
    return False


def ridge_for(rows: np.ndarray) -> float:
    """The ridge for plans of these candidate rows: small beside what they tell of any coefficient.

    In a narrow region, such as a band that all but fixes a sum, some coefficients have next to
    no information; the usual ridge would pass for more.
    """
    least = float(np.linalg.eigvalsh(rows.T @ rows / len(rows))[0])
    return RIDGE if least < _NOTHING else RIDGE * min(1.0, least / _ENOUGH)


def exchange_rows(candidates: np.ndarray, start: np.ndarray, fixed: np.ndarray, *,
                  tails: np.ndarray | None = None, block: Sequence[int] | None = None,
                  weights: np.ndarray | None = None, passes: int = 50,
                  least_gain: float = 1e-7, ridge: float = RIDGE,
                  stop: Callable[[], bool] = _never) -> np.ndarray:
    """Improve plans by replacing runs with candidates until no single exchange helps.

    Parameters
    ----------
    candidates : ndarray, shape (N, p)
        Model rows to choose from.
    start : ndarray of int, shape (s, n)
        Candidate of each run, for each of s starts.
    fixed : ndarray, shape (p + b, p + b)
        Information that is there anyway: runs that stay, prior.
    tails : ndarray, shape (blocks, b), optional
        Columns of the block effects, by block.
    block : sequence of int, length n, optional
        Row of `tails` for each run.
    weights : ndarray, shape (p + b, p + b), optional
        ``W`` of the criterion ``tr(W M⁻¹)``; D if left out.
    passes : int
        Greatest number of passes over the runs.
    least_gain : float
        Relative gain below which an exchange is not worth making.
    ridge : float
        As from `ridge_for`.
    stop : callable
        Asked after each pass; True ends the search with what there is.

    Returns
    -------
    ndarray of int, shape (s, n)
    """
    N = len(candidates)
    tails = np.empty((1, 0)) if tails is None else tails
    block = np.zeros(start.shape[1], int) if block is None else np.asarray(block, int)
    # A candidate in another block is another row; block g owns the slice [g N, (g + 1) N).
    every = np.hstack([np.tile(candidates, (len(tails), 1)), np.repeat(tails, N, axis=0)])
    chosen = start + block * N
    live = np.arange(len(start))
    for _ in range(passes):
        at = chosen[live]
        moved = _pass_over_rows(every, N, at, block, fixed, weights, least_gain, ridge)
        chosen[live] = at
        live = live[moved]
        if not len(live) or stop():
            break
    return chosen - block * N


def _pass_over_rows(every: np.ndarray, N: int, at: np.ndarray, block: np.ndarray,
                    fixed: np.ndarray, weights: np.ndarray | None,
                    least_gain: float, ridge: float) -> np.ndarray:
    """One pass over the runs; changes `at`, returns which starts changed."""
    columns = np.ascontiguousarray(every.T)
    X = every[at]
    inverse = np.linalg.inv(X.swapaxes(1, 2) @ X + fixed + ridge * np.eye(len(fixed)))
    variance = _forms(every, inverse)
    gradient = slope = None
    if weights is not None:
        gradient = inverse @ weights @ inverse
        slope = _forms(every, gradient)
    lines = np.arange(len(at))
    moved = np.zeros(len(at), bool)
    for r, g in enumerate(block):
        part = slice(g * N, (g + 1) * N)
        now = at[:, r]
        row = every[now]
        across = (row[:, None] @ inverse)[:, 0] @ columns[:, part]
        dropped = variance[lines, now]
        ratio = variance[:, part] * (1 - dropped)[:, None]
        ratio += (1 - dropped)[:, None]
        ratio += across**2
        if weights is None:
            best = ratio.argmax(axis=1)
            better = ratio[lines, best] > 1 + least_gain
        else:
            lost = slope[lines, now]
            gain = across * ((row[:, None] @ gradient)[:, 0] @ columns[:, part])
            gain *= 2
            gain += slope[:, part] * (1 - dropped)[:, None]
            gain -= (1 + variance[:, part]) * lost[:, None]
            gain = np.divide(gain, ratio, where=ratio > 1e-8, out=np.full_like(gain, -np.inf))
            best = gain.argmax(axis=1)
            trace = np.einsum("ij,sji->s", weights, inverse)
            better = gain[lines, best] > least_gain * trace
        hit = np.flatnonzero(better)
        if not len(hit):
            continue
        moved[hit] = True
        new = best[hit] + g * N
        U = np.stack([every[new], row[hit]], axis=1)
        V = U @ inverse[hit]
        K, _ = swap_kernel(variance[hit, new], dropped[hit], across[hit, best[hit]])
        KV = K @ V
        VF, KVF = _flat(V, columns), _flat(KV, columns)
        variance[hit] -= (VF * KVF).sum(axis=1)
        if weights is not None:
            Y = U @ gradient[hit]
            inner = K @ (Y @ U.swapaxes(1, 2)) @ KV
            slope[hit] += (VF * _flat(inner, columns)).sum(axis=1)
            slope[hit] -= 2 * (KVF * _flat(Y, columns)).sum(axis=1)
            cross = KV.swapaxes(1, 2) @ Y
            gradient[hit] += (V.swapaxes(1, 2) @ inner) - cross - cross.swapaxes(1, 2)
        inverse[hit] -= V.swapaxes(1, 2) @ KV
        at[hit, r] = new
    return moved


def _flat(batch: np.ndarray, columns: np.ndarray) -> np.ndarray:
    """``batch @ columns`` as one product instead of one a start, which is far faster."""
    s, m, p = batch.shape
    return (batch.reshape(s * m, p) @ columns).reshape(s, m, -1)


def _forms(rows: np.ndarray, matrices: np.ndarray) -> np.ndarray:
    """``f' B f`` for each matrix and row; (s, p, p) and (N, p) give (s, N)."""
    out = np.empty((len(matrices), len(rows)))
    for i, B in enumerate(matrices):
        np.einsum("np,np->n", rows @ B, rows, out=out[i])
    return out


def exchange_coordinates(space: Space, start: np.ndarray, fixed: np.ndarray, levels: Levels, *,
                         tails: np.ndarray | None = None, weights: np.ndarray | None = None,
                         passes: int = 50, least_gain: float = 1e-7, ridge: float = RIDGE,
                         stop: Callable[[], bool] = _never) -> np.ndarray:
    """Improve plans by changing one coordinate of one run at a time until none helps.

    Parameters
    ----------
    space : Space
    start : ndarray, shape (s, n, k)
        Points of s plans; all of them may be run.
    fixed : ndarray, shape (p + b, p + b)
        Information that is there anyway: runs that stay, prior.
    levels : callable
        Takes the points of one run in each plan (s, k) and a factor's number; returns the
        values to try, (s, levels) or (levels,). Those that may not be run are passed over.
    tails : ndarray, shape (n, b), optional
        Columns of the block effects, by run.
    weights, passes, least_gain, ridge, stop
        As in `exchange_rows`.

    Returns
    -------
    ndarray, shape (s, n, k)
    """
    points = start.copy()
    tails = np.empty((points.shape[1], 0)) if tails is None else tails
    live = np.arange(len(points))
    for _ in range(passes):
        at = points[live]
        moved = _pass_over_coordinates(space, at, fixed, levels, tails, weights, least_gain,
                                       ridge)
        points[live] = at
        live = live[moved]
        if not len(live) or stop():
            break
    return points


def _pass_over_coordinates(space: Space, at: np.ndarray, fixed: np.ndarray, levels: Levels,
                           tails: np.ndarray, weights: np.ndarray | None,
                           least_gain: float, ridge: float) -> np.ndarray:
    """One pass over runs and factors; changes `at`, returns which starts changed."""
    s, n, k = at.shape
    extra = tails.shape[1]
    X = np.concatenate([space.rows(at), np.broadcast_to(tails, (s, n, extra))], axis=2)
    inverse = np.linalg.inv(X.swapaxes(1, 2) @ X + fixed + ridge * np.eye(len(fixed)))
    gradient = None if weights is None else inverse @ weights @ inverse
    masks = [np.pad(a.mask, ((0, 0), (0, extra))) for a in space.along]
    for mask in masks:
        mask[0, mask.shape[1] - extra:] = 1.0
    lines = np.arange(s)
    moved = np.zeros(s, bool)
    for r in range(n):
        encoded = space.encode(at[:, r])
        tail = np.broadcast_to(tails[r], (s, extra))
        for j in range(k):
            along, here = space.along[j], at[:, r]
            values = np.broadcast_to(levels(here, j), (s, np.shape(levels(here, j))[-1]))
            others = np.concatenate([products(encoded, along.picks), tail], axis=1)
            H = others[:, None, :] * masks[j]
            HT = H.swapaxes(1, 2)
            V = H @ inverse
            Q = V @ HT
            now = along.basis(here[:, j])
            trial = along.basis(values)
            Qn = (Q @ now[:, :, None])[:, :, 0]
            dropped = (now * Qn).sum(axis=1)
            added = ((trial @ Q) * trial).sum(axis=2)
            across = (trial @ Qn[:, :, None])[:, :, 0]
            ratio = (1 + added) * (1 - dropped)[:, None] + across**2
            if weights is None:
                gain = ratio - 1
                least = least_gain
            else:
                P = H @ gradient @ HT
                Pn = (P @ now[:, :, None])[:, :, 0]
                gain = ((trial @ P) * trial).sum(axis=2) * (1 - dropped)[:, None]
                gain += 2 * across * (trial @ Pn[:, :, None])[:, :, 0]
                gain -= (1 + added) * (now * Pn).sum(axis=1)[:, None]
                gain = np.divide(gain, ratio, where=ratio > 1e-8, out=np.full_like(gain, -np.inf))
                least = least_gain * np.einsum("ij,sji->s", weights, inverse)
            if space.bounded:
                gain = np.where(_may(space, here, j, values, gain > np.max(least)), gain, -np.inf)
            best = gain.argmax(axis=1)
            hit = np.flatnonzero(gain[lines, best] > least)
            if not len(hit):
                continue
            moved[hit] = True
            old = (now[hit, None] @ H[hit])[:, 0]
            new = (trial[hit, best[hit]][:, None] @ H[hit])[:, 0]
            inverse[hit], changed, _ = after_swap(
                inverse[hit], new, old, None if gradient is None else gradient[hit])
            if gradient is not None:
                gradient[hit] = changed
            at[hit, r, j] = values[hit, best[hit]]
            encoded[hit] = space.encode(at[hit, r])
    return moved


def _may(space: Space, here: np.ndarray, j: int, values: np.ndarray,
         asked: np.ndarray) -> np.ndarray:
    """Which values of factor j may be run, looked up only where `asked`."""
    out = np.zeros(values.shape, bool)
    s, level = np.nonzero(asked)
    if len(s):
        trial = here[s]
        trial[:, j] = values[s, level]
        out[s, level] = space.feasible(trial)
    return out
