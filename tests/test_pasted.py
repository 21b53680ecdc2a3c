"""Runs planned elsewhere, read from tables as people paste them."""

import pandas as pd
import pytest

from doe.errors import InputError
from doe.factors import Factor, Region
from doe.planning import Plan, appraise, full_factorial, pasted
from doe.terms import standard_terms

REGION = Region([Factor("time", 60, 300, unit="s", label="mixing time"), Factor("ratio", 0.2, 0.8),
                 Factor.categorical("cup", ["tall", "wide"])])
RUNS = [(60, 0.2, "tall"), (300, 0.8, "wide"), (60, 0.8, "wide"), (300, 0.2, "tall"),
        (180, 0.5, "wide")]


def text(mark="\t", comma=False, heading=("time", "ratio", "cup")):
    rows = [mark.join(heading)]
    for time, ratio, cup in RUNS:
        number = str(ratio).replace(".", ",") if comma else str(ratio)
        rows.append(mark.join([str(time), number, cup]))
    return "\n".join(rows)


@pytest.mark.parametrize("given", [
    text(), text(comma=True), text(";", comma=True), text(","), text(";") + "\r\n\r\n",
    text(heading=("Mixing time (s)", "RATIO", "Cup")),
    text(heading=("MIXING  TIME", "ratio", "cup")),
    pd.DataFrame(RUNS, columns=["time", "ratio", "cup"]),
    pd.DataFrame([(str(t), str(r).replace(".", ","), c.upper()) for t, r, c in RUNS],
                 columns=["time", "ratio", "cup"])])
def test_the_same_runs_however_they_are_written(given):
    plan = pasted(given, REGION)
    assert list(plan.settings.itertuples(index=False, name=None)) == RUNS
    assert plan.family == "given"
    assert plan.runs["run"].tolist() == [1, 2, 3, 4, 5]
    assert "in the order given" in plan.sentence
    assert Plan.from_plain(plan.to_plain()) == plan


def test_an_own_plan_comes_back_whole():
    own = full_factorial(REGION, replicates=2, blocks=2, centre_points=2, seed=4)
    back = pasted(own.runs.to_csv(sep="\t", index=False), REGION, terms=own.terms)
    pd.testing.assert_frame_equal(back.runs, own.runs)
    assert appraise(back).efficiencies == appraise(own).efficiencies


def test_points_are_named_by_their_place_and_runs_put_in_their_order():
    plan = pasted("run\ttime\tratio\tcup\n2\t180\t0.5\ttall\n1\t60\t0.8\twide", REGION)
    assert plan.runs["time"].tolist() == [60, 180]
    assert plan.runs["point"].tolist() == ["factorial", "centre"]


def test_the_model_is_the_largest_that_the_runs_can_estimate():
    region = Region([Factor("a", -1, 1), Factor("b", -1, 1)])
    nine = "a\tb\n" + "\n".join(f"{a}\t{b}" for a in (-1, 0, 1) for b in (-1, 0, 1))
    assert pasted(nine, region).terms == standard_terms(region, "quadratic")
    four = "a;b\n-1;-1\n1;-1\n-1;1\n1;1"
    assert pasted(four, region).terms == standard_terms(region, "interactions")
    three = "a;b\n-1;-1\n1;-1\n-1;1"
    assert pasted(three, region).terms == standard_terms(region, "linear")
    assert pasted(nine, region, terms="a").terms == pasted(three, region, terms="a").terms


def test_thousands_are_read_where_only_they_fit_and_refused_where_both_could():
    wide = Region([Factor("speed", 1000, 2000)])
    assert pasted("speed\tx\n1,200\t\n1,900\t", wide).settings["speed"].tolist() == [1200, 1900]
    thin = pasted("speed\tx\n1 200\t\n1\u202f900\t", wide)
    assert thin.settings["speed"].tolist() == [1200, 1900]
    near = Region([Factor("ratio", 1, 2)])
    assert pasted("ratio\tx\n1,200\t\n1,900\t", near).settings["ratio"].tolist() == [1.2, 1.9]
    with pytest.raises(InputError, match="decimals or thousands"):
        pasted("any\tx\n1,200\t\n1,900\t", Region([Factor("any", 0, 5000)]))


@pytest.mark.parametrize(("given", "said"), [
    ("time\tratio\n60\t0.2", "no column for cup"),
    ("time\tmixing time\tratio\tcup\n60\t60\t0.2\ttall", "more than one column"),
    ("time\tratio\tcup\n60\tlots\ttall", "row 1"),
    ("time\tratio\tcup\n60\t0.2\ttall\n60\t\ttall", "row 2"),
    ("time\tratio\tcup\n60\t0.2\tsquare", "no such level"),
    ("time\tratio\tcup\n600\t0.2\ttall", "600 s is outside"),
    ("time,ratio,cup\n60,0,2,tall", "4 cells"),
    ("time\tratio\tcup", "no runs"), ("", "no runs"),
    ("run\ttime\tratio\tcup\n1\t60\t.2\ttall\n1\t60\t.2\ttall", "used twice"),
    ("block\ttime\tratio\tcup\n0.5\t60\t.2\ttall", "whole number"),
    ("point\ttime\tratio\tcup\nsomewhere\t60\t.2\ttall", "kind of point"),
    ("time\tratio\tcup\nnan\t0.2\ttall", "not a number"),
])
def test_one_clear_error(given, said):
    with pytest.raises(InputError, match=said):
        pasted(given, REGION)


def test_not_a_number_in_a_frame_is_refused():
    with pytest.raises(InputError, match="row 2"):
        pasted(pd.DataFrame({"time": [60, None], "ratio": [0.2, 0.3], "cup": ["tall", "wide"]}),
               REGION)


def test_what_is_left_out_or_outside_is_said():
    plan = pasted("time\tratio\tcup\tnote\n600\t0.2\ttall\tfast", REGION, outside=True)
    said = " ".join(plan.remarks)
    assert "note" in said
    assert "600 s is outside" in said


def test_a_byte_order_mark_is_no_part_of_the_first_heading():
    region = Region([Factor("revolution", 800, 1600), Factor("time", 60, 300)])
    plan = pasted("\ufeffrevolution,time\r\n800,60\r\n1600,300\r\n", region)
    assert plan.settings["revolution"].tolist() == [800, 1600]
