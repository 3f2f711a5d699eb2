# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
Broken input by a seeded generator, for the readers of bytes, texts and files.

A target takes a generator and the number of a case, and lets out only the refusals that its
caller expects. ``python test/fuzzing.py --cases 1000000`` runs the study; the suite runs a few
thousand cases of each target.
"""

import argparse
from io import BytesIO
from pathlib import Path
import random
import resource
import signal
import struct
import tempfile
import time
from types import SimpleNamespace

import hand_made_bags as bags
import numpy as np
from PIL import Image
from robot_mapping_qa.bag.reading import BagError, Recording
from robot_mapping_qa.capture.gate import Gate
from robot_mapping_qa.capture.limits import GateLimits
from robot_mapping_qa.configuration import ConfigurationError, load_configuration
from robot_mapping_qa.messages.angular_velocity import angular_velocity_reader
from robot_mapping_qa.messages.factory import make_header, RosbagsFactory
from robot_mapping_qa.messages.picture import read_compressed_image, read_image
from robot_mapping_qa.messages.point_cloud import read_points
from robot_mapping_qa.messages.serialized import (
    MalformedMessage, POSE_READERS, read_header, read_imu, read_stamp)
from robot_mapping_qa.messages.verdict_message import verdict_from_message, verdict_to_message
from robot_mapping_qa.monitors import make_pose_monitor, make_timing_monitor
from robot_mapping_qa.pose_inputs import pose_input
from robot_mapping_qa.records import Odometry
from robot_mapping_qa.verdicts import Condition, Severity, Verdict
from rosbags.typesys import get_typestore, Stores

LONGEST_CASE_S = 2.0
"""A case that takes more computing time counts as a hang."""

STORE = get_typestore(Stores.ROS2_JAZZY)
FACTORY = RosbagsFactory(STORE)
NASTY_NUMBERS = (0.0, -0.0, 1e308, -1e308, 5e-324, float('nan'), float('inf'), float('-inf'), -1.0)
NASTY_WORDS = (0, 1, 2 ** 31 - 1, 2 ** 31, 2 ** 32 - 1, 0x7f, 10 ** 9)


class Hang(Exception):
    """A case that did not end in time."""


def broken_bytes(rng, data, skip=0):
    """Return bytes cut, flipped, overwritten, repeated or lengthened, as links and disks do."""
    data = bytearray(data)
    for _ in range(rng.choice((1, 1, 1, 2, 5))):
        if len(data) <= skip:
            break
        place = rng.randrange(skip, len(data))
        kind = rng.randrange(6)
        if kind == 0:
            del data[place:]
        elif kind == 1:
            data[place] ^= 1 << rng.randrange(8)
        elif kind == 2:
            data[place:place + 4] = struct.pack('<I', rng.choice(NASTY_WORDS))
        elif kind == 3:
            place -= (place - 4) % 8
            data[max(place, skip):max(place, skip) + 8] = struct.pack(
                '<d', rng.choice(NASTY_NUMBERS))
        elif kind == 4:
            end = rng.randrange(place, len(data)) + 1
            data[place:place] = data[place:end][:64]
        else:
            data += rng.randbytes(rng.randrange(1, 64))
    return bytes(data)


def broken_text(rng, text):
    """Return a text with characters, lines or values damaged as by hand or by a bad copy."""
    for _ in range(rng.choice((1, 1, 2, 4))):
        lines = text.split('\n')
        number = rng.randrange(len(lines))
        place = rng.randrange(len(text) + 1)
        kind = rng.randrange(6)
        if kind == 0:
            text = text[:place]
        elif kind == 1:
            text = text[:place] + rng.choice(_CHARACTERS) + text[place + rng.randrange(2):]
        elif kind == 2:
            lines.insert(number, lines[rng.randrange(len(lines))])
            text = '\n'.join(lines)
        elif kind == 3:
            lines[number] = lines[number].partition(':')[0] + ': ' + rng.choice(_VALUES)
            text = '\n'.join(lines)
        elif kind == 4:
            lines[number] = rng.choice(('  ', '\t', '- ', '')) + lines[number].lstrip()
            text = '\n'.join(lines)
        else:
            text = text.replace(rng.choice(_WORDS), rng.choice(_WORDS), 1)
    return text


_CHARACTERS = [*'{}[]:,-#&*!|>%@`"\'\n\t ?~<=.0\\', '\x00', '\ufeff', '\x85', '\u2028', '\x7f']
_VALUES = [
    '', '[]', '{}', '-1', '1e400', '.nan', '-.inf', 'true', 'no', '0x_', '._', '1_', '2020-02-31',
    '12:30:45', '[1, [2, 3]]', '[1.0, 2.0, 3.0]', '"', '!!int x', '&a [*a]', '[nan, x, true]',
    '9' * 5000, '/a/b', 'sensor_msgs/msg/Imu', 'host:99999', '[::1]:123', '<<', '{a: {b: 1}}',
    '|', '? x', "''", '!!python/name:os.system x']
_WORDS = [
    'streams', 'unit_odometry', 'front_camera', 'topic', 'type', 'role', 'pose', 'capture',
    'gate', 'timing', 'ros__parameters', '/**', 'working_distance_m', 'rate_hz', '"', ':', '  ']


def fresh(message):
    """Return a message serialized."""
    return bytes(STORE.serialize_cdr(message, message.__msgtype__))


def sample_messages():
    """Return one serialized message of each type that is read by this package."""
    make, header = FACTORY.make, make_header(FACTORY, 1_795_597_457_224_057_257, 'map')
    point = make('geometry_msgs/msg/Point', x=1.0, y=2.0, z=3.0)
    turn = make('geometry_msgs/msg/Quaternion', x=0.0, y=0.0, z=0.6, w=0.8)
    vector = make('geometry_msgs/msg/Vector3', x=0.1, y=0.2, z=0.3)
    pose = make('geometry_msgs/msg/Pose', position=point, orientation=turn)
    sure = make('geometry_msgs/msg/PoseWithCovariance', pose=pose,
                covariance=np.diag([1e-4] * 6).ravel())
    twist = make('geometry_msgs/msg/TwistWithCovariance', covariance=np.zeros(36),
                 twist=make('geometry_msgs/msg/Twist', linear=vector, angular=vector))
    messages = [
        make('nav_msgs/msg/Odometry', header=header, child_frame_id='unit', pose=sure,
             twist=twist),
        make('geometry_msgs/msg/PoseWithCovarianceStamped', header=header, pose=sure),
        make('geometry_msgs/msg/PoseStamped', header=header, pose=pose),
        make('sensor_msgs/msg/Imu', header=header, orientation=turn,
             orientation_covariance=np.zeros(9), angular_velocity=vector,
             angular_velocity_covariance=np.zeros(9), linear_acceleration=vector,
             linear_acceleration_covariance=np.zeros(9))]
    return {message.__msgtype__: fresh(message) for message in messages}


class Headers:
    """Stamp and frame of any message."""

    def __init__(self, folder):
        self._samples = list(sample_messages().values())

    def __call__(self, rng, number):
        data = broken_bytes(rng, rng.choice(self._samples))
        for read in (read_stamp, read_header):
            try:
                read(data)
            except MalformedMessage:
                pass


BESIDE = {
    'imu': ('sensor_msgs/msg/Imu', 'motion'), 'wheels': ('nav_msgs/msg/Odometry', 'motion'),
    'corrected': ('geometry_msgs/msg/PoseStamped', 'map_pose')}
"""Type and role of what tells the pose monitor something beside the pose."""


class Moving:
    """Messages whose stamps go on, so that what can still be read is judged and not just old."""

    def __init__(self, types, whole=0.3):
        self._samples = {name: data for name, data in sample_messages().items() if name in types}
        self._whole = whole
        self.now_ns = bags.START_NS

    def next(self, rng):
        self.now_ns += 10_000_000
        name = rng.choice(list(self._samples))
        data = bytearray(self._samples[name])
        struct.pack_into('<iI', data, 4, *divmod(self.now_ns, 10 ** 9))
        return name, (bytes(data) if rng.random() < self._whole
                      else broken_bytes(rng, bytes(data)))


class Poses:
    """Odometry and poses into the pose monitor, which lives through all cases."""

    def __init__(self, folder):
        self._messages = Moving(POSE_READERS)
        self._monitor = make_pose_monitor(configuration(folder))

    def __call__(self, rng, number):
        name, data = self._messages.next(rng)
        now_ns = self._messages.now_ns + 5_000_000
        try:
            odometry = POSE_READERS[name](data)
        except MalformedMessage as error:
            self._monitor.malformed(now_ns, str(error))
        else:
            self._monitor.add(odometry, now_ns)
        if number % 5 == 0:
            self._monitor.tick(now_ns)
            verdict_to_message(FACTORY, self._monitor.verdict(now_ns))
            self._monitor.corrected_pose()


class BesidePoses:
    """Motion and map poses beside a unit that is well, into the pose monitor."""

    def __init__(self, folder):
        file = Path(folder) / 'beside.yaml'
        file.write_text(bags.CONFIGURATION.replace(
            'front_camera]', 'front_camera, ' + ', '.join(BESIDE) + ']') + ''.join(
                f'    {name}: {{topic: /{name}, type: {type_}, role: {role}}}\n'
                for name, (type_, role) in BESIDE.items()))
        found = load_configuration(file)
        self._monitor = make_pose_monitor(found)
        self._beside = [
            (pose_input(stream, found, self._monitor, lambda events: None),
             Moving([stream.type], whole=0.9)) for stream in found.streams
            if stream.name in BESIDE]

    def __call__(self, rng, number):
        for take, messages in self._beside:
            _, data = messages.next(rng)
            take(messages.now_ns + 5_000_000, data)
        now_ns = messages.now_ns + 5_000_000
        self._monitor.add(Odometry(
            messages.now_ns, 'odom', 'unit', np.array([0.001 * number, 0.0, 0.0]),
            np.array([0.0, 0.0, 0.0, 1.0]), (1e-6 + 1e-9 * number) * np.eye(6), None, None, None),
            now_ns)
        if number % 5 == 0:
            verdict_to_message(FACTORY, self._monitor.verdict(now_ns))
            self._monitor.corrected_pose()


class Motion:
    """IMU and odometry for the offset from motion."""

    def __init__(self, folder):
        types = ('sensor_msgs/msg/Imu', 'nav_msgs/msg/Odometry')
        self._messages = Moving(types)
        self._readers = {name: angular_velocity_reader(name) for name in types}

    def __call__(self, rng, number):
        name, data = self._messages.next(rng)
        for read in (self._readers[name], read_imu):
            try:
                read(data)
            except MalformedMessage:
                pass


class Contents:
    """Clouds and pictures, whose sizes may contradict each other."""

    def __init__(self, folder):
        make, header = FACTORY.make, make_header(FACTORY, bags.START_NS, 'lidar')
        fields = [make('sensor_msgs/msg/PointField', name=name, offset=4 * place, datatype=7,
                       count=1) for place, name in enumerate('xyz')]
        self._samples = [(read_points, fresh(make(
            'sensor_msgs/msg/PointCloud2', header=header, height=2, width=5, fields=fields,
            is_bigendian=False, point_step=16, row_step=80, is_dense=True,
            data=np.zeros(160, np.uint8))))]
        for encoding, step in (('rgb8', 24), ('mono16', 16), ('bayer_rggb8', 8), ('uyvy', 16)):
            self._samples.append((read_image, fresh(make(
                'sensor_msgs/msg/Image', header=header, height=6, width=8, encoding=encoding,
                is_bigendian=0, step=step, data=np.arange(6 * step, dtype=np.uint8)))))
        buffer = BytesIO()
        Image.fromarray(np.arange(64, dtype=np.uint8).reshape(8, 8)).save(buffer, 'JPEG')
        self._samples.append((read_compressed_image, fresh(make(
            'sensor_msgs/msg/CompressedImage', header=header, format='jpeg',
            data=np.frombuffer(buffer.getvalue(), np.uint8)))))

    def __call__(self, rng, number):
        read, data = rng.choice(self._samples)
        try:
            read(broken_bytes(rng, data, skip=4))
        except MalformedMessage:
            pass


class Times:
    """Stamps of any value into the timing monitor, which lives through all cases."""

    def __init__(self, folder):
        self._messages = Moving(['nav_msgs/msg/Odometry'])
        self._monitor = make_timing_monitor(configuration(folder))
        self._names = list(self._monitor.streams)

    def __call__(self, rng, number):
        _, data = self._messages.next(rng)
        now_ns = self._messages.now_ns + rng.choice((5_000_000, 6_000_000, 300_000_000))
        name = rng.choice(self._names)
        try:
            stamp_ns = read_stamp(data)
        except MalformedMessage as error:
            self._monitor.malformed(name, now_ns, str(error))
        else:
            self._monitor.add(name, stamp_ns, now_ns, rng.choice((None, 0, now_ns)), now_ns)
        if number % 5 == 0:
            self._monitor.tick(now_ns)
            verdict_to_message(FACTORY, self._monitor.verdict(now_ns))
        if number % 100 == 0:
            self._monitor.figures(name)


class Verdicts:
    """Verdicts from elsewhere into the gate."""

    def __init__(self, folder):
        self._gate = Gate(GateLimits(), 0.05, bags.START_NS)
        self._now_ns = bags.START_NS

    def __call__(self, rng, number):
        self._now_ns += 20_000_000
        verdict = Verdict(rng.choice(('timing', 'pose')), self._now_ns, (
            Condition('unit/silent', 'silent', Severity.HARD, self._now_ns),
            Condition('unit/late', 'late', Severity.SOFT, self._now_ns)),
            {'point_error_m': 0.01})
        message = verdict_to_message(FACTORY, verdict)
        # Plain objects, as the type store's are frozen.
        statuses = [SimpleNamespace(
            name=status.name, message=status.message, level=bytes([status.level]),
            values=[SimpleNamespace(key=each.key, value=each.value) for each in status.values])
            for status in message.status]
        for _ in range(rng.choice((0, 1, 1, 2))):
            self._break(rng, statuses)
        stamp = message.header.stamp if rng.random() < 0.9 else SimpleNamespace(
            sec=rng.choice((0, -2 ** 31, 2 ** 31 - 1)), nanosec=rng.choice((0, 2 ** 32 - 1)))
        try:
            self._gate.receive(verdict_from_message(SimpleNamespace(
                status=statuses, header=SimpleNamespace(stamp=stamp))))
        except ValueError:
            pass
        self._gate.update(self._now_ns)

    @staticmethod
    def _break(rng, statuses):
        if not statuses or rng.random() < 0.1:
            statuses.clear()
            return
        status = rng.choice(statuses)
        kind = rng.randrange(5)
        text = rng.choice(('', 'pose', 'timing', '/', 'nan', '1e999', '-5', '9' * 5000, '\x00'))
        if kind == 0:
            status.level = bytes([rng.randrange(256)])
        elif kind == 1:
            status.name = text
        elif kind == 2 and status.values:
            rng.choice(status.values).value = text
        elif kind == 3 and status.values:
            rng.choice(status.values).key = text
        else:
            status.values = []


class Configurations:
    """Parameter files damaged character by character."""

    def __init__(self, folder):
        self._file = Path(folder) / 'fuzzed.yaml'

    def __call__(self, rng, number):
        text = broken_text(rng, bags.CONFIGURATION)
        self._file.write_bytes(text.encode('utf-8') if rng.random() < 0.9 else
                               broken_bytes(rng, text.encode('utf-8')))
        try:
            load_configuration(self._file)
        except ConfigurationError:
            pass


class Bags:
    """Bags of each format with damaged bytes, opened and read to the end."""

    def __init__(self, folder):
        self._folder = Path(folder)
        self._streams = configuration(folder).streams
        sent = bags.drive(1.0)
        self._contents = []
        for storage in ('mcap', 'sqlite3', 'rosbag1'):
            path = bags.write(self._folder / f'{storage}.bag' if storage == 'rosbag1' else
                              self._folder / storage, sent, storage)
            files = [path] if path.is_file() else sorted(path.iterdir())
            self._contents += [(path, file, file.read_bytes()) for file in files]

    def __call__(self, rng, number):
        path, file, data = rng.choice(self._contents)
        # The records with names and lengths lie at the ends; in between are messages.
        if rng.random() < 0.5:
            part = broken_bytes(rng, data[:400]) + data[400:]
        elif rng.random() < 0.5:
            part = data[:-600] + broken_bytes(rng, data[-600:])
        else:
            part = broken_bytes(rng, data)
        file.write_bytes(part)
        try:
            with Recording(path, self._streams) as recording:
                for _ in recording.messages():
                    pass
        except BagError:
            pass
        finally:
            file.write_bytes(data)


TARGETS = {
    'headers': Headers, 'poses': Poses, 'beside': BesidePoses, 'motion': Motion,
    'contents': Contents, 'times': Times, 'verdicts': Verdicts, 'configurations': Configurations,
    'bags': Bags}


def configuration(folder):
    """Return a configuration with a pose stream and a camera."""
    file = Path(folder) / 'good.yaml'
    file.write_text(bags.CONFIGURATION)
    return load_configuration(file)


def run_cases(target, seed, numbers):
    """Run cases of one target; raise `Hang`, or what a case let out, with its number noted."""
    def too_long(_number, _frame):
        raise Hang
    before = signal.signal(signal.SIGPROF, too_long)
    try:
        for number in numbers:
            signal.setitimer(signal.ITIMER_PROF, LONGEST_CASE_S)
            try:
                target(random.Random(f'{seed}/{number}'), number)
            except Exception as error:
                raise AssertionError(
                    f'{type(target).__name__}, seed {seed}, case {number}: {error!r}') from error
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0.0)
        signal.signal(signal.SIGPROF, before)


def main():
    """Run the study and print one line a target."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument('--cases', type=int, default=100_000, help='cases of each target')
    parser.add_argument('--seed', type=int, default=1)
    parser.add_argument('targets', nargs='*', choices=[*TARGETS, []], default=[])
    given = parser.parse_args()
    for name in given.targets or TARGETS:
        with tempfile.TemporaryDirectory() as folder:
            target = TARGETS[name](folder)
            warm = given.cases // 10
            run_cases(target, given.seed, range(warm))
            before_kb, start = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss, time.time()
            run_cases(target, given.seed, range(warm, given.cases))
            grown_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before_kb
            each_us = (time.time() - start) / (given.cases - warm) * 1e6
            print(f'{name}: {given.cases} cases, {each_us:.0f} us each, memory grew by '
                  f'{grown_kb / 1024:.1f} MB after the first tenth', flush=True)


if __name__ == '__main__':
    main()
