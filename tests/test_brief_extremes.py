"""The runs that ask most of the mixer: found part by part, for any number of factors."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from study_cases import template_brief

from doe.brief_extremes import _asked, _grid_count, extremes
from doe.errors import InputError
from doe.factors import Factor, Region
from doe.programme import quantity_of

BRIEF = template_brief()
STEPS = ("wetting", "mixing", "degassing")
RANGES = {"revolution": (800.0, 1200.0, "rpm", 10.0), "rotation_ratio": (0.2, 0.5, "", None),
          "time": (60.0, 120.0, "s", 5.0), "pressure": (5.0, 50.0, "kPa", None)}


def quantities(brief, table):
    """What a run asks for, at each row of settings."""
    values = {**{n: np.full(len(table), float(v)) for n, v in brief.held.items()},
              **{n: table[n].to_numpy() for n in table}}
    combine = {"sum": lambda parts: np.sum(parts, axis=0), "product": lambda p: np.prod(p, axis=0)}
    return [combine[how]([values[n].astype(float) for n in names])
            for how, names in _asked(brief) if names]


@st.composite
def briefs(draw):
    """Up to eight factors in one to three steps, with limits over two or three of them."""
    steps = draw(st.lists(st.sampled_from(STEPS), min_size=1, max_size=2, unique=True))
    common = draw(st.sets(st.sampled_from([*RANGES]))) if len(steps) > 1 else set()
    names = [n for q in RANGES for n in ([q] if q in common else [f"{s}_{q}" for s in steps])]
    settable = draw(st.lists(st.sampled_from(names), min_size=1, max_size=7, unique=True))
    factors, held = [], {}
    for name in names:
        low, high, unit, step = RANGES[quantity_of(name)]
        if name in settable:
            factors.append(Factor(name, low, high, unit=unit, increment=step))
        else:
            held[name] = low
    if draw(st.booleans()):
        factors.append(Factor.categorical("blade", ("none", "one", "two")))
    limits = []
    for _ in range(draw(st.integers(0, 2))):
        over = draw(st.lists(st.sampled_from(settable), min_size=1, max_size=3, unique=True))
        share = draw(st.floats(0.3, 1.0))
        ends = [next((f.low, f.high) for f in factors if f.name == n) for n in over]
        bound = sum(low + share * (high - low) for low, high in ends)
        limits.append(" + ".join(over) + f" <= {bound!r}")
    return BRIEF.replace(region=Region(draw(st.permutations(factors)), limits), held=held)


@given(briefs())
@settings(max_examples=60)
def test_they_are_those_of_all_combinations(brief):
    """Against the enumeration of the whole grid, for up to eight factors."""
    grid = brief.region.grid(_grid_count(brief.region))
    found = extremes(brief)
    assert bool(found) == (not grid.empty)
    if not found:
        return
    *corners, longest = (pd.DataFrame([s]) for s in found)
    assert brief.region.contains(pd.DataFrame(found)).all()
    of_grid = quantities(brief, grid)
    of_corners = quantities(brief, pd.concat(corners))
    for whole, part in zip(of_grid, of_corners, strict=True):
        assert part.max() == pytest.approx(whole.max(), rel=1e-12)
        assert part.min() == pytest.approx(whole.min(), rel=1e-12)
    assert quantities(brief, longest)[0][0] >= of_grid[0].max() * (1 - 1e-12)


def wide(count: int, limits=(), of=None) -> Region:
    more = [of(f"x{i}") if of else Factor(f"x{i}", 0, 1) for i in range(count - 3)]
    return Region((Factor("revolution", 800, 1500, unit="rpm", increment=10),
                   Factor("rotation_ratio", 0.2, 0.5), Factor("time", 60, 240, unit="s"), *more),
                  tuple(limits))


@pytest.mark.parametrize("count", [12, 24, 30, 200])
@pytest.mark.parametrize("of", [None, lambda n: Factor.categorical(n, ("a", "b", "c")),
                                lambda n: Factor.settable(n, range(50))])
def test_any_number_of_factors(count, of):
    brief = BRIEF.replace(region=wide(count, of=of), held={"pressure": 20.0})
    assert brief.warnings == []
    with pytest.raises(InputError, match="rotation 825 rpm is outside the mixer's 0 to 800 rpm"):
        brief.replace(region=brief.region.replace([
            Factor("rotation_ratio", 0.2, 0.55) if f.name == "rotation_ratio" else f
            for f in brief.region.factors]))


def test_limits_that_join_all_factors():
    every = " + ".join(f"x{i}" for i in range(21))
    brief = BRIEF.replace(region=wide(24, [f"0.001 * revolution + 0.01 * time + {every} <= 9"]),
                          held={"pressure": 20.0})
    found = extremes(brief)
    assert brief.region.contains(pd.DataFrame(found)).all()
    assert max(s["revolution"] * s["rotation_ratio"] for s in found) == pytest.approx(750)
    assert max(s["time"] for s in found) == 240
    with pytest.raises(InputError, match="a run at these settings cannot be made"):
        brief.replace(mixer=type(brief.mixer)(**{**brief.mixer.__dict__, "greatest_time": 200.0}))


def test_the_time_of_many_steps_is_limited_by_their_sum():
    steps = [f"s{i}_time" for i in range(24)]
    mixer = type(BRIEF.mixer)(**{**BRIEF.mixer.__dict__, "steps_stored": 30,
                                 "greatest_time": 1800.0})
    factors = tuple(Factor(name, 20, 200, unit="s") for name in steps)
    fitting = Region(factors, (" + ".join(steps) + " <= 1800",))
    held = {"revolution": 1000, "rotation_ratio": 0.4}
    brief = BRIEF.replace(mixer=mixer, region=fitting, held=held)
    assert max(sum(s.values()) for s in extremes(brief)) == pytest.approx(1800)
    with pytest.raises(InputError, match="4800 s in all, but the mixer runs at most 1800 s"):
        brief.replace(region=Region(factors))
