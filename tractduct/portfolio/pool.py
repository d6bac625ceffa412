"""One function over many plans: here, over processes, or over a cluster, each answer as soon as it is there."""

from __future__ import annotations

import os
import shutil
import signal
import tempfile
import threading
import traceback
from collections.abc import Callable, Generator, Iterable, Iterator
from contextlib import contextmanager, suppress
from itertools import islice
from multiprocessing import get_context, parent_process, resource_tracker
from multiprocessing.connection import wait
from typing import Any, TypeVar

from tractduct.errors import TractductError

Task = TypeVar("Task")
Answer = TypeVar("Answer")
_AHEAD = 2  # tasks handed out for each worker of a cluster: it never waits, and few are read into memory
_MOST_PROCESSES = 60 if os.name == "nt" else 100_000  # as many as Windows can wait for at once
_THREADS = tuple(f"{name}_NUM_THREADS" for name in ("OMP", "OPENBLAS", "MKL", "BLIS", "VECLIB_MAXIMUM", "NUMEXPR"))


class ClusterError(TractductError):
    """A cluster that can't be reached, or lost."""


class Pool:
    """Processes that work for this one until the ``with`` block ends, and no longer than this process lives.

    Each is joined to this process by one pipe and has one task at a time. So nothing is left in the system when they
    are killed, and it is known on which task one of them died. They never get the interrupt that a terminal sends to
    every process: this one ends them.

    Parameters
    ----------
    jobs : processes; with 1 everything happens in this one
    """

    def __init__(self, jobs: int) -> None:
        self.jobs = min(jobs, _MOST_PROCESSES)
        self._all: list[_Process] = []
        self._idle: list[_Process] = []
        self._scratch = ""

    def __enter__(self) -> Pool:
        return self

    def __exit__(self, *_: object) -> None:
        self._end(self._all)
        if self._scratch:
            shutil.rmtree(self._scratch, ignore_errors=True)

    def answers(
        self, work: Callable[[Task], Answer], tasks: Iterable[Task], dead: Callable[[Task], Answer]
    ) -> Generator[Answer]:
        """The answer to each task, in whatever order they come; what ``work`` raises is raised here.

        Parameters
        ----------
        work : a function of a module, or a ``partial`` of one
        tasks : read only as far ahead as the processes need
        dead : the answer to a task whose process dies even with nothing else running
        """
        if self.jobs == 1:
            yield from map(work, tasks)
            return
        died: list[Task] = []
        yield from self._over(self.jobs, work, tasks, died)
        for task in died:
            self._end(self._idle)
            again: list[Task] = []
            yield from self._over(1, work, [task], again)
            yield from map(dead, again)

    def _over(
        self, most: int, work: Callable[[Task], Answer], tasks: Iterable[Task], died: list[Task]
    ) -> Generator[Answer]:
        """By at most so many processes; tasks on which one died are added to ``died``."""
        left = iter(tasks)
        busy: dict[Any, tuple[_Process, Task]] = {}
        ready: list[Answer] = []
        try:
            while True:
                handed_out = list(islice(left, most - len(busy)))
                while len(self._idle) < len(handed_out):
                    self._idle.append(self._start())
                for task in handed_out:
                    process = self._idle.pop()
                    busy[process.pipe] = process, task
                    with suppress(OSError):  # it died: its answer will say so
                        process.pipe.send((work, task))
                yield from ready  # only now, that nobody waits for work meanwhile
                if not busy:
                    return
                ready = []
                for pipe in wait(list(busy)):
                    process, task = busy.pop(pipe)
                    try:
                        error, answer = process.pipe.recv()
                    except (EOFError, OSError):
                        self._end([process])
                        died.append(task)
                        continue
                    self._idle.append(process)
                    if error is not None:
                        raise error
                    ready.append(answer)
        finally:
            self._end([process for process, _ in busy.values()])

    def _start(self) -> _Process:
        self._scratch = self._scratch or tempfile.mkdtemp(prefix="tractduct-")
        process = _Process(self._scratch)
        self._all.append(process)
        return process

    def _end(self, processes: list[_Process]) -> None:
        for process in list(processes):
            process.end()
            self._all.remove(process)
            if process in self._idle:
                self._idle.remove(process)


class _Process:
    """Another process and this end of the pipe to it. ``scratch`` is its folder for temporary files."""

    def __init__(self, scratch: str) -> None:
        context = get_context("spawn")
        self.pipe, theirs = context.Pipe()
        self._process = context.Process(target=_serve, args=(theirs, scratch), daemon=True)
        with _deaf_to_the_keyboard():
            self._process.start()
        theirs.close()

    def end(self) -> None:
        self._process.kill()
        self._process.join()
        self.pipe.close()


def _serve(pipe: Any, scratch: str) -> None:
    """What another process does: answer (error or None, answer) to each (work, task), until nobody asks."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, args=(scratch,), daemon=True).start()
    for name in _THREADS:  # more threads than processes would wait for each other
        os.environ.setdefault(name, "1")
    tempfile.tempdir = scratch
    with suppress(EOFError, OSError):
        while True:
            work, task = pipe.recv()
            error, answer = None, None
            try:
                answer = work(task)
            except Exception as raised:
                raised.add_note(traceback.format_exc())
                error = raised
            pipe.send((error, answer))


def _end_with_parent(scratch: str) -> None:
    """However the process that asks ends, and in the middle of a search too."""
    parent = parent_process()
    if parent is not None:
        parent.join()
    shutil.rmtree(scratch, ignore_errors=True)
    os._exit(1)


@contextmanager
def _deaf_to_the_keyboard() -> Iterator[None]:
    """Processes that are started meanwhile never get the interrupt, not even while they start; here it is put off.

    The mask is for them, and Windows has none. It does not help here: another thread, of numpy's libraries, gets the
    signal then, and Python still interrupts this one, with a process half started that complains.
    """
    can_mask = hasattr(signal, "pthread_sigmask")
    interruptible = threading.current_thread() is threading.main_thread()
    came: list[int] = []
    if can_mask:
        resource_tracker.ensure_running()  # started later, with the process, it would take the block away
    if interruptible:
        usual = signal.signal(signal.SIGINT, lambda number, _: came.append(number))
    if can_mask:
        mask = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        if can_mask:
            signal.pthread_sigmask(signal.SIG_SETMASK, mask)
        if interruptible:
            signal.signal(signal.SIGINT, usual)
        if came:
            signal.raise_signal(signal.SIGINT)


def answers_of_cluster(work: Callable[[Task], Answer], tasks: Iterable[Task], address: str) -> Generator[Answer]:
    """The answer to each task by the workers of a Dask scheduler, in whatever order they come.

    ClusterError where the cluster can't be reached or is lost.
    """
    with _client(address) as client:
        from distributed import as_completed

        workers = sum(client.nthreads().values())
        if not workers:
            raise ClusterError(f"{address}: the scheduler has no workers. Start some with: dask worker {address}")
        left = iter(tasks)
        try:
            first = [client.submit(work, task, pure=False) for task in islice(left, _AHEAD * workers)]
            coming: Any = as_completed(first)  # type: ignore[no-untyped-call]
            for future in coming:
                for task in islice(left, 1):
                    coming.add(client.submit(work, task, pure=False))
                yield future.result()
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
