"""One function over many plans: here, over processes, or over a cluster, each answer as soon as it is there."""

from __future__ import annotations

import signal
import warnings
from collections.abc import Callable, Generator, Iterable, Iterator
from contextlib import closing, contextmanager
from typing import Any, TypeVar

from joblib import Parallel, delayed, parallel_config
from joblib.externals.loky import ProcessPoolExecutor
from joblib.externals.loky.process_executor import BrokenProcessPool

from tractduct.errors import TractductError

Task = TypeVar("Task")
Answer = TypeVar("Answer")
_AHEAD = 2  # tasks handed out for each process: it never waits, and few are read into memory


class ClusterError(TractductError):
    """A cluster that can't be reached, or lost."""


def answers(
    work: Callable[[Task], Answer],
    tasks: Iterable[Task],
    *,
    jobs: int,
    cluster: str | None = None,
    dead: Callable[[Task], Answer],
) -> Generator[Answer]:
    """The answer to each task, in whatever order they come.

    Parameters
    ----------
    work : runs in another process unless ``jobs`` is 1
    tasks : read only as far ahead as the processes need
    cluster : address of a Dask scheduler; then ``jobs`` does not matter
    dead : the answer to a task whose process dies even with nothing else running
    """
    if cluster is not None:
        yield from _on_cluster(work, tasks, cluster)
    elif jobs == 1:
        yield from map(work, tasks)
    else:
        yield from _on_processes(work, tasks, jobs, dead)


def _on_processes(
    work: Callable[[Task], Answer], tasks: Iterable[Task], jobs: int, dead: Callable[[Task], Answer]
) -> Iterator[Answer]:
    """Over local processes. A task that takes its process down with it is found by running suspects alone."""
    left = iter(tasks)
    running: dict[int, Task] = {}

    def handed_out() -> Iterator[Any]:
        for number, task in enumerate(left):
            running[number] = task
            yield delayed(_numbered)(work, number, task)

    while True:
        running.clear()
        try:
            # One thread a process, in numpy's libraries too: more would wait for each other.
            with parallel_config(backend="loky", n_jobs=jobs, inner_max_num_threads=1):
                pool = Parallel(
                    return_as="generator_unordered", batch_size=1, pre_dispatch=_AHEAD * jobs, max_nbytes=None
                )
                with _deaf_to_the_keyboard():
                    handing_out = pool(handed_out())
                with _closing_quietly(handing_out) as coming:
                    for number, answer in coming:
                        del running[number]
                        yield answer
            return
        except BrokenProcessPool:
            for task in list(running.values()):
                yield _alone(work, task, dead)


def _numbered(work: Callable[[Task], Answer], number: int, task: Task) -> tuple[int, Answer]:
    return number, work(task)


def _alone(work: Callable[[Task], Answer], task: Task, dead: Callable[[Task], Answer]) -> Answer:
    pool = ProcessPoolExecutor(max_workers=1)
    try:
        with _deaf_to_the_keyboard():
            coming = pool.submit(work, task)
        answer: Answer = coming.result()
        return answer
    except BrokenProcessPool:
        return dead(task)
    finally:
        pool.shutdown(kill_workers=True)


@contextmanager
def _closing_quietly(coming: Any) -> Iterator[Any]:
    """Like closing, without joblib's warning that what was not waited for is given up: it is meant to be."""
    try:
        yield coming
    finally:
        with warnings.catch_warnings():
            warnings.filterwarnings("ignore", message=".*have been cancelled")
            coming.close()


@contextmanager
def _deaf_to_the_keyboard() -> Iterator[None]:
    """Processes and threads that are started meanwhile never get the interrupt that a terminal sends to all.

    Each would print a traceback of its own; this process ends them when it is interrupted itself, which is put off
    until they are started. Windows has no such signal mask.
    """
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    from multiprocessing import resource_tracker

    resource_tracker.ensure_running()  # started later, by joblib, it would take the block away
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _on_cluster(work: Callable[[Task], Answer], tasks: Iterable[Task], address: str) -> Iterator[Answer]:
    with _client(address) as client:
        workers = sum(client.nthreads().values())
        if not workers:
            raise ClusterError(f"{address}: the scheduler has no workers. Start some with: dask worker {address}")
        with parallel_config(backend="dask"):
            pool = Parallel(return_as="generator_unordered", batch_size=1, pre_dispatch=_AHEAD * workers)
            try:
                with closing(pool(delayed(work)(task) for task in tasks)) as coming:
                    yield from coming
            except Exception as error:  # whatever the workers or the way to them end with
                raise ClusterError(
                    f"{address}: the cluster failed ({type(error).__name__}: {error}). Check that its workers run "
                    "and have this version of tractduct; what was done stays, and the same command goes on from there."
                ) from None


@contextmanager
def _client(address: str) -> Iterator[Any]:
    try:
        from distributed import Client
    except ImportError:
        raise ClusterError(
            "a cluster needs the package distributed. Install it here and on every worker: "
            'pip install "tractduct[cluster]"'
        ) from None
    try:
        client: Any = Client(address, timeout=10)  # type: ignore[no-untyped-call]
    except (OSError, ValueError, TimeoutError) as error:
        raise ClusterError(
            f"{address}: no Dask scheduler answers there ({error}). Start one with: dask scheduler"
        ) from None
    with client:
        yield client
