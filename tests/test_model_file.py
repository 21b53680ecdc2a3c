"""A kept model: the same fit again from its data, and refusal of anything else."""

from __future__ import annotations

import copy
import hashlib
import json
from itertools import product

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from hypothesis import given
from hypothesis import strategies as st

from doe import Factor, InputError, Region, Response, Term
from doe.analysis import backward, fit, fit_mixed
from doe.analysis.fingerprint import data_fingerprint
from doe.analysis.kinds import dispersion_effects, fit_kind
from doe.analysis.model_file import _term, model_from_plain, model_to_plain
from doe.report import load_model, save_model
from doe.terms import INTERCEPT

REGION = Region([Factor("time", 30, 90, unit="s", increment=5), Factor("speed", 500, 1500,
                                                                       unit="rpm"),
                 Factor.categorical("cup", ["short", "tall", "wide"])],
                ("time * speed <= 120000",))
VOIDS = Response("voids", unit="%", upper=2.0, scale="log", possible=(0, 100), method="Archimedes")


def runs() -> pd.DataFrame:
    data = pd.DataFrame(list(product((30, 60, 90), (500.0, 1000.0, 1300.0), REGION["cup"].levels)),
                        columns=REGION.names)
    rng = np.random.default_rng(8)
    y = 1 - 0.01 * data["time"] - 0.001 * data["speed"] + rng.normal(0, 0.1, len(data))
    return data.assign(voids=np.exp(y), block=np.resize([1, 2], len(data)),
                       run=range(1, len(data) + 1), remark="ü, \"quoted\"")


def same(a, b) -> None:
    pd.testing.assert_frame_equal(a.table, b.table)
    pd.testing.assert_frame_equal(a.aliased, b.aliased)
    pd.testing.assert_frame_equal(a.diagnostics, b.diagnostics)
    assert a.sentences == b.sentences
    assert (a.response, a.region, a.terms) == (b.response, b.region, b.terms)
    settings = a.region.grid(3)
    pd.testing.assert_frame_equal(a.predict(settings), b.predict(settings))


@pytest.mark.parametrize("make", [
    lambda d: fit(d, VOIDS, REGION),
    lambda d: fit(d, VOIDS, REGION, "time*speed + cup", blocks=None),
    lambda d: backward(fit(d, VOIDS, REGION)),
    lambda d: fit(d.head(6), VOIDS, REGION, "quadratic"),  # saturated, terms aliased
    lambda d: fit(d.assign(voids=d["voids"].where(d["run"] != 4)), VOIDS, REGION, "linear"),
], ids=["default", "no blocks", "selected", "aliased", "missing"])
def test_there_and_back_through_a_file(make, tmp_path):
    model = make(runs())
    path = save_model(model, tmp_path / "voids.json")
    data = runs()
    data = data[data["run"].isin(model.data["run"])]
    same(load_model(path, data), model)
    assert [p.name for p in tmp_path.iterdir()] == ["voids.json"]


def test_a_row_without_a_measurement_does_no_harm():
    data = runs()
    data.loc[3, "voids"] = np.nan
    model = fit(data, VOIDS, REGION, "linear")
    same(model_from_plain(model_to_plain(model), data), model)


def test_the_file_can_be_used_without_this_program(tmp_path):
    data = runs()
    path = save_model(fit(data, VOIDS, REGION, "time*speed", blocks=None), tmp_path / "m.json")
    kept = json.loads(path.read_text("utf-8"))
    coded = pd.DataFrame({"voids": data["voids"]})
    for f in kept["region"]["factors"][:2]:
        middle, half = (f["high"] + f["low"]) / 2, (f["high"] - f["low"]) / 2
        coded[f["name"]] = (data[f["name"]] - middle) / half
    assert kept["formula"] == "log(voids) ~ time + speed + speed:time"
    again = smf.ols(kept["formula"].replace("log", "np.log"), coded).fit()
    np.testing.assert_allclose(list(kept["coefficients"].values()), again.params, rtol=1e-10)
    assert kept["estimates"]["sigma"] == pytest.approx(np.sqrt(again.mse_resid), rel=1e-10)
    assert kept["df_error"] == again.df_resid


# -- every kind of fit -----------------------------------------------------------------

SPECKS = Response("specks", kind="count", exposure="area", exposure_unit="cm²")
SHARE = Response("share", kind="proportion", unit="%", trials="tried")
GRADE = Response("grade", kind="ordinal", grades=("poor", "fair", "good"))
BUBBLES = Response("bubbles", unit="mm", kind="censored", detection_limit=0.5)


def readings() -> pd.DataFrame:
    """One row a run, with a reading of each kind; the data carry the marks of one of them."""
    data, rng = runs(), np.random.default_rng(3)
    n = len(data)
    size = np.exp(rng.normal(0, 0.3, n)) * data["voids"]
    data["area"], data["tried"] = np.resize([2.0, 3.0, 5.0], n), np.resize([20.0, 40.0], n)
    data["specks"] = rng.poisson(3 * size * data["area"]).astype(float)
    data["share"] = 100 * rng.binomial(data["tried"].astype(int), size / 4) / data["tried"]
    data["grade"] = 1.0 + np.digitize(size, (0.8, 1.3))
    data["bubbles"] = size
    data["day"], data["whole_plot"] = np.resize([1, 2, 3, 4], n), np.arange(n) // 4
    data["batch"], data["cask"] = np.arange(n) // 9, np.arange(n) // 3 % 3
    data.attrs["qualifiers"] = {"bubbles": {5: ">", 7: (0.2, 1.4)}}
    return data


MAIN = "time + speed"
KINDS = {
    "counts": lambda d: fit_kind(d, SPECKS, REGION, MAIN),
    "counts, more terms than can be told apart": lambda d: fit_kind(
        d.head(9), SPECKS, REGION, "time*speed + I(time**2)"),
    "counts by a method asked for": lambda d: fit_kind(d, SPECKS, REGION, MAIN,
                                                       method="quasi-Poisson"),
    "counts on one number": lambda d: fit_kind(d, SPECKS, REGION, MAIN, exposure=4),
    "counts on a column": lambda d: fit_kind(d, SPECKS, REGION, MAIN, exposure="tried",
                                             selection="by hand"),
    "shares": lambda d: fit_kind(d, SHARE, REGION, MAIN),
    "shares with a penalty": lambda d: fit_kind(d, SHARE, REGION, MAIN, method="Firth"),
    "shares not counted": lambda d: fit_kind(d, Response("share", kind="proportion", unit="%"),
                                             REGION, MAIN),
    "grades": lambda d: fit_kind(d, GRADE, REGION, MAIN, blocks=None),
    "beyond a limit": lambda d: fit_kind(d, BUBBLES, REGION, MAIN),
    "beyond a limit, by large samples": lambda d: fit_kind(d, BUBBLES, REGION, MAIN,
                                                           method="likelihood"),
    "spread": lambda d: dispersion_effects(d.assign(time=60, cup="tall"), VOIDS, REGION, "speed",
                                           method="log-variance"),
    "whole plots": lambda d: fit_mixed(d, VOIDS, REGION, MAIN),
    "nested groups": lambda d: fit_mixed(d, VOIDS, REGION, MAIN, groups="batch/cask", blocks=None,
                                         method="satterthwaite"),
    "crossed groups": lambda d: fit_mixed(d, VOIDS, REGION, groups=["day", "batch"]),
    "runs measured twice": lambda d: fit_mixed(
        pd.concat([d, d.assign(voids=d["voids"] * 1.1)], ignore_index=True), VOIDS, REGION, MAIN),
}


def rested_on(model) -> pd.DataFrame:
    """The rows that a model was fitted to, shuffled, their marks kept."""
    data = model.readings if hasattr(model, "readings") else model.data
    return data.sample(frac=1, random_state=1)


@pytest.mark.parametrize("name", KINDS)
def test_every_kind_there_and_back(name, tmp_path):
    model = KINDS[name](readings())
    path = save_model(model, tmp_path / "model.json")
    again = load_model(path, rested_on(model))
    assert type(again) is type(model)
    own, new = (m.table.set_index("term") for m in (model, again))
    pd.testing.assert_frame_equal(new, own, rtol=1e-5)
    assert again.sentence == model.sentence
    assert (again.response, again.region, again.terms, again.selection) == (
        model.response, model.region, model.terms, model.selection)
    pd.testing.assert_frame_equal(again.aliased, model.aliased)
    settings = REGION.grid(2)
    pd.testing.assert_frame_equal(again.predict(settings), model.predict(settings), rtol=1e-5)
    assert model_to_plain(again)["data"] == model_to_plain(model)["data"]
    if not name.startswith("spread"):
        assert again.sentences[-1] == model.sentences[-1]


def test_what_is_kept_of_other_kinds():
    counts = model_to_plain(KINDS["counts on a column"](readings()))
    assert (counts["kind"], counts["formula"]) == ("counts", "log(specks) ~ time + speed")
    assert counts["options"] == {"method": "auto", "exposure": "tried"}
    assert counts["data"]["columns"] == ["time", "speed", "cup", "specks", "block",
                                         "specks, exposure"]
    mixed = model_to_plain(KINDS["nested groups"](readings()))
    assert mixed["options"] == {"method": "satterthwaite", "groups": ["batch", "batch/cask"]}
    assert list(mixed["estimates"]) == ["variance of batch", "variance of batch:cask",
                                        "variance of residual"]
    assert model_to_plain(KINDS["spread"](readings()))["formula"] == (
        "log(variance(log(voids))) ~ speed")
    json.dumps(mixed, allow_nan=False)


def test_a_mixed_model_can_be_computed_from_its_file_alone():
    kept = model_to_plain(KINDS["whole plots"](readings()))
    data, half = readings(), {"time": (60, 30), "speed": (1000, 500)}
    x = np.column_stack([np.ones(27), 2.0 * (data["block"] == 2) - 1, *(
        (data[n] - middle) / width for n, (middle, width) in half.items())])
    between, within = kept["estimates"].values()
    plots = data["whole_plot"].to_numpy()
    v = np.eye(27) * within + between * (plots[:, None] == plots)
    weighted = np.linalg.solve(v, x).T
    b = np.linalg.solve(weighted @ x, weighted @ np.log(data["voids"].to_numpy()))
    np.testing.assert_allclose(list(kept["coefficients"].values()), b, rtol=1e-8)


@pytest.mark.parametrize(("option", "response", "given"), [
    ("exposure", SPECKS, list(np.linspace(1, 2, 27))),
    ("trials", SHARE, [40.0] * 13 + [80.0] * 14),
    ("qualifiers", BUBBLES, {3: "<", 4: "<", 9: ">"}),
])
def test_what_was_given_row_by_row_must_be_given_again(option, response, given):
    data = readings()
    model = fit_kind(data, response, REGION, MAIN, **{option: given})
    kept = model_to_plain(model)
    assert kept["given"] == [option]
    with pytest.raises(InputError, match=f"model, {option}.*row by row"):
        model_from_plain(kept, data)
    again = model_from_plain(kept, data, **{option: given})
    np.testing.assert_allclose(again.coefficients, model.coefficients, rtol=1e-9)
    other = given[::-1] if isinstance(given, list) else {**given, 3: ">"}
    with pytest.raises(InputError, match="not the data"):
        model_from_plain(kept, data, **{option: other})


def _other_exposure(data):
    data.loc[4, "area"] += 1e-9
    return data


def _marks_lost(data):
    data.attrs = {}
    return data


@pytest.mark.parametrize(("name", "change"), [
    ("counts", _other_exposure),
    ("shares", lambda d: d.assign(tried=2 * d["tried"])),
    ("beyond a limit", _marks_lost),
    ("whole plots", lambda d: d.assign(whole_plot=np.roll(d["whole_plot"], 1))),
    ("spread", lambda d: d.assign(time=60, cup="tall", voids=d["voids"].iloc[::-1].to_numpy())),
])
def test_readings_that_mean_something_else_are_refused(name, change):
    kept = model_to_plain(KINDS[name](readings()))
    with pytest.raises(InputError, match="not the data"):
        model_from_plain(kept, change(readings()))


@pytest.mark.parametrize(("name", "change", "match"), [
    ("counts by a method asked for", {"options": {"method": "Poisson", "exposure": None}},
     "gives a model called 'Poisson'"),
    ("shares", {"options": {"trials": None, "method": "best"}}, "method"),
    ("counts", {"options": {"trials": 3}}, "no option of counts"),
    ("whole plots", {"options": {"groups": 3}}, "no option of mixed"),
    ("whole plots", {"options": {"groups": ["__class__"]}}, "groups"),
    ("grades", {"kind": "pickle"}, "no such kind"),
    ("grades", {"given": [["x"]]}, "row by row"),
    ("grades", {"estimates": {"level of 2": 0.0, "level of 3": 0.0}}, "estimate 'level of 2'"),
])
def test_changed_options_and_estimates_are_refused(name, change, match):
    kept = {**model_to_plain(KINDS[name](readings())), **change}
    with pytest.raises(InputError, match=match):
        model_from_plain(kept, readings())


def test_a_changed_variance_is_refused():
    kept = model_to_plain(KINDS["whole plots"](readings()))
    kept["estimates"]["variance of residual"] *= 1.0001
    with pytest.raises(InputError, match="estimate 'variance of residual'"):
        model_from_plain(kept, readings())


def test_the_same_model_of_other_counts():
    data = readings().assign(specks=lambda d: d["specks"] + 1)
    made = model_from_plain(model_to_plain(KINDS["counts"](readings())), data, other_data=True)
    assert any("kept from other data" in s for s in made.sentences)


# -- the fingerprint -----------------------------------------------------------------

AB = Region([Factor("a", 0, 1), Factor.categorical("b", ["x", "y,z"])])
Y = Response("y")


def test_the_fingerprint_is_that_of_a_csv_file():
    data = pd.DataFrame({"y": [2.5, 1.0], "a": [1, 0], "b": ["y,z", "x"], "more": [7, 8]})
    text = 'a,b,y\n0.0,x,1.0\n1.0,"y,z",2.5\n'
    assert data_fingerprint(data, Y, AB) == hashlib.sha256(text.encode()).hexdigest()


@given(st.lists(st.tuples(st.floats(0, 1), st.sampled_from(AB["b"].levels),
                          st.floats(-1e9, 1e9)), min_size=2, max_size=8), st.randoms())
def test_the_order_of_rows_and_how_numbers_are_stored_do_not_matter(rows, random):
    data = pd.DataFrame(rows, columns=["a", "b", "y"])
    mixed = data.sample(frac=1, random_state=random.randint(0, 99)).astype({"a": object})
    assert data_fingerprint(mixed, Y, AB) == data_fingerprint(data, Y, AB)
    changed = data.assign(y=np.nextafter(data["y"].to_numpy(), np.inf))
    assert data_fingerprint(changed, Y, AB) != data_fingerprint(data, Y, AB)


def test_a_row_more_or_a_swap_of_readings_shows():
    data = pd.DataFrame({"a": [0.0, 1.0], "b": "x", "y": [1.0, 2.0]})
    whole = data_fingerprint(data, Y, AB)
    assert data_fingerprint(pd.concat([data, data.tail(1)]), Y, AB) != whole
    assert data_fingerprint(data.assign(y=[2.0, 1.0]), Y, AB) != whole


def test_terms_are_read_back_as_they_are_written():
    for term in (INTERCEPT, Term("a"), Term("a", "b"), Term("a", "a"), Term("b", "a", "a")):
        if term.powers:
            assert _term(str(term)) == term


# -- refusals ------------------------------------------------------------------------


@pytest.fixture(scope="module")
def kept() -> dict:
    return json.loads(json.dumps(model_to_plain(fit(runs(), VOIDS, REGION, "time + speed + cup"))))


def test_other_data_are_refused_unless_wanted(kept):
    data = runs()
    data.loc[5, "voids"] *= 1 + 1e-12
    with pytest.raises(InputError, match=r"not the data that the model was made from \(27 rows"):
        model_from_plain(kept, data)
    model = model_from_plain(kept, data, other_data=True)
    assert [str(t) for t in model.terms] == ["1", "time", "speed", "cup"]
    assert any("kept from other data" in s for s in model.sentences)


@pytest.mark.parametrize("data", [runs().head(20), pd.concat([runs(), runs().tail(1)])],
                         ids=["fewer", "more"])
def test_other_rows_are_refused(kept, data):
    with pytest.raises(InputError, match="not the data"):
        model_from_plain(kept, data)


def test_a_changed_coefficient_is_refused(kept):
    for change in (1e-6, float("nan"), "0.1"):
        other = copy.deepcopy(kept)
        value = other["coefficients"]["time"]
        other["coefficients"]["time"] = value + change if isinstance(change, float) else change
        with pytest.raises(InputError, match="coefficient 'time'"):
            model_from_plain(other, runs())
    slight = copy.deepcopy(kept)
    slight["coefficients"]["time"] += 1e-11
    assert model_from_plain(slight, runs()).df_error == kept["df_error"]


def test_changed_terms_or_coefficients_too_many_are_refused(kept):
    fewer = {**kept, "terms": kept["terms"][:-1]}
    with pytest.raises(InputError, match=r"coefficient 'cup\[tall\]'.*no such coefficient"):
        model_from_plain(fewer, runs())


@pytest.mark.parametrize(("change", "match"), [
    ({"format": "something"}, "no kept model"),
    ({"version": 99}, "newer version"),
    ({"version": "1"}, "model, version"),
    ({"terms": [["time", "__import__"]]}, "no product of the factors"),
    ({"terms": ["time"]}, "no product of the factors"),
    ({"response": {"name": "import"}}, "name"),
    ({"response": {"name": "voids", "possible": 5}}, "model, response"),
    ({"region": {"factors": 5}}, "model, region"),
    ({"region": {"factors": []}}, "factors"),
    ({"blocks": "day"}, "has blocks"),
    ({"blocks": 3}, "model, blocks"),
    ({"coefficients": []}, "model, coefficients"),
    ({"selection": None}, "model, selection"),
])
def test_damaged_fields_are_named(kept, change, match):
    with pytest.raises(InputError, match=match):
        model_from_plain({**kept, **change}, runs())


def test_every_field_is_needed(kept):
    for name in set(kept) - {"format", "df_error"}:
        with pytest.raises(InputError, match=f"model, {name}"):
            model_from_plain({k: v for k, v in kept.items() if k != name}, runs())


def test_files_that_are_no_model(tmp_path):
    with pytest.raises(InputError, match="cannot be opened"):
        load_model(tmp_path / "none.json", runs())
    for text in ("", "{", "[" * 100_000, "\x80"):
        (tmp_path / "bad.json").write_bytes(text.encode("latin-1"))
        with pytest.raises(InputError, match="not JSON"):
            load_model(tmp_path / "bad.json", runs())
    for text in ("[]", "3", "null"):
        (tmp_path / "bad.json").write_text(text)
        with pytest.raises(InputError, match="no kept model"):
            load_model(tmp_path / "bad.json", runs())


def test_only_fits():
    with pytest.raises(InputError, match="no fit"):
        model_to_plain("voids ~ time")
