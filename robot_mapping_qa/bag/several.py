# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
Several bags assessed side by side, on this computer or by the workers of a Dask scheduler.

Each bag is one run of `assess_bag` in a process of its own, whoever starts it: what comes out is
what a single run gives, and a bag that ends its process leaves the others alone.
"""

from __future__ import annotations

from concurrent.futures import as_completed, ThreadPoolExecutor
from contextlib import contextmanager
import os
from pathlib import Path
import subprocess
import sys
from typing import Any, Callable, Iterator, NamedTuple, Sequence

SCHEDULER_WAIT_S = 10.0
"""A scheduler that does not answer by then is not there."""


class SeveralError(ValueError):
    """A wish that cannot be met for several bags; the text tells the user why."""


class Task(NamedTuple):
    """One bag, the folder for its results, and the settings of `assess_bag`."""

    bag: Path
    folder: Path
    config: str
    profile: str | None


class Result(NamedTuple):
    """How a task ended: ``reason`` says why there are no results, None where there are."""

    task: Task
    reason: str | None


def tasks_for(bags: Sequence[str], out: Path, config: str, profile: str | None) -> list[Task]:
    """
    Return a task for each bag, with a folder of its name in ``out``.

    Bags of one name get that of their parent folder in front. Raises `SeveralError` where they
    are still alike.
    """
    paths = [Path(bag).resolve() for bag in bags]
    names = [path.stem if path.is_file() else path.name for path in paths]
    names = [f'{path.parent.name}_{name}' if names.count(name) > 1 else name
             for path, name in zip(paths, names)]
    for path in paths:
        if paths.count(path) > 1:
            raise SeveralError(f'{path}: given twice')
    for name in names:
        if names.count(name) > 1:
            alike = [str(path) for path, own in zip(paths, names) if own == name]
            raise SeveralError(f'{" and ".join(alike)} would both be called {name}: assess them '
                               'one by one, or rename one')
    return [Task(path, out.resolve() / name, str(Path(config).resolve()), profile)
            for path, name in zip(paths, names)]


def run_task(task: Task) -> Result:
    """Assess one bag in a process of its own."""
    command = [sys.executable, '-m', 'robot_mapping_qa.bag.assess_bag', str(task.bag),
               '--config', task.config, '--out', str(task.folder), '--workers', '1']
    if task.profile is not None:
        command += ['--profile', task.profile]
    done = subprocess.run(command, capture_output=True, text=True, errors='replace')
    if done.returncode == 0:
        return Result(task, None)
    said = done.stderr.strip()
    if done.returncode < 0:
        # The kernel ends a process that takes the last memory, without a word of its own.
        said = f'its process was ended by signal {-done.returncode}'
    # Whoever shows the reason names the bag.
    said = '\n'.join(line.removeprefix(f'{task.bag}: ') for line in said.splitlines())
    return Result(task, said or f'its process ended with status {done.returncode}')


def run_here(tasks: Sequence[Task], workers: int) -> Iterator[Result]:
    """Yield the results as they come, of so many processes at a time."""
    with ThreadPoolExecutor(workers) as pool:
        futures = [pool.submit(run_task, task) for task in tasks]
        try:
            for future in as_completed(futures):
                yield future.result()
        finally:
            for future in futures:
                future.cancel()


def run_on_cluster(tasks: Sequence[Task], address: str) -> Iterator[Result]:
    """
    Yield the results as they come from the workers of a Dask scheduler.

    Bags, configuration and output folder must have the same paths there as here. Raises
    `SeveralError` where the scheduler does not answer or `distributed` is not installed.
    """
    with _cluster(address) as (submit, completed, lost):
        futures = {submit(run_task, task): task for task in tasks}
        for future in completed(futures):
            try:
                yield future.result()
            except lost as error:
                yield Result(futures[future], f'its worker was lost: {error}')


@contextmanager
def _cluster(address: str) -> Iterator[tuple[Callable, Callable, type[Exception]]]:
    try:
        import distributed
    except ImportError:
        raise SeveralError(
            '--scheduler needs the Python package distributed, which is not installed: '
            "python3 -m pip install 'robot_mapping_qa[cluster]'") from None
    try:
        client = distributed.Client(address, timeout=SCHEDULER_WAIT_S, set_as_default=False)
    except (OSError, ValueError) as error:
        raise SeveralError(f'--scheduler {address}: {error or "no answer"}') from error
    with client, client.as_current():
        def submit(work: Callable, task: Task) -> Any:
            return client.submit(work, task, pure=False)
        yield submit, distributed.as_completed, distributed.KilledWorker


def cores() -> int:
    """Return how many cores this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, 'sched_getaffinity') else (
        os.cpu_count() or 1)
