"""A worker killed half-way, in the process pool and in a Dask cluster: no job is lost and none is there twice."""

import json
import os
import signal
import sys
import time
from collections import Counter
from concurrent.futures.process import BrokenProcessPool
from multiprocessing import active_children

import pytest
from archive_help import DATA, bytes_of, copied

from heightnet.archives import run
from heightnet.archives.find import Found
from heightnet.archives.one import Order
from heightnet.archives.run import LocalPool, Workers, local_workers
from heightnet.archives.screen import screen_archive
from heightnet.errors import HeightnetError

pytestmark = pytest.mark.slow

JOBS = 24


@pytest.fixture(scope="module")
def undisturbed(tmp_path_factory):
    """The archive, and everything an undisturbed run writes of it."""
    home = tmp_path_factory.mktemp("undisturbed")
    archive = copied(home / "office", JOBS)
    screen_archive(archive, home / "out", workers=1, page=False)
    return archive, bytes_of(home / "out")


@pytest.fixture
def handed_over(monkeypatch):
    """How often the outcome of each job came back."""
    seen = Counter()
    plain = run.run

    def counting(*arguments):
        for outcome in plain(*arguments):
            seen[outcome.path] += 1
            yield outcome

    monkeypatch.setattr(run, "run", counting)
    return seen


def die(*_):
    os.kill(os.getpid(), signal.SIGKILL)


def test_a_killed_process_costs_no_job_and_no_duplicate(undisturbed, tmp_path, handed_over):
    archive, expected = undisturbed
    killed = []

    def tell(stage, done, total):
        if stage == "checking" and done >= 3 and not killed:
            time.sleep(0.05)  # the others are at work meanwhile
            killed.extend(active_children()[:1])
            killed[0].kill()

    done = screen_archive(archive, tmp_path / "out", workers=2, page=False, tell=tell)
    assert killed and done.checked == JOBS and done.counts["error"] == 0
    assert set(handed_over.values()) == {1} and len(handed_over) == JOBS
    assert bytes_of(tmp_path / "out") == expected


class Poisoned(LocalPool):
    """A pool whose process dies of one job, whenever it gets it."""

    def submit(self, fn, /, jobs, order):
        deadly = any(found.path.endswith("job 05") for found, _ in jobs)
        return super().submit(die if deadly else fn, jobs, order)


def test_a_job_that_kills_its_worker_twice_is_listed(undisturbed, tmp_path, monkeypatch, handed_over):
    archive, expected = undisturbed
    monkeypatch.setattr(run, "local_workers", poisoned_workers)
    done = screen_archive(archive, tmp_path / "out", workers=2, page=False)
    facts = json.loads((tmp_path / "out" / "archive.json").read_text(encoding="utf-8"))
    errors = [job for job in facts["jobs"] if job["error"]]
    assert [(job["path"], job["error"]["kind"]) for job in errors] == [("2022/job 05", "killed")]
    assert "killed, twice" in errors[0]["headline"] and done.exit_status() == 2
    assert set(handed_over.values()) == {1} and len(handed_over) == JOBS
    written = bytes_of(tmp_path / "out")
    assert all(written[name] == text for name, text in expected.items() if "/" in name and "job 05" not in name)

    monkeypatch.undo()  # the next run tries it again
    assert screen_archive(archive, tmp_path / "out", workers=1, page=False).checked == 1
    assert bytes_of(tmp_path / "out") == expected


def poisoned_workers(count):
    pool = Poisoned(count)
    return Workers(pool, lambda: count, (BrokenProcessPool,), lambda at_once: pool.shutdown())


def test_workers_that_cannot_even_start_are_said(monkeypatch):
    monkeypatch.setattr(run, "_ready", die)
    with pytest.raises(HeightnetError, match="died as soon as it was started"):
        local_workers(1)


def numbers_of_threads(*_):
    return {name: os.environ.get(name) for name in run.BLAS_THREADS}


def test_a_worker_has_one_blas_thread_and_this_process_keeps_its_own(monkeypatch):
    monkeypatch.setenv("OMP_NUM_THREADS", "7")
    monkeypatch.delenv("MKL_NUM_THREADS", raising=False)
    with LocalPool(1) as pool:
        assert set(pool.submit(numbers_of_threads).result().values()) == {"1"}
    assert os.environ["OMP_NUM_THREADS"] == "7" and "MKL_NUM_THREADS" not in os.environ


# ---- a cluster ----


@pytest.fixture
def cluster():
    """Two workers of one thread each on this machine, watched over as a cluster's are."""
    distributed = pytest.importorskip("distributed")
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None, silence_logs=50
    ) as local:
        yield local


def test_a_cluster_finds_what_the_pool_finds_though_a_worker_is_killed(undisturbed, tmp_path, cluster, handed_over):
    archive, expected = undisturbed
    killed = []

    def tell(stage, done, total):
        if stage == "checking" and done >= 3 and not killed:
            time.sleep(0.05)
            killed.append(cluster.workers[0].pid)
            os.kill(killed[0], signal.SIGKILL)

    address = cluster.scheduler_address
    done = screen_archive(archive, tmp_path / "out", scheduler=address, page=False, tell=tell)
    assert killed and done.checked == JOBS and done.counts["error"] == 0
    assert set(handed_over.values()) == {1} and len(handed_over) == JOBS
    assert bytes_of(tmp_path / "out") == expected
    assert screen_archive(archive, tmp_path / "out", scheduler=address, page=False).checked == 0


def test_a_job_that_kills_the_cluster_s_workers_is_listed(cluster, tmp_path, monkeypatch):
    (tmp_path / "out").mkdir()
    order = Order(str(DATA), str(tmp_path / "out"), page=False)
    jobs = [(Found(name, "folder", 1), None) for name in ("mill-levels", "bridge-check-shots")]
    workers = run.cluster_workers(cluster.scheduler_address, order)
    submit = workers.executor.submit

    def poisoned(fn, jobs, order):
        return submit(die if any(found.path == "mill-levels" for found, _ in jobs) else fn, jobs, order)

    monkeypatch.setattr(workers.executor, "submit", poisoned)
    try:
        outcomes = list(run.run(jobs, order, workers, lambda: False))
    finally:
        workers.close(False)
    found = {outcome.path: outcome.record["error"] for outcome in outcomes}
    assert len(outcomes) == 2 and found["bridge-check-shots"] is None and found["mill-levels"]["kind"] == "killed"


def test_a_cluster_that_does_not_see_the_archive_is_refused(cluster, tmp_path):
    order = Order(str(tmp_path / "nowhere"), str(tmp_path))
    with pytest.raises(HeightnetError, match=r"does not see .*nowhere"):
        run.cluster_workers(cluster.scheduler_address, order)


def test_a_worker_of_another_version_is_refused():
    with pytest.raises(HeightnetError, match=r"tcp://b has heightnet 0\.0"):
        run._check_cluster("tcp://a", {"tcp://b": ("0.0", [])})
    with pytest.raises(HeightnetError, match="has no workers"):
        run._check_cluster("tcp://a", {})


def test_no_scheduler_and_no_dask_are_said(tmp_path, monkeypatch):
    order = Order(str(tmp_path), str(tmp_path))
    with pytest.raises(HeightnetError, match="no Dask scheduler answers there"):
        run.cluster_workers("tcp://127.0.0.1:9", order)
    with pytest.raises(HeightnetError, match=r"host: no address of a scheduler; expected tcp://host:8786"):
        run.cluster_workers("host", order)
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(HeightnetError, match=r"heightnet\[cluster\]"):
        run.cluster_workers("tcp://127.0.0.1:9", order)
