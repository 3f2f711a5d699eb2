# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Time of the offline tool over that of a bare reader of the same bag."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
import resource
import tempfile
from time import perf_counter
from typing import Callable

from bench_geometry import cloud_message, HALLS, scan
from large_bag import write_large
from robot_mapping_qa.bag.results import assess
from robot_mapping_qa.configuration import Configuration, load_configuration
from robot_mapping_qa.resources import share_file
from robot_mapping_qa.rig import load_scenario
from robot_mapping_qa.rig.bag_writer import write_bag
from rosbags.rosbag2 import Reader

GOAL = 1.5
DURATION_S = 60.0
ROUNDS = 3
RECORDED_BYTES = 3e8
"""Eight seconds of pictures of 2.3 megapixels, clouds and the rest, in chunks with zstd."""


def _read(bag: Path) -> None:
    """Go through all messages without looking at them."""
    with Reader(bag) as reader:
        for _ in reader.messages():
            pass


def _best(work: Callable[[], None]) -> tuple[float, float]:
    """
    Return the least CPU time and the least elapsed time of some rounds.

    The first is that of this process and of those that it started; what other programs do does
    not count. The second shows what a second core is worth.
    """
    times = []
    for _ in range(ROUNDS):
        cpu_s, elapsed_s = _cpu_s(), perf_counter()
        work()
        times.append((_cpu_s() - cpu_s, perf_counter() - elapsed_s))
    return min(cpu for cpu, _ in times), min(elapsed for _, elapsed in times)


def _cpu_s() -> float:
    used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(one.ru_utime + one.ru_stime for one in used)


def _compare(name: str, bag: Path, configuration: Configuration, out: Path,
             duration_s: float) -> list[tuple]:
    bare_s, bare_elapsed_s = _best(lambda: _read(bag))
    tool_s, tool_elapsed_s = _best(lambda: assess(bag, configuration, out))
    return [
        (f'offline tool over a bare reader, {name}', tool_s / bare_s, 'times', GOAL),
        (f'the same in elapsed time, {name}', tool_elapsed_s / bare_elapsed_s, 'times', GOAL),
        (f'offline tool, {name}', tool_s / duration_s * 100.0, '% of the recorded time', 100.0),
    ]


def run() -> list[tuple[str, float, str, float]]:
    """Return (what, figure, unit, goal) for each measurement."""
    scenario = replace(load_scenario('healthy'), duration_s=DURATION_S)
    configuration = load_configuration(share_file('config/streams.yaml'))
    results = []
    with tempfile.TemporaryDirectory() as scratch:
        for name, pictures in (('without pictures', False), ('with pictures', True)):
            bag = Path(scratch) / name.replace(' ', '_')
            write_bag(scenario, bag, pictures=pictures)
            results += _compare(name, bag, configuration, Path(scratch) / 'out', DURATION_S)
        bag = Path(scratch) / 'recorded'
        duration_s = write_large(bag, RECORDED_BYTES)
        results += _compare('large pictures, compressed', bag, configuration,
                            Path(scratch) / 'out', duration_s)
        bag = Path(scratch) / 'clouds'
        clouds = [cloud_message(scan(walls)) for walls in HALLS.values()]
        duration_s = write_large(bag, RECORDED_BYTES, clouds)
        results += _compare('large clouds and pictures, all looked at', bag, replace(
            configuration, check_cameras=True), Path(scratch) / 'out', duration_s)
    return results


if __name__ == '__main__':
    for what, figure, unit, goal in run():
        print(f'{what}: {figure:.2f} {unit} (goal {goal:g})')
