"""Work spread over a Dask cluster gives what one process gives, number for number.

The cluster is two workers on the loopback address. What is compared with is the same call
without a cluster; the numbers themselves are checked in the tests of searches and power.
"""

import os
import re
from pathlib import Path

import joblib
import numpy as np
import pandas as pd
import pytest

from doe.errors import InputError
from doe.factors import Factor, Region
from doe.planning import full_factorial, simulated_power, split_plot
from doe.planning.chunks import each, seeded_chunks
from doe.planning.optimal import optimal_plan
from doe.power_study import by_kind

distributed = pytest.importorskip("distributed")

REGION = Region([Factor("time", 60, 300, unit="s", increment=1),
                 Factor("speed", 400, 1200, unit="rpm", increment=10),
                 Factor("pressure", 2, 50, unit="kPa")], ("time * speed <= 250000",))


@pytest.fixture(scope="module")
def client():
    with distributed.LocalCluster(n_workers=2, threads_per_worker=1, processes=True,
                                  host="127.0.0.1", dashboard_address=None) as cluster, \
            distributed.Client(cluster) as client:
        yield client


def workers_of(stream) -> set[str]:
    return {task["worker"] for task in stream.data}


def test_the_cluster_is_on_the_loopback_address(client):
    workers = client.scheduler_info()["workers"]
    assert len(workers) == 2
    assert all(address.startswith("tcp://127.0.0.1:") for address in workers)
    assert os.getpid() not in client.run(os.getpid).values()


@pytest.mark.parametrize(("region", "options"), [
    (REGION, {"criterion": "I", "model": "interactions", "runs": 10}),
    (Region(REGION.factors), {"criterion": "D", "runs": 12, "blocks": 2}),
], ids=["constrained", "in blocks"])
def test_random_starts_find_the_same_plan(client, region, options):
    alone = optimal_plan(region, starts=1200, seed=5, **options)
    with distributed.get_task_stream(client) as stream, joblib.parallel_config(backend="dask"):
        spread = optimal_plan(region, starts=1200, seed=5, **options)
    assert workers_of(stream)  # some of it, at least, was done elsewhere
    pd.testing.assert_frame_equal(spread.runs, alone.runs, check_exact=True)
    assert spread.details == alone.details
    assert spread.details["starts_done"] == 1200
    assert spread.remarks == alone.remarks


def test_random_starts_in_groups_find_the_same_plan(client):
    region = Region([Factor("pressure", 2, 50, unit="kPa", hard_to_change=True),
                     *REGION.factors[:2]], REGION.constraints)
    options = {"model": "interactions", "whole_plots": 4, "runs": 10, "starts": 200, "seed": 5}
    alone = split_plot(region, **options)
    with distributed.get_task_stream(client) as stream, joblib.parallel_config(backend="dask"):
        spread = split_plot(region, **options)
    assert workers_of(stream)
    pd.testing.assert_frame_equal(spread.runs, alone.runs, check_exact=True)
    assert spread.details == alone.details


@pytest.mark.parametrize(("kind", "options"), [
    ("continuous", {}),
    ("count", {"baseline": 4.0, "extra": 0.1}),
    ("proportion", {"baseline": 0.3, "trials": 20}),
])
def test_simulated_studies_find_the_same_power(client, kind, options):
    plan = full_factorial(REGION, replicates=2, seed=1)
    effects = {"time": 1.4, "speed": 2.0}

    def power():
        return simulated_power(plan, effects, kind, terms="time + speed + pressure", draws=1000,
                               seed=3, **options)

    alone = power()
    with distributed.get_task_stream(client) as stream, joblib.parallel_config(backend="dask"):
        spread = power()
    assert len(workers_of(stream)) == 2
    pd.testing.assert_frame_equal(spread.table, alone.table, check_exact=True)
    assert spread.sentences == alone.sentences
    assert 0.05 < alone.table["power"].iloc[0] < 1


def test_the_analysis_itself_runs_on_the_workers(client, tmp_path):
    plan = full_factorial(REGION, replicates=2, seed=1)

    def spy(what, y):
        (tmp_path / str(os.getpid())).touch()
        return by_kind(what, y[:4]).repeat(-(-len(y) // 4), axis=0)[:len(y)]

    def power():
        return simulated_power(plan, {"time": 2.0}, terms="time + speed", draws=1000, seed=3,
                               analyse=spy)

    with joblib.parallel_config(backend="dask"):
        spread = power()
    pids = {int(p.name) for p in tmp_path.iterdir()}
    assert pids == set(client.run(os.getpid).values())
    pd.testing.assert_frame_equal(spread.table, power().table, check_exact=True)


def test_processes_of_this_machine_do_the_same(client):
    # No cluster: joblib's own processes.
    plan = full_factorial(REGION, replicates=2, seed=1)
    one, two = (simulated_power(plan, {"time": 1.5}, terms="time + speed", draws=1000, seed=3,
                                n_jobs=n) for n in (1, 2))
    pd.testing.assert_frame_equal(one.table, two.table, check_exact=True)


def test_the_documented_example_is_one_process_alone_too(capsys):
    text = (Path(__file__).parent.parent / "DEVELOPERS.md").read_text("utf-8")
    code = next(c for c in re.findall(r"```python\n(.*?)```", text, re.DOTALL) if "dask" in c)
    assert "draws=20_000" in code
    names = {"__name__": "__main__"}
    exec(code.replace("20_000", "2_000"), names)
    alone = simulated_power(names["plan"], {"time": 0.7}, "count", baseline=6, draws=2_000, seed=1)
    assert capsys.readouterr().out.strip() == alone.sentence
    pd.testing.assert_frame_equal(names["power"].table, alone.table, check_exact=True)


def test_bad_input_on_a_worker_is_one_clear_error_here(client):
    def short(what, y):
        return np.ones(3)

    plan = full_factorial(REGION, replicates=2, seed=1)
    with joblib.parallel_config(backend="dask"), \
            pytest.raises(InputError, match="one p-value for each of 250 studies"):
        simulated_power(plan, {"time": 1.5}, terms="time + speed", draws=500, seed=1,
                        analyse=short)


def test_a_search_that_is_stopped_keeps_its_best(client):
    asked = []

    def stop():
        asked.append(1)
        return len(asked) > 2

    with joblib.parallel_config(backend="dask"):
        plan = optimal_plan(REGION, runs=14, starts=2000, seed=5, stop=stop)
    assert plan.details["starts_done"] < 2000
    assert len(plan) == 14


# ---- how work is cut ---------------------------------------------------------------------

def test_results_come_in_the_order_of_the_chunks(client):
    chunks = [(number, 2) for number in range(20)]
    with joblib.parallel_config(backend="dask"):
        assert list(each(pow, chunks)) == [number**2 for number in range(20)]
    assert list(each(pow, chunks, n_jobs=1)) == [number**2 for number in range(20)]


def test_every_chunk_has_numbers_of_its_own():
    chunks = seeded_chunks(1000, 300, seed=7)
    assert [count for count, _ in chunks] == [300, 300, 300, 100]
    drawn = [tuple(np.random.default_rng(child).integers(0, 2**62, 4)) for _, child in chunks]
    assert len(set(drawn)) == 4
    # More draws continue the same series (numpy.random.SeedSequence.spawn).
    more = [tuple(np.random.default_rng(child).integers(0, 2**62, 4))
            for _, child in seeded_chunks(3000, 300, seed=7)]
    assert more[:4] == drawn


@pytest.mark.parametrize("n_jobs", [0, 1.5, "two", True])
def test_numbers_of_processes_are_checked(n_jobs):
    with pytest.raises(InputError, match="this is no number of processes"):
        list(each(pow, [(1, 2)], n_jobs=n_jobs))
