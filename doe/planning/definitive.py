"""Definitive screening: main effects clear of every second-order effect, at three settings.

References
----------
Jones, B. & Nachtsheim, C. J. (2011). A class of three-level designs for definitive screening in
the presence of second-order effects. *Journal of Quality Technology* 43, 1–15.
Xiao, L., Lin, D. K. J. & Bai, F. (2012). Constructing definitive screening designs using
conference matrices. *Journal of Quality Technology* 44, 2–8.
Jones, B. & Nachtsheim, C. J. (2013). Definitive screening designs with added two-level
categorical factors. *Journal of Quality Technology* 45, 121–129.
Jones, B. & Nachtsheim, C. J. (2016). Blocking schemes for definitive screening designs.
*Technometrics* 58, 74–83.
Jones, B. & Nachtsheim, C. J. (2017). Effective design-based model selection for definitive
screening designs. *Technometrics* 59, 319–329.
"""

from __future__ import annotations

import numpy as np

from doe.errors import InputError
from doe.factors import Region
from doe.mixer import Mixer
from doe.planning.factorial import check_two_levels
from doe.planning.hadamard import GREATEST_CONFERENCE, conference_matrix, has_conference
from doe.planning.plan import Plan
from doe.planning.settle import block_columns, rank, settle
from doe.planning.structure import as_count, as_runs, assemble, has_middle, spread
from doe.terms import standard_terms
from doe.wording import count, digits, join

__all__ = ["definitive_screening"]

_STARTS = 24


def definitive_screening(region: Region, *, fake_factors: int = 0,
                         centre_points: int | None = None, replicates: int = 1, blocks: int = 1,
                         seed: int | None = None, mixer: Mixer | None = None,
                         group_hard_to_change: bool = False) -> Plan:
    """Mirrored pairs of runs with one factor at its centre in each, and centre points.

    With C a conference matrix of order m (0 on the diagonal, ±1 elsewhere, C'C = (m − 1) I) the
    runs are C, −C and the centre: 2m + 1 runs, m the number of factors or, where there is no
    such matrix, the next larger. Main effects are uncorrelated with each other and with all
    squares and two-factor interactions, which are partly aliased among themselves.

    Factors that have two settings only stand at one of them, and in the mirrored run at the
    other, where the matrix has its zero; so main effects stay clear of second-order effects, but
    those of such factors are slightly correlated with others (after Jones & Nachtsheim 2013).

    Parameters
    ----------
    region : Region
        3 to 30 factors, at least three of them with a setting between their ends; the others
        with two settings, categorical or not.
    fake_factors : int
        Columns beyond those of the factors (Jones & Nachtsheim 2017), rounded up to the next
        order there is: each gives two more runs and a degree of freedom for error that no
        second-order effect touches. A plan for an odd number of factors has one in any case.
    centre_points : int, optional
        In all, at least one; by default one a block, or two if factors have two settings only:
        centre points then are mirrored in these.
    replicates : int
        Of the mirrored pairs.
    blocks : int
        Pairs stay together, so main effects are orthogonal to blocks; with a centre point in
        each block all squares can be estimated (Jones & Nachtsheim 2016).
    seed, mixer, group_hard_to_change
        As in `doe.planning.factorial.full_factorial`.

    Raises
    ------
    InputError
        If a factor does not fit, or an option cannot be used.
    """
    k, two = len(region), _two_settings(region)
    replicates = as_runs("replicates", replicates, at_least=1)
    blocks = as_runs("blocks", blocks, at_least=1)
    order = _order(k, as_count("fake_factors", fake_factors))
    if blocks > order * replicates:
        raise InputError("blocks", blocks, f"there are {order * replicates} mirrored pairs of runs",
                         "Use fewer blocks")
    if centre_points is None:
        centre_points = blocks * (2 if two else 1)
    centre_points = as_runs("centre_points", centre_points)
    if not centre_points:
        raise InputError("centre_points", centre_points, "without them the mean and the squares "
                         "cannot be told apart", "Give at least 1")
    half = conference_matrix(order)[:, :k].copy()
    middle = np.zeros((centre_points, k))
    if two:
        half, middle = _two_setting_columns(half, middle, two, replicates)
    pairs = np.stack([half, -half], axis=1)
    coded = np.vstack([np.tile(pairs, (replicates, 1, 1)).reshape(-1, k), middle])
    pair_block = np.arange(order * replicates) * blocks // (order * replicates) + 1
    unit = 2 if two else 1
    shares = np.repeat(np.arange(1, blocks + 1), spread(-(-centre_points // unit), blocks))
    block = np.concatenate([np.repeat(pair_block, 2), np.repeat(shares, unit)[:centre_points]])
    point = ["edge" if (row == 0).any() else "factorial" for row in coded[:-centre_points]]
    details = {"title": f"Definitive screening, conference matrix of order {order}",
               "order": order, "fake_factors": order - k, "replicates": replicates,
               "centre_points": centre_points}
    ideal = region.decode(coded)
    actual = region.encode(settle(region, ideal, mixer).settings)
    remarks = _remarks(region, actual, block, two)
    remarks += _free(coded, block, np.delete(np.arange(k), two))
    if order > k + k % 2 and not has_conference(k + k % 2):
        remarks.append(f"There is no conference matrix of order {k + k % 2}: one of order {order} "
                       "stands for it, with columns left out.")
    return assemble(region, ideal, point=point + ["centre"] * centre_points,
                    block=block, terms=standard_terms(region, "linear"),
                    family="definitive screening", seed=seed, mixer=mixer,
                    group_hard_to_change=group_hard_to_change, details=details,
                    remarks=remarks, settled_remarks=True)


def _two_settings(region: Region) -> list[int]:
    check_two_levels(region)
    two = [j for j, f in enumerate(region.factors) if not has_middle(f)]
    if len(region) > GREATEST_CONFERENCE:
        raise InputError("factors", len(region), "a definitive screening plan here takes 3 to "
                         f"{GREATEST_CONFERENCE}", "Leave factors out, or use a Plackett–Burman "
                         "plan")
    if len(region) - len(two) < 3:
        raise InputError("factors", region.names, f"{len(region) - len(two) or 'none'} of them "
                         "can be set between the ends; a definitive screening plan takes at least "
                         "three such", "Use a mirrored Plackett–Burman plan, or a response-surface "
                         "plan for few factors")
    return two


def _order(k: int, fake_factors: int) -> int:
    order = next((m for m in range(max(4, k + fake_factors), GREATEST_CONFERENCE + 1)
                  if has_conference(m)), None)
    if order is None:
        raise InputError("fake_factors", fake_factors, f"there is no matrix for {k} factors and so "
                         "many more", f"Use at most {GREATEST_CONFERENCE - k}")
    return order


def _two_setting_columns(half: np.ndarray, middle: np.ndarray, two: list[int],
                         replicates: int) -> tuple[np.ndarray, np.ndarray]:
    """Signs in place of the zeros of factors with two settings, for the least correlation.

    One sign a factor for its pair of runs and one for each mirrored pair of centre points;
    sought by flips from seeded starts is the largest |X'X| of the main effects.
    """
    pairs = -(-len(middle) // 2)
    weight = np.full(pairs, 2.0)
    weight[-1] -= len(middle) % 2
    rng = np.random.default_rng(0)

    def filled(signs: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        A, E = half.copy(), np.zeros((pairs, half.shape[1]))
        A[two, two] = signs[0]
        E[:, two] = signs[1:]
        return A, E

    def size(signs: np.ndarray) -> float:
        A, E = filled(signs)
        return np.linalg.slogdet(2 * replicates * A.T @ A + E.T * weight @ E)[1]

    best = None
    for _ in range(_STARTS):
        signs = rng.choice([-1.0, 1.0], (1 + pairs, len(two)))
        now, moved = size(signs), True
        while moved:
            moved = False
            for cell in np.ndindex(*signs.shape):
                signs[cell] *= -1
                other = size(signs)
                if other > now + 1e-9:
                    now, moved = other, True
                else:
                    signs[cell] *= -1
        if best is None or now > best[0] + 1e-9:
            best = now, signs.copy()
    A, E = filled(best[1])
    return A, np.stack([E, -E], axis=1).reshape(-1, half.shape[1])[:len(middle)]


# ---- what it can tell, in words --------------------------------------------------------

def _remarks(region: Region, coded: np.ndarray, block: np.ndarray, two: list[int]) -> list[str]:
    k = len(region)
    squares, products = _second_order(coded, np.delete(np.arange(k), two))
    between = _greatest(coded, coded)
    shift = _greatest(coded, np.hstack([squares, products]))
    main = (f"correlated with each other by at most {digits(between, 2)}" if between else
            "uncorrelated with each other")
    if not shift:
        clear = ("and clear of" if not between else "but clear of") + (
            " all squares and two-factor interactions.")
    else:
        names = join(region.factors[j].label for j in two)
        clear = (f"and with squares and interactions by at most {digits(shift, 2)}: "
                 if between else
                 f"but correlated with squares and interactions by at most {digits(shift, 2)}: ")
        clear += ("an odd number of centre points leaves one without a mirror image in "
                  f"{names}." if two and len(coded) % 2 else
                  "settings and limits do not let every run have its exact mirror image.")
    out = [f"Main effects are {main} {clear}",
           "Second-order effects are partly aliased with each other: correlations reach "
           f"{digits(_greatest(squares, squares), 2)} between squares, "
           f"{digits(_greatest(squares, products), 2)} between squares and two-factor "
           f"interactions, {digits(_greatest(products, products), 2)} between interactions. "
           "Only the few largest of them can be told apart."]
    model = np.hstack([_means(block), coded, squares])
    if rank(model) < model.shape[1]:
        few = [f.label for j, f in enumerate(region.factors)
               if j not in two and len(np.unique(coded[:, j].round(9))) < 3]
        return [*out, "Not all squares can be estimated: "
                + (f"what can be set leaves {join(few)} fewer than three settings." if few else
                   "give at least one centre point a block.")]
    error = np.sqrt(np.diag(np.linalg.inv(model.T @ model)))[-k - squares.shape[1]:]
    return [*out, "With all squares in the model, a coefficient of a square has a standard error "
            f"of {digits(error[k:].max(), 2)} times the standard deviation of a run, one of a main "
            f"effect {digits(error[:k].max(), 2)} times."]


def _free(coded: np.ndarray, block: np.ndarray, three: np.ndarray) -> list[str]:
    """Degrees of freedom that no effect of first or second order takes, in words."""
    X = np.hstack([_means(block), coded, *_second_order(coded, three)])
    free = len(coded) - rank(X @ X.T)
    if not free:
        return ["No degree of freedom for error is untouched by squares and two-factor "
                "interactions; fake_factors=2 or more centre points would give some."]
    return [f"{count(free, 'degree of freedom', 'degrees of freedom')} for error "
            f"{'is' if free == 1 else 'are'} untouched by any square or two-factor interaction."]


def _means(block: np.ndarray) -> np.ndarray:
    return np.hstack([np.ones((len(block), 1)), block_columns(block)])


def _second_order(coded: np.ndarray, three: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Squares of the factors with three settings, and all products of two factors."""
    a, b = np.triu_indices(coded.shape[1], 1)
    return coded[:, three]**2, coded[:, a] * coded[:, b]


def _greatest(a: np.ndarray, b: np.ndarray) -> float:
    """Greatest absolute correlation between a column of `a` and another of `b`."""
    A, B = (c - c.mean(axis=0) for c in (a, b))
    norms = np.outer(np.linalg.norm(A, axis=0), np.linalg.norm(B, axis=0))
    r = np.abs(np.divide(A.T @ B, norms, where=norms > 1e-9, out=np.zeros_like(norms)))
    if a is b:
        np.fill_diagonal(r, 0)
    return float(np.round(r, 9).max())
