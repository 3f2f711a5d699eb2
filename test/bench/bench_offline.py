# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Time of the offline tool over that of a bare reader of the same bag."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
import tempfile
from time import process_time
from typing import Callable

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


def _best(work: Callable[[], None]) -> float:
    """Return the least CPU time of some rounds: what other programs do does not count."""
    times = []
    for _ in range(ROUNDS):
        start = process_time()
        work()
        times.append(process_time() - start)
    return min(times)


def _compare(name: str, bag: Path, configuration: Configuration, out: Path,
             duration_s: float) -> list[tuple]:
    bare_s = _best(lambda: _read(bag))
    tool_s = _best(lambda: assess(bag, configuration, out))
    return [
        (f'offline tool over a bare reader, {name}', tool_s / bare_s, 'times', GOAL),
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
    return results


if __name__ == '__main__':
    for what, figure, unit, goal in run():
        print(f'{what}: {figure:.2f} {unit} (goal {goal:g})')
