# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""CPU time of the relay over that of a bare raw republisher, and the delay that each adds."""

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
MEASURED_S = 40.0
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


def run():
    """Run relay and bare republisher beside one another on the same pictures."""
    configuration = share_file('config/demo_streams.yaml')
    environment = dds_environment(DOMAIN)
    with tempfile.TemporaryDirectory() as name, \
            NodeProcesses(Path(name), environment) as nodes:
        file = Path(name) / 'received.json'
        with parts(environment, (HERE.parent / 'open_gate.py',), part('bare'),
                   part('taker', file)) as (_, bare, _):
            nodes.start('capture_relay', parameter_files=(configuration,))
            with parts(environment, part('camera')):
                time.sleep(START_S)
                processes = nodes.process('capture_relay'), bare
                before = [cpu_s(process) for process in processes]
                start = time.monotonic()
                time.sleep(MEASURED_S)
                seconds = time.monotonic() - start
                relay_share, bare_share = ((cpu_s(process) - used) / seconds
                                           for process, used in zip(processes, before))
        taken = json.loads(file.read_text())
    straight, by_bare, by_relay = np.array(taken['received_ns']).T
    bare_50, bare_99 = np.percentile(by_bare - straight, (50, 99)) * 1e-6
    relay_50, relay_99 = np.percentile(by_relay - straight, (50, 99)) * 1e-6
    return [
        ('CPU of the relay, 6.2 MB pictures at 15 Hz', 100.0 * relay_share, '% of a core', None),
        ('CPU of a bare raw republisher', 100.0 * bare_share, '% of a core', None),
        ('relay / bare raw republisher', relay_share / bare_share, '', 1.2),
        # On a machine that is too busy to bring all, the ratio says nothing.
        ('pictures straight', taken['counts'][0], '', None),
        ('pictures by the bare republisher', taken['counts'][1], '', None),
        ('pictures by the relay', taken['counts'][2], '', None),
        ('delay by the relay, median', relay_50, 'ms', None),
        ('delay by the relay, p99', relay_99, 'ms', None),
        ('delay by the bare republisher, median', bare_50, 'ms', None),
        ('delay by the bare republisher, p99', bare_99, 'ms', None),
        ('added over the bare republisher, median', relay_50 - bare_50, 'ms', None),
        ('added over the bare republisher, p99', relay_99 - bare_99, 'ms', 2.0),
        ('decision on one picture, p99', np.percentile(decisions_ms(), 99), 'ms', None),
    ]
