# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""CPU time and memory of the live monitors beside bare raw subscribers to the same topics."""

import os
from pathlib import Path
import subprocess
import sys
import tempfile
import time

from robot_mapping_qa.demo.processes import dds_environment, NodeProcesses
import yaml

DOMAIN = 120
START_S = 12.0
MEASURED_S = 30.0
MONITORS = ('sync_monitor', 'pose_monitor', 'capture_gate')
TICKS_PER_S = os.sysconf('SC_CLK_TCK')
GOAL = 1.25

KINDS = {
    'pose': ({'kind': 'odometry', 'child_frame': 'unit'}, 'nav_msgs/msg/Odometry', 100.0),
    'motion': ({'kind': 'imu'}, 'sensor_msgs/msg/Imu', 200.0),
    # Small ones: the cost of the rig must not crowd out what is measured.
    'capture': ({'kind': 'camera', 'width': 64, 'height': 48}, 'sensor_msgs/msg/Image', 15.0),
    'geometry': ({'kind': 'lidar', 'rings': 16, 'columns': 450}, 'sensor_msgs/msg/PointCloud2',
                 10.0),
}
FLEETS = {
    2: {'pose': 1, 'capture': 1},
    6: {'pose': 1, 'motion': 1, 'capture': 2, 'geometry': 2},
    12: {'pose': 1, 'motion': 2, 'capture': 6, 'geometry': 3},
}
"""How many streams of which role a robot has."""


def cpu_s(process):
    """Return the CPU time that a process has used so far, user and system."""
    fields = Path(f'/proc/{process.pid}/stat').read_text().rpartition(')')[2].split()
    return (int(fields[11]) + int(fields[12])) / TICKS_PER_S


def memory_mb(process):
    """Return the memory of a process; what it shares with others counts in parts (PSS)."""
    lines = Path(f'/proc/{process.pid}/smaps_rollup').read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith('Pss:')) / 1024.0


def write_files(folder, fleet, times=1.0):
    """Write scenario and streams of a robot; all rates are multiplied by ``times``."""
    sensors, parameters = {}, {'streams': []}
    for role, count in fleet.items():
        settings, kind, rate_hz = KINDS[role]
        for number in range(count):
            name = f'{role}_{number}'
            topic = f'/{name}/data'
            sensors[name] = {**settings, 'topic': topic, 'rate_hz': rate_hz * times,
                             'frame': 'map' if role == 'pose' else name,
                             'delay': {'least_s': 0.005, 'queue_mean_s': 0.0005}}
            parameters['streams'].append(name)
            parameters[name] = {'topic': topic, 'type': kind, 'role': role,
                                'rate_hz': rate_hz * times}
            if role == 'capture':
                sensors[name]['info_topic'] = f'/{name}/info'
                parameters[name]['timing_topic'] = f'/{name}/info'
    scenario, streams = folder / 'scenario.yaml', folder / 'streams.yaml'
    scenario.write_text(yaml.safe_dump(
        {'name': 'bench', 'duration_s': 600.0, 'sensors': sensors}))
    streams.write_text(yaml.safe_dump({'/**': {'ros__parameters': parameters}}))
    return scenario, streams


def measure(fleet, times=1.0, composed=False):
    """
    Run monitors and floors beside one another on the same rig, so that load strikes both.

    Returns {process: (share of a core, MB)}; 'bare' listens to every watched topic, 'bare pose'
    to those that the pose monitor has.
    """
    environment = dds_environment(DOMAIN)
    nodes_run = ('monitor',) if composed else MONITORS
    floors = {'bare': (), 'bare pose': ('pose', 'motion', 'geometry')}
    with tempfile.TemporaryDirectory() as scratch, \
            NodeProcesses(Path(scratch), environment) as nodes:
        scenario, streams = write_files(Path(scratch), fleet, times)
        bare = {}
        try:
            for name, roles in floors.items():
                bare[name] = subprocess.Popen(
                    [sys.executable, str(Path(__file__).with_name('bare_subscriber.py')),
                     str(streams), *roles], env=environment)
            for node in nodes_run:
                nodes.start(node, parameter_files=(streams,))
            nodes.start('rig', f'scenario:={scenario}')
            time.sleep(START_S)
            processes = {**{node: nodes.process(node) for node in nodes_run}, **bare}
            before = {name: cpu_s(process) for name, process in processes.items()}
            start = time.monotonic()
            time.sleep(MEASURED_S)
            seconds = time.monotonic() - start
            used = {name: ((cpu_s(process) - before[name]) / seconds, memory_mb(process))
                    for name, process in processes.items()}
            ended = [name for name, process in processes.items() if process.poll() is not None]
            if ended:
                raise RuntimeError(f'ended before they were measured: {", ".join(ended)}')
        finally:
            for process in bare.values():
                process.kill()
                process.wait()
    return used


def run():
    """Measure robots of several sizes, and one also with everything in one process."""
    rows = []
    for count, fleet in FLEETS.items():
        used = measure(fleet)
        shares = {name: share for name, (share, _) in used.items()}
        both = shares['sync_monitor'] + shares['pose_monitor']
        of = f'{count} streams'
        rows += [
            (f'{of}: CPU of both monitors', 100.0 * both, '% of a core', None),
            (f'{of}: CPU of the gate', 100.0 * shares['capture_gate'], '% of a core', None),
            (f'{of}: sync_monitor / bare subscriber',
             shares['sync_monitor'] / shares['bare'], '', GOAL),
            (f'{of}: both monitors / bare subscribers',
             both / (shares['bare'] + shares['bare pose']), '', GOAL),
            (f'{of}: memory of the three nodes', sum(used[node][1] for node in MONITORS), 'MB',
             None),
            (f'{of}: memory of a bare subscriber', used['bare'][1], 'MB', None)]
    share, mb = measure(FLEETS[6], composed=True)['monitor']
    return rows + [('6 streams, one process: CPU', 100.0 * share, '% of a core', None),
                   ('6 streams, one process: memory', mb, 'MB', None)]
