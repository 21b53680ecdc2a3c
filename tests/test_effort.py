"""Time, set-ups and material: added up by hand, over days and blocks."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doe.bench import Bench
from doe.errors import InputError
from doe.factors import Factor, Region
from doe.planning import Plan, full_factorial, split_plot
from doe.planning.effort import effort
from doe.planning.orders import reorder
from doe.practice import demo_brief
from doe.terms import standard_terms


def plan_of(rows, **columns):
    region = Region([Factor("pressure", 2, 50, unit="kPa", hard_to_change=True),
                     Factor("time", 60, 300, unit="s")])
    runs = pd.DataFrame(rows, columns=["pressure", "time"])
    n = np.arange(1, len(runs) + 1)
    runs = runs.assign(**{"run": n, "standard": n, "block": 1, "point": "factorial", **columns})
    return Plan(region, runs, standard_terms(region, "linear"), "by hand", 0)


ROWS = [(2, 60), (2, 300), (50, 60), (50, 300)]


def test_added_up_by_hand():
    told = effort(plan_of(ROWS), change_minutes={"pressure": 15, "time": 1}, handling_minutes=8,
                  cleaning_minutes=4)
    # Programme 1 + 5 + 1 + 5 min; handling 4 · 8; cleaning 4 · 4; pressure set twice, time four
    # times: 2 · 15 + 4 · 1.
    row = told.table.iloc[0]
    assert (row["programme"], row["handling"], row["cleaning"], row["set_up"]) == (12, 32, 16, 34)
    assert (row["runs"], row["changes"], told.days) == (4, 6, 1)
    assert told.minutes == row["total"] == 94
    assert np.isnan(told.material)
    assert told.sentence == ("4 runs take 1.6 h (set-ups 36 %, handling 34 %, cleaning 17 % and "
                             "mixing 13 %).")
    assert told.table.attrs["units"]["total"] == "min"


def test_a_new_day_is_set_up_anew():
    # 24, 13, 20 and 13 min; after 40 of 40 min the next day begins with both factors set.
    told = effort(plan_of(ROWS), change_minutes={"pressure": 10}, handling_minutes=8,
                  day_minutes=40)
    assert told.runs["day"].tolist() == [1, 1, 2, 2]
    assert told.runs["total"].tolist() == [19, 13, 19, 13]
    told = effort(plan_of(ROWS), change_minutes={"pressure": 10}, handling_minutes=8,
                  day_minutes=30)
    assert told.runs["day"].tolist() == [1, 2, 3, 4]
    assert told.runs["set_up"].tolist() == [10, 10, 10, 10]
    assert told.runs["set"].iloc[1] == "pressure and time"
    assert "on 4 days" in told.sentence


def test_the_brief_gives_programme_and_fill():
    brief = demo_brief()
    plan = full_factorial(brief.region, seed=1, mixer=brief.mixer)
    told = effort(plan, brief, change_minutes={}, spare=0.1)
    times = [brief.programme(row).time for row in plan.settings.to_dict("records")]
    assert told.table["programme"].sum() == pytest.approx(sum(times) / 60)
    assert told.material == pytest.approx(1.1 * len(plan) * brief.fill_mass)
    assert "No time was given for changing settings" in told.sentence


def test_the_brief_gives_the_times_at_the_bench():
    bench = Bench(handling=8, cleaning=4, day=60, spare=0.25, change={"pressure": 15, "time": 1})
    brief = demo_brief().replace(bench=bench)
    plan = plan_of(ROWS)
    told = effort(plan, brief)
    # As added up by hand above, but 60 min of a day hold two runs: 28 + 18, then 28 + 17 min;
    # the second day sets pressure and time anew.
    assert told.table["set_up"].tolist() == [17, 17]
    assert told.table["handling"].sum() == 32
    assert told.days == 2
    assert told.material == pytest.approx(4 * 1.25 * brief.fill_mass)
    # What is given goes before what the brief says.
    other = effort(plan, brief, handling_minutes=0, cleaning_minutes=0, day_minutes=400, spare=0,
                   change_minutes={})
    assert other.table[["handling", "set_up", "cleaning"]].to_numpy().sum() == 0
    assert (other.days, other.material) == (1, 4 * brief.fill_mass)
    assert bench.change_of(["time", "dose"]) == {"time": 1}


@pytest.mark.parametrize(("options", "match"), [
    ({"cleaning": -1}, "bench, cleaning = -1"), ({"day": 0}, "bench, day = 0"),
    ({"change": {"time": "long"}}, "bench, change of 'time' = 'long'"),
    ({"change": 3}, "bench, change = 3.*mapping of factors to minutes")])
def test_times_at_the_bench_that_cannot_be(options, match):
    with pytest.raises(InputError, match=match):
        Bench(**options)


def test_held_times_count_and_what_is_not_known_is_said():
    brief = demo_brief()
    region = Region([Factor("fill_mass", 20, 40, unit="g"), Factor("dose", 1, 2)])
    plan = full_factorial(region, seed=1)
    alone = effort(plan)
    assert alone.table["programme"].sum() == 0
    assert "neither a factor nor known from a brief" in alone.sentence
    assert alone.material == 4 * 30
    held = brief.replace(region=region, held={"revolution": 800, "rotation_ratio": 0.4,
                                              "wetting_time": 30, "degassing_time": 90,
                                              "degassing_pressure": 5})
    assert effort(plan, held).table["programme"].sum() == pytest.approx(4 * 2)
    # Speeds neither held nor varied do not hide the time.
    loose = brief.replace(region=region, held={"time": 120})
    assert effort(plan, loose).table["programme"].sum() == pytest.approx(4 * 2)


def test_grouping_and_order_save_set_ups():
    region = Region([Factor("pressure", 2, 50, unit="kPa", hard_to_change=True),
                     Factor("time", 60, 300, unit="s"), Factor("dose", 1, 2)])
    minutes = {"pressure": 20, "dose": 2}
    plan = full_factorial(region, replicates=2, seed=1)
    few = reorder(plan, "fewest changes", seed=1, change_minutes=minutes)
    grouped = split_plot(region, whole_plots=4, runs=16, model="interactions", seed=1, starts=5)
    spent = [effort(p, change_minutes=minutes).table["set_up"].sum()
             for p in (few, grouped, plan)]
    assert spent[0] < spent[1] < spent[2]
    assert spent[0] == 2 * 20 + 3 * 2  # once each way, dose set at first and once in each half
    blocks = effort(full_factorial(region, blocks=2, seed=1), change_minutes=minutes).table
    assert blocks["block"].tolist() == [1, 2]
    assert blocks["runs"].tolist() == [4, 4]


@settings(max_examples=30, deadline=None)
@given(st.lists(st.tuples(st.sampled_from([2, 20, 50]), st.integers(60, 300)), min_size=1,
                max_size=15), st.floats(0, 30), st.floats(0, 20), st.floats(60, 200))
def test_days_hold_and_parts_make_up_the_whole(rows, change, handling, day):
    told = effort(plan_of(rows), change_minutes={"pressure": change}, handling_minutes=handling,
                  day_minutes=day)
    assert told.table["runs"].sum() == len(rows)
    assert (told.table.groupby("day")["total"].sum() <= day + 1e-6).all()
    parts = told.table[["programme", "handling", "set_up", "cleaning"]].to_numpy().sum()
    assert told.minutes == pytest.approx(parts)
    assert told.runs["day"].is_monotonic_increasing
    assert told.days == told.runs["day"].nunique()


@pytest.mark.parametrize(("options", "match"), [
    ({"handling_minutes": -1}, "bench, handling"), ({"day_minutes": 3}, "longer than the day"),
    ({"change_minutes": {"zeal": 2}}, "no such factor")])
def test_one_clear_error(options, match):
    with pytest.raises(InputError, match=match):
        effort(plan_of(ROWS), **options)
