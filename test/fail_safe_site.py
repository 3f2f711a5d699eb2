# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Monitors, gate, relay and ledger as processes, and a robot whose failures can be staged."""

from pathlib import Path
import struct
import subprocess
import sys
import time

from live_site import MONITORS, Site
import yaml

OFF_DELAY_S = 1.0
SETTLE_S = 1.0
UNIT, CAMERA = '/unit/odometry', '/front/image_raw'
RATE_HZ = 50.0
PICTURE_EVERY = 5

PARAMETERS = {
    'streams': ['unit', 'camera'],
    'unit': {'topic': UNIT, 'type': 'nav_msgs/msg/Odometry', 'role': 'pose', 'rate_hz': RATE_HZ},
    'camera': {'topic': CAMERA, 'type': 'sensor_msgs/msg/Image', 'role': 'capture',
               'rate_hz': RATE_HZ / PICTURE_EVERY},
    # So long that a busy machine is not taken for a fault, short against the staged ones.
    'timing': {'settle_s': SETTLE_S, 'silence_s': 0.7, 'delay_limit_s': 0.5},
    'pose': {'stale_s': 0.7},
    'gate': {'off_delay_s': OFF_DELAY_S},
}


class HostClock:
    """
    What processes take for the host's clock; setting the real one is not for a test.

    Every library of theirs asks a function that is put before all others (stepped_clock.c).
    """

    def __init__(self, folder):
        self._file, library = folder / 'clock_off_ns', folder / 'stepped_clock.so'
        subprocess.run(['cc', '-shared', '-fPIC', '-o', str(library),
                        str(Path(__file__).with_name('stepped_clock.c')), '-ldl'], check=True)
        self.set_off(0.0)
        self.environment = {'LD_PRELOAD': str(library), 'STEPPED_CLOCK': str(self._file)}

    def set_off(self, by_s):
        """Step the clock of every process: it is off by so much from now on."""
        # In place: the processes have the file mapped.
        with self._file.open('r+b' if self._file.exists() else 'wb') as file:
            file.write(struct.pack('q', round(by_s * 1e9)))


class Robot:
    """A unit and a camera of one DDS participant, driving straight on."""

    def __init__(self, domain, site):
        import rclpy
        from nav_msgs.msg import Odometry
        from rclpy.executors import SingleThreadedExecutor
        from rclpy.node import Node
        from sensor_msgs.msg import Image
        self._site = site
        self.context = rclpy.Context()
        rclpy.init(context=self.context, domain_id=domain)
        self.node = Node('robot', context=self.context)
        self.executor = SingleThreadedExecutor(context=self.context)
        self.executor.add_node(self.node)
        self._odometry = self.node.create_publisher(Odometry, UNIT, 50)
        self._image = self.node.create_publisher(Image, CAMERA, 10)
        self._pose, self._picture = Odometry(), Image()
        self._pose.header.frame_id, self._pose.child_frame_id = 'map', 'unit'
        self._pose.pose.pose.orientation.w = 1.0
        self._pose.twist.twist.linear.x = 0.2
        self._steps = 0
        self._start_ns = site.now_ns()
        self.node.create_timer(1.0 / RATE_HZ, self._step)

    def _step(self):
        now_ns = self._site.now_ns()
        self._site.tell_time(now_ns)
        if now_ns < self._start_ns:
            # The simulation has started again, and the robot with it.
            self._start_ns = now_ns
        self._steps += 1
        stamp_ns = now_ns + round(self._site.stamps_off_s * 1e9)
        message = self._pose
        message.header.stamp.sec, message.header.stamp.nanosec = divmod(stamp_ns, 10 ** 9)
        message.pose.pose.position.x = 0.2 * (now_ns - self._start_ns) * 1e-9
        covariance = [0.0] * 36
        for place in range(6):
            covariance[7 * place] = 1e-6 * (1.0 + 1e-3 * self._steps)
        message.pose.covariance = covariance
        self._odometry.publish(message)
        if self._steps % PICTURE_EVERY == 0:
            self._picture.header.stamp = message.header.stamp
            self._site.taken[stamp_ns] = time.monotonic()
            self._image.publish(self._picture)

    def close(self):
        import rclpy
        self.executor.shutdown(timeout_sec=1.0)
        self.node.destroy_node()
        rclpy.shutdown(context=self.context)


class FailSafeSite(Site):
    """
    The whole chain; ``taken`` has when each picture was taken, ``passed`` which passed.

    With ``simulated_time`` everything runs by a clock that `restart_time` sets back. With a
    ``host_clock`` that is the nodes', and not the robot's. ``words`` has when the gate spoke,
    and what.
    """

    def __init__(self, folder, monkeypatch, domain, simulated_time=False, host_clock=None):
        from diagnostic_msgs.msg import DiagnosticArray, DiagnosticStatus
        from rclpy.node import Node
        from robot_mapping_qa.messages.serialized import read_stamp
        from robot_mapping_qa.messages.topics import CAPTURE_ALLOWED, EVENTS, GATE
        from robot_mapping_qa.nodes.qos import EVENT_QOS, GATE_QOS, LATCHED_QOS
        from rosgraph_msgs.msg import Clock
        from sensor_msgs.msg import Image
        from std_msgs.msg import Bool
        super().__init__(folder, monkeypatch, domain)
        if host_clock is not None:
            self.nodes.environment.update(host_clock.environment)
        self.domain, self.folder = domain, folder
        self.file = folder / 'streams.yaml'
        self.file.write_text(yaml.safe_dump({'/**': {'ros__parameters': {
            **PARAMETERS, 'use_sim_time': simulated_time}}}))
        self.stamps_off_s = 0.0
        self._simulated_zero_s = time.monotonic() if simulated_time else None
        self.taken, self.passed, self.events, self.words = {}, [], [], []
        self.gate_text = self.relay_text = ''
        self.node = self.watch(Node('around', context=self.context))
        self.node.create_subscription(
            Image, CAMERA + '/inspection',
            lambda data, _info: self.passed.append(read_stamp(data)), 10, raw=True)
        self.node.create_subscription(DiagnosticStatus, GATE.name, self._gate, LATCHED_QOS)
        self.node.create_subscription(
            Bool, CAPTURE_ALLOWED.name,
            lambda m: self.words.append((time.monotonic(), m.data)), GATE_QOS)
        self.node.create_subscription(DiagnosticArray, '/diagnostics', self._diagnose, 20)
        self.node.create_subscription(
            DiagnosticArray, EVENTS.name, lambda m: self.events.extend(m.status), EVENT_QOS)
        self._clock_type = Clock
        self._clock = self.node.create_publisher(Clock, '/clock', 10)
        self.robot = None
        self._others = []
        for node in (*MONITORS, 'capture_relay'):
            self.start(node)
        self.nodes.start('capture_ledger', f'folder:={folder / "ledger"}',
                         parameter_files=(self.file,))
        self.start_robot()

    def start(self, node):
        self.nodes.start(node, parameter_files=(self.file,))

    def now_ns(self):
        """Return the time that everything runs by."""
        if self._simulated_zero_s is None:
            return time.time_ns()
        return round((100.0 + time.monotonic() - self._simulated_zero_s) * 1e9)

    def tell_time(self, now_ns):
        if self._simulated_zero_s is not None:
            clock = self._clock_type()
            clock.clock.sec, clock.clock.nanosec = divmod(now_ns, 10 ** 9)
            self._clock.publish(clock)

    def restart_time(self):
        self._simulated_zero_s = time.monotonic()

    def start_robot(self):
        self.robot = Robot(self.domain, self)

    def stop_robot(self):
        """Lose the participant of unit and camera."""
        self.robot.close()
        self.robot = None

    def start_second_gate(self):
        process = subprocess.Popen(
            [sys.executable, str(Path(__file__).with_name('open_gate.py'))],
            env=self.nodes.environment, start_new_session=True)
        self._others.append(process)
        return process

    def _gate(self, status):
        self.gate_text = status.message

    def _diagnose(self, message):
        for status in message.status:
            if status.name.endswith('relay'):
                self.relay_text = status.message

    def wait(self, condition, seconds):
        start = time.monotonic()
        while time.monotonic() - start < seconds:
            if condition():
                return time.monotonic() - start
            if self.robot is not None:
                self.robot.executor.spin_once(timeout_sec=0.005)
            self.executor.spin_once(timeout_sec=0.005 if self.robot else 0.02)
        return None

    def passed_times(self):
        """Return when each picture was taken that passed, by the test's steady clock."""
        return [self.taken[stamp] for stamp in self.passed]

    def passes_after(self, start, seconds):
        """Return when the first picture was taken that passed after ``start``; None for none."""
        self.wait(lambda: any(at > start for at in self.passed_times()), seconds)
        return min((at for at in self.passed_times() if at > start), default=None)

    def close(self):
        for process in self._others:
            process.kill()
            process.wait()
        if self.robot is not None:
            self.stop_robot()
        return super().close()
