"""Handing jobs to workers, in chunks: a process pool on this machine, or a Dask cluster, behind the one interface of
``concurrent.futures.Executor``.

A worker that dies costs no job: what it had is handed out again when all else is done, one job at a time with nothing
beside it, so that a job whose worker dies again is itself the reason, and is listed as the error it is.
"""

from __future__ import annotations

import os
import re
import signal
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, CancelledError, Executor, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass, field
from itertools import chain
from multiprocessing import active_children, get_context, parent_process
from multiprocessing.process import BaseProcess
from pathlib import Path
from types import FrameType
from typing import Any

import heightnet
from heightnet.archives import one
from heightnet.archives.find import Found
from heightnet.archives.one import Order, Outcome
from heightnet.errors import HeightnetError

Job = tuple[Found, str | None]

CHUNK_JOBS = 8
CHUNK_BYTES = 200_000  # a job larger than this is a chunk of its own: when it is done is hard to tell
BLAS_THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")
STOPPING = (signal.SIGINT, signal.SIGTERM)
WAKE_S = 0.2  # how long a Ctrl-C may go unnoticed
LOOK_AGAIN_S = 5.0  # how old the number of a cluster's workers may be


@dataclass(frozen=True)
class Workers:
    """Something that runs tasks, and is let go of where the block ends that it is entered for.

    count : how many tasks it works at, at the moment.
    lost : the exceptions by which it says that the worker of a task died.
    close : lets go of it; with True at once, whatever is at work.
    """

    executor: Executor
    count: Callable[[], int]
    lost: tuple[type[BaseException], ...]
    close: Callable[[bool], None]

    def __enter__(self) -> Workers:
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        self.close(kind is not None)


def run(jobs: Iterable[Job], order: Order, workers: Workers, stop: Callable[[], bool]) -> Iterator[Outcome]:
    """Check jobs with workers; their outcomes as they come, each job's once.

    stop : asked before a chunk is handed out; once it says so, what is at work is waited for and nothing new begun.
    """
    waiting = chunks(jobs)
    again: deque[Job] = deque()
    lost_before: set[str] = set()
    at_work: dict[Future[list[Outcome]], list[Job]] = {}
    try:
        while True:
            while not stop() and len(at_work) < workers.count():
                chunk = next(waiting, None)
                if chunk is None and again and not at_work:
                    chunk = [again.popleft()]
                if chunk is None:
                    break
                at_work[workers.executor.submit(one.check_jobs, chunk, order)] = chunk
            if not at_work:
                return
            for future in wait(at_work, WAKE_S, FIRST_COMPLETED).done:
                chunk = at_work[future]
                try:
                    outcomes = future.result()
                except workers.lost:
                    outcomes = [one.lost(found, order) for found, _ in chunk if found.path in lost_before]
                    again.extend(job for job in chunk if job[0].path not in lost_before)
                    lost_before.update(found.path for found, _ in chunk)
                del at_work[future]
                yield from outcomes
    except CancelledError as error:
        raise HeightnetError(
            "The cluster's scheduler went away. What was done is kept; run the same command again to go on."
        ) from error
    except BaseException:  # a second Ctrl-C: end what is at work, and leave no file of it half-written
        workers.close(True)
        for found, _ in chain.from_iterable(at_work.values()):
            one.tidy(found, order)
        raise


def chunks(jobs: Iterable[Job]) -> Iterator[list[Job]]:
    """Jobs in chunks that take about as long; large ones by themselves.

    >>> small, large = (Found("a", "folder", 9), None), (Found("b", "folder", 10**7), None)
    >>> [len(chunk) for chunk in chunks([small] * 10 + [large] + [small])]
    [8, 2, 1, 1]
    """
    chunk: list[Job] = []
    size = 0
    for job in jobs:
        if chunk and (len(chunk) == CHUNK_JOBS or size + job[0].size > CHUNK_BYTES):
            yield chunk
            chunk, size = [], 0
        chunk.append(job)
        size += job[0].size
    if chunk:
        yield chunk


# ---- this machine ----


class LocalPool(Executor):
    """A process pool of several processes that lose their tasks one by one.

    The library's pool fails every task when one of its processes dies; so each process is a pool of its own, and a
    task goes to one that has nothing to do.  Processes are started anew, never forked, with one BLAS thread each.
    """

    def __init__(self, count: int) -> None:
        self._pools: list[ProcessPoolExecutor | None] = [None] * count
        self._last: list[Future[Any] | None] = [None] * count
        self._children = set(active_children())

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        at = next((i for i, last in enumerate(self._last) if last is None or last.done()), 0)
        with _one_blas_thread(), _without_interrupts():
            try:
                future = self._pool(at).submit(fn, *args, **kwargs)
            except BrokenProcessPool:  # its process died after its last task
                self._pools[at] = None
                future = self._pool(at).submit(fn, *args, **kwargs)
        self._last[at] = future
        return future

    def _pool(self, at: int) -> ProcessPoolExecutor:
        pool = self._pools[at]
        if pool is None:
            pool = self._pools[at] = ProcessPoolExecutor(1, get_context("spawn"), initializer=_begin)
        return pool

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        for pool in self._pools:
            if pool is not None:
                pool.shutdown(wait, cancel_futures=cancel_futures)

    def terminate(self) -> None:
        """End every process at once."""
        for child in active_children():
            if child not in self._children:
                child.kill()
        self.shutdown()


@contextmanager
def _one_blas_thread() -> Iterator[None]:
    """For processes started here: several libraries' own threads would only fight over the same cores."""
    before = {name: os.environ[name] for name in BLAS_THREADS if name in os.environ}
    os.environ.update(dict.fromkeys(BLAS_THREADS, "1"))
    try:
        yield
    finally:
        for name in BLAS_THREADS:
            del os.environ[name]
        os.environ.update(before)


@contextmanager
def _without_interrupts() -> Iterator[None]:
    """Processes started here do not hear Ctrl-C, from their first instruction on; here it is heard afterwards."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, STOPPING)
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _begin() -> None:
    """In a new process: what stops this run is heard by the process that hands out the jobs; if that dies, so do I."""
    for number in STOPPING:
        signal.signal(number, signal.SIG_IGN)
    parent = parent_process()
    if parent is not None:
        threading.Thread(target=_end_with, args=(parent,), daemon=True).start()


def _end_with(parent: BaseProcess) -> None:
    parent.join()
    os._exit(1)


def local_workers(count: int) -> Workers:
    """Processes of this machine; raises HeightnetError where none can be started."""
    pool = LocalPool(count)
    try:
        pool.submit(_ready).result()
    except BrokenProcessPool as error:
        raise HeightnetError(f"A worker process died as soon as it was started: {error}") from error
    return Workers(
        pool, lambda: count, (BrokenProcessPool,), lambda at_once: pool.terminate() if at_once else pool.shutdown()
    )


def _ready(*folders: str) -> tuple[str, list[str]]:
    """What a worker has to have: this version, and the folders; those it does not see."""
    return heightnet.__version__, [folder for folder in folders if not Path(folder).is_dir()]


# ---- a cluster ----


def cluster_workers(address: str, order: Order) -> Workers:
    """The workers of a Dask scheduler.

    Raises
    ------
    HeightnetError : Dask is not installed, nothing answers, there is no worker, or a worker lacks this version of
        heightnet or does not see the archive's folders.
    """
    try:
        from distributed import Client, KilledWorker
    except ImportError as error:
        raise HeightnetError("--scheduler needs Dask distributed: pip install 'heightnet[cluster]'") from error
    if not re.search(r":\d+$", address):
        raise HeightnetError(f"{address}: no address of a scheduler; expected tcp://host:8786.")
    try:
        client = Client(address, timeout=10, set_as_default=False)
    except (OSError, ValueError) as error:
        raise HeightnetError(f"{address}: no Dask scheduler answers there ({error}).") from error
    try:
        _check_cluster(address, client.run(_ready, order.folder, order.output))
    except BaseException:
        client.close()
        raise
    # a task's own retries are Dask's: it runs a lost one again, and names it once that cost several workers
    executor = client.get_executor(pure=False)
    return Workers(executor, _CountOf(client), (KilledWorker,), lambda at_once: client.close())


def _check_cluster(address: str, workers: dict[str, tuple[str, list[str]]]) -> None:
    if not workers:
        raise HeightnetError(f"{address}: the Dask scheduler has no workers.")
    for worker, (version, unseen) in workers.items():
        if version != heightnet.__version__:
            raise HeightnetError(
                f"The worker {worker} has heightnet {version}, this is {heightnet.__version__}; they must be the same."
            )
        if unseen:
            raise HeightnetError(
                f"The worker {worker} does not see {' and '.join(unseen)}. Every worker needs the archive and the "
                "output under the same path, on a shared disk."
            )


class _CountOf:
    """The number of a cluster's worker processes, asked for now and then: workers come and go."""

    def __init__(self, client: Any) -> None:
        self._client, self._asked, self._count = client, -LOOK_AGAIN_S, 1

    def __call__(self) -> int:
        now = time.monotonic()
        if now - self._asked > LOOK_AGAIN_S:
            self._asked, self._count = now, max(1, len(self._client.nthreads()))
        return self._count


# ---- Ctrl-C ----


@dataclass
class Stop:
    """Hears Ctrl-C (and a polite kill) while it is entered: once to stop in good order, twice to stop at once.

    say : called when it is heard for the first time.
    """

    say: Callable[[], None] = lambda: None
    heard: bool = False
    _before: dict[int, Any] = field(default_factory=dict)

    def __call__(self) -> bool:
        return self.heard

    def __enter__(self) -> Stop:
        if threading.current_thread() is threading.main_thread():
            self._before = {number: signal.signal(number, self._hear) for number in STOPPING}
        return self

    def __exit__(self, *_: object) -> None:
        for number, handler in self._before.items():
            signal.signal(number, handler)

    def _hear(self, number: int, frame: FrameType | None) -> None:
        if self.heard:
            raise KeyboardInterrupt
        self.heard = True
        self.say()
