# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
CPU time of the relay over that of a bare raw republisher, and the delay that each adds.

The figures are medians over a few rounds in which the two take turns.
"""

from contextlib import contextmanager
import json
from pathlib import Path
import signal
import subprocess
import sys
import tempfile
import time

from bench_live import cpu_s
import numpy as np
from robot_mapping_qa.capture.relay import GateListener
from robot_mapping_qa.demo.processes import dds_environment, NodeProcesses
from robot_mapping_qa.messages.serialized import read_stamp
from robot_mapping_qa.resources import share_file

DOMAIN = 132
START_S = 8.0
MEASURED_S = 20.0
ROUNDS = 3
BARE, RELAY = '/bare', '/inspection'
"""What each republisher puts behind the topic."""
HERE = Path(__file__).parent


@contextmanager
def parts(environment, *commands):
    """Run Python files, each a tuple of its path and arguments, and interrupt them at the end."""
    running = []
    try:
        for command in commands:
            running.append(subprocess.Popen([sys.executable, *map(str, command)],
                                            env=environment))
        yield running
    finally:
        for process in running:
            process.send_signal(signal.SIGINT)
        for process in running:
            try:
                process.wait(10.0)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()


def part(role, *arguments):
    """Return the command of one of the parts."""
    return HERE / 'relay_parts.py', role, *arguments


def decisions_ms():
    """Return how long the relay thinks about each of many pictures, without taking and sending."""
    picture = b'\x00\x01\x00\x00' + bytes(3 * 1920 * 1080)
    listener = GateListener(0.0, 0.05)
    listener.count_publishers(1)
    durations = []
    for _ in range(20000):
        start_ns = time.perf_counter_ns()
        now_ns, steady_ns = time.time_ns(), time.monotonic_ns()
        stamp_ns = read_stamp(picture)
        listener.judge(stamp_ns, now_ns, 150_000_000, now_ns, steady_ns)
        durations.append((time.perf_counter_ns() - start_ns) * 1e-6)
        listener.hear(True, now_ns, steady_ns)
    return durations


def measured(way, environment):
    """
    Return CPU share, counts of pictures straight and by a detour, and the detour's delays, ms.

    ``way`` is that of the bare republisher or of the relay, which run one at a time: of two
    readers of one topic the middleware serves one first, always the same.
    """
    configuration = share_file('config/demo_streams.yaml')
    with tempfile.TemporaryDirectory() as name, \
            NodeProcesses(Path(name), environment) as nodes:
        file = Path(name) / 'received.json'
        others = [(HERE.parent / 'open_gate.py',)] if way == RELAY else [part('bare')]
        with parts(environment, *others, part('taker', file, way)) as (other, _):
            if way == RELAY:
                nodes.start('capture_relay', parameter_files=(configuration,))
            process = nodes.process('capture_relay') if way == RELAY else other
            with parts(environment, part('camera')):
                time.sleep(START_S)
                used_s, start = cpu_s(process), time.monotonic()
                time.sleep(MEASURED_S)
                share = (cpu_s(process) - used_s) / (time.monotonic() - start)
        taken = json.loads(file.read_text())
    straight, detour = np.array(taken['received_ns']).T
    return share, taken['counts'], (detour - straight) * 1e-6


def run():
    """Measure the bare republisher and the relay in turn."""
    environment = dds_environment(DOMAIN)
    rounds = [{way: measured(way, environment) for way in (BARE, RELAY)} for _ in range(ROUNDS)]

    def middle(figure):
        return np.median([figure(each) for each in rounds])

    def delay(way, percent):
        return middle(lambda each: np.percentile(each[way][2], percent))
    rows = [
        ('CPU of the relay, 6.2 MB pictures at 15 Hz', 100.0 * middle(
            lambda each: each[RELAY][0]), '% of a core', None),
        ('CPU of a bare raw republisher', 100.0 * middle(
            lambda each: each[BARE][0]), '% of a core', None),
        ('relay / bare raw republisher', middle(
            lambda each: each[RELAY][0] / each[BARE][0]), '', 1.2)]
    for way, name in ((BARE, 'the bare republisher'), (RELAY, 'the relay')):
        # On a machine that is too busy to bring all, the figures say nothing.
        rows += [
            (f'pictures by {name}', 100.0 * middle(
                lambda each, of=way: each[of][1][1] / each[of][1][0]), '% of the straight', None),
            (f'delay by {name}, median', delay(way, 50), 'ms', None),
            (f'delay by {name}, p99', delay(way, 99), 'ms', None)]
    return [
        *rows,
        ('added over the bare republisher, median', delay(RELAY, 50) - delay(BARE, 50), 'ms',
         None),
        ('added over the bare republisher, p99', delay(RELAY, 99) - delay(BARE, 99), 'ms', 2.0),
        ('decision on one picture, p99', np.percentile(decisions_ms(), 99), 'ms', None),
    ]
