"""Spreads rehearsals over the processors: each is a function of its arguments and nothing else."""

import multiprocessing
import os
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from typing import TypeVar

Job = TypeVar("Job")
Result = TypeVar("Result")


def play_all(
    play: Callable[[Job], Result],
    jobs: Sequence[Job],
    *,
    workers: int | None = None,
    on_progress: Callable[[int, int], None] = lambda _done, _all: None,
) -> list[Result]:
    """`play` each of `jobs`; the results are in their order.

    `workers` processes work at a time (1: this one; None: one for each processor); their number
    changes nothing in the result. `play`, jobs and results have to go through pickle.
    `on_progress` is told how many of how many are done. What one of them raises ends it all.
    """
    workers = min(workers or len(os.sched_getaffinity(0)), max(len(jobs), 1))
    if workers == 1:
        results = []
        for job in jobs:
            results.append(play(job))
            on_progress(len(results), len(jobs))
        return results
    # Not forked: a fork of a process with threads is not safe, and newer Pythons warn of it.
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(workers, mp_context=context) as pool:
        try:
            futures = [pool.submit(play, job) for job in jobs]
            for done, future in enumerate(as_completed(futures), 1):
                future.result()  # so that a mistake is told at once
                on_progress(done, len(jobs))
            return [future.result() for future in futures]
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            raise
