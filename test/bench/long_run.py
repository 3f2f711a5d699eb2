# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
What a long run costs: memory, threads, file descriptors, and whether the verdicts stay the same.

Without ``--live`` simulated streams go through the core in fast time, with the same four faults
in each simulated hour; with ``--live MINUTES`` the real nodes listen to the rig. Not one of the
benchmarks of `make bench`: it takes too long.
"""

import argparse
from collections import deque
from dataclasses import dataclass
import gc
from math import cos, sin
import os
from pathlib import Path
from random import Random
import re
import struct
import sys
import tempfile
import time

import numpy as np
from robot_mapping_qa.capture.gate import Gate
from robot_mapping_qa.capture.live_ledger import LiveLedger
from robot_mapping_qa.capture.time_error import time_error
from robot_mapping_qa.capture.trail import Trail
from robot_mapping_qa.configuration import configuration_from_parameters
from robot_mapping_qa.demo.processes import dds_environment, NodeProcesses
from robot_mapping_qa.messages.serialized import POSE_READERS, read_stamp
from robot_mapping_qa.monitors import make_pose_monitor, make_timing_monitor
from robot_mapping_qa.nodes.clock_survey import ClockSurvey
from robot_mapping_qa.pose_inputs import pose_input
from robot_mapping_qa.rates import first_tick_ns, TICK_NS
from robot_mapping_qa.rig import load_scenario, Rig
from robot_mapping_qa.rig.ros_messages import MESSAGE_TYPES, MessageBuilder
from robot_mapping_qa.views import capture_views
from rosbags.typesys import get_typestore, Stores
import yaml

S = 10 ** 9
HOUR_NS = 3600 * S
START_NS = 1_760_000_000 * S // HOUR_NS * HOUR_NS
WARM_UP_HOURS = 2
GROWTH_MB = 5.0
STAMP = struct.Struct('<iI')
HOLDS_APART_S = 0.2

ODOMETRY_HZ = 10.0
"""All rates are low: what grows would grow with the hours and with the messages alike."""

PARAMETERS = {
    'streams': ['unit_odometry', 'body_imu', 'front_camera', 'roof_lidar'],
    'unit_odometry.topic': '/unit/odometry', 'unit_odometry.type': 'nav_msgs/msg/Odometry',
    'unit_odometry.role': 'pose', 'unit_odometry.rate_hz': ODOMETRY_HZ,
    'body_imu.topic': '/body/imu', 'body_imu.type': 'sensor_msgs/msg/Imu',
    'body_imu.role': 'motion', 'body_imu.rate_hz': 20.0,
    'front_camera.topic': '/front/image_raw', 'front_camera.type': 'sensor_msgs/msg/Image',
    'front_camera.timing_topic': '/front/camera_info', 'front_camera.role': 'capture',
    'front_camera.rate_hz': 2.0,
    'roof_lidar.topic': '/roof/points', 'roof_lidar.type': 'sensor_msgs/msg/PointCloud2',
    'roof_lidar.role': 'geometry', 'roof_lidar.rate_hz': 1.0,
    'working_distance_m': 3.0, 'point_error_limit_m': 0.05,
}
DELAYS_S = {'unit_odometry': 0.006, 'body_imu': 0.001, 'front_camera': 0.018,
            'roof_lidar': 0.035}
"""Least delay of each stream; an exponential part of a tenth of it comes on top."""

FAULTS = {'silence': 600.0, 'clock step': 1200.0, 'blow-up': 1800.0, 'jump': 2400.0}
"""Seconds after the full hour; all but the jump last for `FAULT_S`."""

FAULT_S = 2.0


def usage(pid='self'):
    """Return resident memory in MB, threads and open files of a process."""
    root = Path(f'/proc/{pid}')
    pages = int((root / 'statm').read_text().split()[1])
    return (pages * os.sysconf('SC_PAGE_SIZE') / 2 ** 20, len(list((root / 'task').iterdir())),
            len(list((root / 'fd').iterdir())))


class Robot:
    """Serialized messages of four streams, as a pattern whose changing fields are written anew."""

    def __init__(self):
        """Take the patterns from the rig."""
        store = get_typestore(Stores.ROS2_JAZZY)
        builder = MessageBuilder({name: store.types[name] for name in MESSAGE_TYPES},
                                 lambda values: values)
        rig = Rig(load_scenario('healthy'))
        topics = {'/unit/odometry': 'unit_odometry', '/body/imu': 'body_imu',
                  '/front/camera_info': 'front_camera', '/roof/points': 'roof_lidar'}
        self.patterns = {}
        for message in rig.messages(1.0):
            name = topics.get(message.topic)
            if name and name not in self.patterns:
                self.patterns[name] = bytearray(store.serialize_cdr(
                    builder.build(message), rig.topics[message.topic]))
        self.yaw = self.x = self.y = self.jumped_m = 0.0
        self.count = 0

    def message(self, name, stamp_ns, time_s, fault):
        """Return the bytes of a stream's message; ``fault`` is the one in force, or None."""
        data = self.patterns[name]
        STAMP.pack_into(data, 4, *divmod(stamp_ns, S))
        # To and fro, so that the offset from motion has something to go by.
        speed, turn = 0.02 * sin(0.1 * time_s), 0.3 * sin(0.37 * time_s)
        if name == 'body_imu':
            struct.pack_into('<d', data, len(data) - 22 * 8, turn)
        elif name == 'unit_odometry':
            self.count += 1
            moved_m = speed / ODOMETRY_HZ
            self.yaw += turn / ODOMETRY_HZ
            self.x += moved_m * cos(self.yaw)
            self.y += moved_m * sin(self.yaw)
            if fault == 'jump':
                self.jumped_m = 0.4 if self.jumped_m == 0.0 else 0.0
            sigma_m = 0.15 if fault == 'blow-up' else 0.004
            first = len(data) - 85 * 8
            struct.pack_into('<7d', data, first, self.x + self.jumped_m, self.y, 0.0, 0.0, 0.0,
                             sin(self.yaw / 2), cos(self.yaw / 2))
            variances = [sigma_m ** 2 * (1.0 + 1e-3 * sin(self.count))] * 3 + [1e-6] * 3
            covariance = np.diag(variances).ravel()
            struct.pack_into('<36d', data, first + 56, *covariance)
            struct.pack_into('<6d', data, first + 43 * 8, speed, 0.0, 0.0, 0.0, 0.0, turn)
        return bytes(data)


class Core:
    """What the nodes do with messages and ticks, without the nodes."""

    def __init__(self, start_ns):
        """Make the monitors, the gate, the survey of the clocks, the ledger and the trail."""
        self.configuration = configuration_from_parameters(PARAMETERS, 'long run')
        configuration = self.configuration
        views = capture_views(configuration)
        self.timing = make_timing_monitor(configuration)
        self.pose = make_pose_monitor(configuration)
        self.gate = Gate(configuration.gate, configuration.point_error_limit_m, start_ns,
                         configuration.pose_stream.name, views)
        self.survey = ClockSurvey(configuration, simulated_time=True)
        self.trail = Trail()
        self.ledger = LiveLedger(configuration.point_error_limit_m, views, 0.5)
        self.timing_verdict = None
        self.decision = None
        self.holds = []
        self.rows = 0
        self._tell = {stream.name: pose_input(stream, configuration, self.pose, lambda _: None)
                      for stream in configuration.with_role('motion')}
        self._survey = {stream.name: self.survey.taker(stream)
                        for stream in configuration.streams}
        self._read = POSE_READERS[configuration.pose_stream.type]
        # What a lidar in a room tells; the clouds themselves are the matter of bench_geometry.
        self._information = np.diag([4e4] * 3 + [4e5] * 3)

    def take(self, name, data, receive_ns):
        """Take one message."""
        stamp_ns = read_stamp(data)
        self.survey.happened(self.timing.add(name, stamp_ns, receive_ns))
        self._survey[name](stamp_ns, receive_ns, data)
        if name == 'unit_odometry':
            odometry = self._read(data)
            self.pose.add(odometry, receive_ns)
            self.ledger.add_pose(odometry, self.pose.path_length_m, True)
            if self.decision is not None:
                self.trail.add(*odometry.position_m.tolist(), self.decision.allowed)
        elif name == 'body_imu':
            self._tell[name](receive_ns, data)
        elif name == 'roof_lidar' and self.pose.wants_geometry(name, receive_ns):
            self.pose.add_geometry(name, self._information, receive_ns)
        elif name == 'front_camera':
            self.ledger.add_capture(
                name, stamp_ns, receive_ns, time_error(self.timing_verdict, name))

    def tick(self, now_ns):
        """Let a tick happen."""
        self.survey.happened((*self.timing.tick(now_ns), *self.pose.tick(now_ns)))
        self.timing_verdict = self.timing.verdict(now_ns)
        self.gate.receive(self.timing_verdict)
        self.gate.receive(self.pose.verdict(now_ns))
        self.decision = self.gate.update(now_ns)
        hold = self.gate.hold_now or self.gate.last_hold
        if hold is not None:
            if not self.holds or hold is not self.holds[-1]:
                self.holds.append(hold)
            self.ledger.tell_hold(hold.onset_ns, hold.closed_ns, hold.released_ns,
                                  tuple(hold.reasons), now_ns)
        if now_ns % S == 0:
            self.rows += len(self.ledger.take_news(now_ns))
            self.survey.update({name: stream.figures()
                                for name, stream in self.timing.streams.items()}, ())


@dataclass
class Feed:
    """The messages of one stream in the order of their receipt."""

    name: str
    period_ns: int
    least_s: float
    due_ns: int

    def next(self, robot, random):
        """Return (receive time, bytes) of the next message, None as the bytes for a lost one."""
        stamp_ns = self.due_ns
        self.due_ns += self.period_ns
        time_s = (stamp_ns - START_NS) / S
        in_hour_s = time_s % 3600.0
        fault = next((kind for kind, at_s in FAULTS.items()
                      if at_s <= in_hour_s < at_s + FAULT_S), None)
        if fault == 'jump' and in_hour_s >= FAULTS['jump'] + self.period_ns / S:
            fault = None
        delay_s = self.least_s * (1.0 + 0.1 * random.expovariate(1.0))
        receive_ns = stamp_ns + round(delay_s * S)
        if fault == 'silence' and self.name == 'unit_odometry':
            return receive_ns, None
        if fault == 'clock step' and self.name == 'front_camera':
            stamp_ns -= 80_000_000
        return receive_ns, robot.message(self.name, stamp_ns, time_s, fault)


def simulate(hours):
    """Run the core for some simulated hours; return whether all is as it should be."""
    random, robot, core = Random(1), Robot(), Core(START_NS)
    feeds = [Feed(stream.name, round(S / stream.rate_hz), DELAYS_S[stream.name],
                  START_NS + place * 1_234_567)
             for place, stream in enumerate(core.configuration.streams)]
    ahead = {feed.name: deque() for feed in feeds}
    tick_ns, messages, first, begun = first_tick_ns(START_NS), 0, None, time.process_time()
    for hour in range(hours):
        end_ns = START_NS + (hour + 1) * HOUR_NS
        while tick_ns <= end_ns:
            batch = []
            for feed in feeds:
                waiting = ahead[feed.name]
                while feed.due_ns <= tick_ns:
                    waiting.append(feed.next(robot, random))
                while waiting and waiting[0][0] <= tick_ns:
                    batch.append((*waiting.popleft(), feed.name))
            for receive_ns, data, name in sorted(batch, key=lambda entry: entry[0]):
                if data is not None:
                    core.take(name, data, receive_ns)
                    messages += 1
            core.tick(tick_ns)
            tick_ns += TICK_NS
        gc.collect()
        now = usage()
        if hour + 1 == WARM_UP_HOURS:
            first = now
        print(f'hour {hour + 1}: {now[0]:.1f} MB, {now[1]} threads, {now[2]} files, '
              f'{len(core.holds)} holds, {time.process_time() - begun:.0f} s of CPU', flush=True)
    core.survey.close()
    growth_mb = now[0] - first[0]
    by_hour = holds_by_hour(core.holds, hours)
    print(f'{messages} messages and {core.rows} rows of the ledger in {hours} h; growth after '
          f'{WARM_UP_HOURS} h {growth_mb:.2f} MB (limit {GROWTH_MB} MB)')
    print('holds in the second hour:', by_hour[1])
    other = [hour for hour in by_hour[2:] if not same_holds(by_hour[1], hour)]
    print(f'later hours with other holds: {len(other)}', *other[:1])
    return growth_mb <= GROWTH_MB and now[1:] == first[1:] and not other


def holds_by_hour(holds, hours):
    """Return for each hour (seconds after the full hour, duration, reasons) of its holds."""
    by_hour = [[] for _ in range(hours)]
    for hold in holds:
        hour, after_ns = divmod(hold.closed_ns - START_NS, HOUR_NS)
        length_s = None if hold.released_ns is None else (hold.released_ns - hold.closed_ns) / S
        reasons = sorted(re.sub(r'[\d.]+', '#', reason) for reason in hold.reasons)
        by_hour[min(hour, hours - 1)].append((after_ns / S, length_s, reasons))
    return by_hour


def same_holds(one, other):
    """Return whether two hours have the same holds, but for a few ticks."""
    return len(one) == len(other) and all(
        a[2] == b[2] and abs(a[0] - b[0]) <= HOLDS_APART_S
        and abs((a[1] or 0.0) - (b[1] or 0.0)) <= HOLDS_APART_S for a, b in zip(one, other))


def live(minutes, domain):
    """Let the nodes listen to the rig for some minutes; return whether all is as it should be."""
    nodes = ('sync_monitor', 'pose_monitor', 'capture_gate')
    rates_hz = {name.partition('.')[0]: value for name, value in PARAMETERS.items()
                if name.endswith('.rate_hz')}
    own = {'unit_odometry': {'kind': 'odometry', 'topic': '/unit/odometry', 'frame': 'map',
                             'child_frame': 'unit'},
           'body_imu': {'kind': 'imu', 'topic': '/body/imu', 'frame': 'unit'},
           'front_camera': {'kind': 'camera', 'topic': '/front/image_raw', 'frame': 'camera',
                            'info_topic': '/front/camera_info', 'width': 64, 'height': 48},
           'roof_lidar': {'kind': 'lidar', 'topic': '/roof/points', 'frame': 'roof_lidar',
                          'rings': 16, 'columns': 450}}
    scenario = {'name': 'long run', 'duration_s': minutes * 60.0 + 30.0, 'sensors': {
        name: {**settings, 'rate_hz': rates_hz[name], 'clock': {'offset_s': 0.0, 'skew_ppm': 5.0},
               'delay': {'least_s': DELAYS_S[name], 'queue_mean_s': 0.0005}}
        for name, settings in own.items()}}
    with tempfile.TemporaryDirectory() as scratch, \
            NodeProcesses(Path(scratch), dds_environment(domain)) as processes:
        folder = Path(scratch)
        (folder / 'scenario.yaml').write_text(yaml.safe_dump(scenario))
        (folder / 'streams.yaml').write_text(
            yaml.safe_dump({'/**': {'ros__parameters': PARAMETERS}}))
        for node in nodes:
            processes.start(node, parameter_files=(folder / 'streams.yaml',))
        processes.start('rig', f'scenario:={folder / "scenario.yaml"}')
        end_s = time.monotonic() + minutes * 60.0
        # Caches and the windows of the estimates fill in the first two minutes.
        time.sleep(min(120.0, minutes * 15.0))
        first = {node: usage(processes.process(node).pid) for node in nodes}
        while time.monotonic() < end_s and not processes.ended():
            time.sleep(5.0)
        if processes.ended():
            print(f'ended early: {processes.ended()}')
            return False
        last = {node: usage(processes.process(node).pid) for node in nodes}
        events = {node: processes.log(node).count('\n') for node in nodes}
    fine = True
    for node in nodes:
        growth_mb = last[node][0] - first[node][0]
        fine &= growth_mb <= GROWTH_MB and last[node][1:] == first[node][1:]
        print(f'{node}: {last[node][0]:.1f} MB, {growth_mb:+.2f} MB after the warm-up; threads '
              f'{first[node][1]} -> {last[node][1]}, files {first[node][2]} -> {last[node][2]}; '
              f'{events[node]} lines of log')
    return fine


def main():
    """Run one of the two; the exit status is 1 where something grew or a verdict changed."""
    parser = argparse.ArgumentParser(description=__doc__.split('\n\n')[0].strip())
    parser.add_argument('--hours', type=int, default=24, help='simulated hours (default 24)')
    parser.add_argument('--live', type=float, metavar='MINUTES', help='run the nodes instead')
    parser.add_argument('--domain', type=int, default=158, help='DDS domain of a live run')
    options = parser.parse_args()
    if options.live is None and options.hours <= WARM_UP_HOURS:
        parser.error(f'--hours: expected more than {WARM_UP_HOURS}')
    fine = live(options.live, options.domain) if options.live else simulate(options.hours)
    print('as it should be' if fine else 'NOT AS IT SHOULD BE')
    return 0 if fine else 1


if __name__ == '__main__':
    sys.exit(main())
