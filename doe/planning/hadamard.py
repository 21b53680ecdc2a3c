"""Square matrices with orthogonal columns: Hadamard (±1) and conference (0 on the diagonal).

Both come from the quadratic character of a finite field (Paley 1933): which differences of
elements are squares.

References
----------
Paley, R. E. A. C. (1933). On orthogonal matrices. *Journal of Mathematics and Physics* 12,
311–320.
Plackett, R. L. & Burman, J. P. (1946). The design of optimum multifactorial experiments.
*Biometrika* 33, 305–325.
Stanton, R. G. & Sprott, D. A. (1958). A family of difference sets. *Canadian Journal of
Mathematics* 10, 73–77.
Belevitch, V. (1950). Theory of 2n-terminal networks with applications to conference telephony.
*Electrical Communication* 27, 231–244.
Xiao, L., Lin, D. K. J. & Bai, F. (2012). Constructing definitive screening designs using
conference matrices. *Journal of Quality Technology* 44, 2–8.
"""

from __future__ import annotations

from functools import lru_cache
from itertools import product

import numpy as np

__all__ = ["DOUBLED", "GREATEST_CONFERENCE", "balanced_columns", "conference_matrix",
           "has_conference"]

GREATEST_CONFERENCE = 30
"""Largest order of `conference_matrix`."""

DOUBLED = (16, 40)
"""Sizes that `balanced_columns` doubles from half the runs."""


@lru_cache(maxsize=16)
def balanced_columns(runs: int) -> np.ndarray:
    """`runs` − 1 columns of ±1, balanced and orthogonal to each other; (runs, runs − 1).

    Parameters
    ----------
    runs : {4, 8, 12, ..., 48}
        Where runs − 1 is a power of a prime, the first row is −1 or +1 as elements of the field
        are non-squares or squares (0 counting as one), the next ones its shifts, the last all
        −1: for 8, 12, 20, 24, 32, 44 and 48 runs cyclic, for 28 in blocks. 36: cyclic, from the
        twin primes 5 and 7. 16 and 40: doubled; in the first half of the columns every run of
        the half-sized plan meets its mirror image.
    """
    if runs in DOUBLED:
        half = np.hstack([balanced_columns(runs // 2), np.ones((runs // 2, 1))])
        return _kept(np.kron([[1, 1], [-1, 1]], half)[:, :-1])
    core = _twin_primes() if runs == 36 else jacobsthal(runs - 1) + np.eye(runs - 1)
    return _kept(np.vstack([core, -np.ones(runs - 1)]))


def _twin_primes() -> np.ndarray:
    five, seven = jacobsthal(5)[0], jacobsthal(7)[0]
    x = np.arange(35)
    a, b = five[x % 5], seven[x % 7]
    row = np.where(b == 0, -1.0, np.where(a == 0, 1.0, a * b))
    return np.array([np.roll(row, s) for s in range(35)])


def has_conference(order: int) -> bool:
    """True if `conference_matrix` makes that order: 4 to 30, even, but not 22.

    Of order 22 there is none: where the order is 2 modulo 4, order − 1 must be a sum of two
    squares (Belevitch 1950), and 21 is not.
    """
    return 4 <= order <= GREATEST_CONFERENCE and order % 2 == 0 and order != 22


@lru_cache(maxsize=32)
def conference_matrix(order: int) -> np.ndarray:
    """C with 0 on the diagonal, ±1 elsewhere and C'C = (order − 1) I; (order, order).

    Symmetric where the order is 2 modulo 4, skew where it is divisible by 4. Order 16, of which
    15 is no power of a prime, is doubled from order 8: with S the skew matrix of half the order,
    [[S, S + I], [S − I, −S]].

    Raises
    ------
    ValueError
        If `has_conference` is false.
    """
    if not has_conference(order):
        raise ValueError(f"no conference matrix of order {order}")
    if order == 16:
        S, one = conference_matrix(8), np.eye(8)
        return _kept(np.block([[S, S + one], [S - one, -S]]))
    C = np.ones((order, order))
    C[0, 0] = 0
    C[1:, 1:] = jacobsthal(order - 1)
    if order % 4 == 0:
        C[1:, 0] = -1
    return _kept(C)


def jacobsthal(q: int) -> np.ndarray:
    """chi(b − a) for all elements a, b of the field of q: +1 for squares, −1 for others; (q, q).

    Parameters
    ----------
    q : int
        A power of an odd prime, at most a cube; elements are polynomials over the integers
        modulo the prime, numbered by their coefficients as digits.
    """
    p = next(d for d in range(2, q + 1) if q % d == 0)
    m = next(m for m in range(1, 4) if p**m >= q)
    if p == 2 or p**m != q:
        raise ValueError(f"{q} is no power of an odd prime up to its cube")
    place = p ** np.arange(m)
    digits = np.arange(q)[:, None] // place % p
    chi = -np.ones(q)
    chi[[_square(x, p, m) @ place for x in digits]] = 1
    chi[0] = 0
    return chi[(digits[None] - digits[:, None]) % p @ place]


def _square(x: np.ndarray, p: int, m: int) -> np.ndarray:
    """The square of a field element, lowest coefficient first."""
    out = np.convolve(x, x)
    tail = _irreducible(p, m)
    for top in range(len(out) - 1, m - 1, -1):
        # t^m = −tail, so a coefficient of t^top moves down m places.
        out[top - m:top] -= out[top] * tail
    return out[:m] % p


@lru_cache(maxsize=16)
def _irreducible(p: int, m: int) -> np.ndarray:
    """Coefficients below t^m of a monic polynomial without roots; of degree 2 or 3, irreducible."""
    t = np.arange(p)
    for tail in product(range(p), repeat=m):
        if m == 1 or ((sum(c * t**i for i, c in enumerate(tail)) + t**m) % p).all():
            return np.array(tail)
    raise AssertionError("there is an irreducible polynomial of every degree")


def _kept(matrix: np.ndarray) -> np.ndarray:
    matrix.setflags(write=False)
    return matrix
