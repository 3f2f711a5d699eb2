# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""CPU time of the live monitors over that of bare raw subscribers to the same topics."""

import os
from pathlib import Path
import subprocess
import sys
import tempfile
import time

from robot_mapping_qa.demo.processes import dds_environment, NodeProcesses
from robot_mapping_qa.resources import share_file

DOMAIN = 120
START_S = 12.0
MEASURED_S = 30.0
MONITORS = ('sync_monitor', 'pose_monitor', 'capture_gate')
TICKS_PER_S = os.sysconf('SC_CLK_TCK')


def cpu_s(process):
    """Return the CPU time that a process has used so far, user and system."""
    fields = Path(f'/proc/{process.pid}/stat').read_text().rpartition(')')[2].split()
    return (int(fields[11]) + int(fields[12])) / TICKS_PER_S


def run():
    """Run monitors and floors beside one another on the same rig, so that load strikes both."""
    configuration = share_file('config/demo_streams.yaml')
    environment = dds_environment(DOMAIN)
    floors = {'bare, all topics': (), 'bare, pose topic': ('pose',)}
    with tempfile.TemporaryDirectory() as folder, \
            NodeProcesses(Path(folder), environment) as nodes:
        bare = {}
        try:
            for name, roles in floors.items():
                bare[name] = subprocess.Popen(
                    [sys.executable, str(Path(__file__).with_name('bare_subscriber.py')),
                     str(configuration), *roles], env=environment)
            for node in MONITORS:
                nodes.start(node, parameter_files=(configuration,))
            nodes.start('rig', 'scenario:=healthy')
            time.sleep(START_S)
            processes = {**{node: nodes.process(node) for node in MONITORS}, **bare}
            before = {name: cpu_s(process) for name, process in processes.items()}
            start = time.monotonic()
            time.sleep(MEASURED_S)
            seconds = time.monotonic() - start
            used = {name: (cpu_s(process) - before[name]) / seconds
                    for name, process in processes.items()}
            ended = [name for name, process in processes.items() if process.poll() is not None]
            if ended:
                raise RuntimeError(f'ended before they were measured: {", ".join(ended)}')
        finally:
            for process in bare.values():
                process.kill()
                process.wait()
    every, pose = used['bare, all topics'], used['bare, pose topic']
    rows = [(f'CPU of {name}', 100.0 * share, '% of a core', None)
            for name, share in used.items()]
    return rows + [
        ('sync_monitor / bare subscriber to all topics', used['sync_monitor'] / every, '', 1.25),
        ('pose_monitor / bare subscriber to the pose', used['pose_monitor'] / pose, '', None),
        ('both monitors / bare subscribers to the same',
         (used['sync_monitor'] + used['pose_monitor']) / (every + pose), '', 1.25),
    ]
