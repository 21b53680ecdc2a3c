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
from doe.analysis import backward, fit
from doe.analysis.model_file import (
    _term,
    data_fingerprint,
    load_model,
    model_from_plain,
    model_to_plain,
    save_model,
)
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
    assert kept["sigma"] == pytest.approx(np.sqrt(again.mse_resid), rel=1e-10)
    assert kept["df_error"] == again.df_resid


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
    for name in set(kept) - {"format", "sigma", "df_error"}:
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


def test_only_least_squares():
    with pytest.raises(InputError, match="least squares"):
        model_to_plain("voids ~ time")
