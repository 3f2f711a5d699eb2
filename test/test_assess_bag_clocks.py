# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
What the offline tool says about clocks, compared with what was put into the bag.

Limits: skew within 1 ppm after ten minutes; offset within 0.5 ms of the true one less the
smallest delay; every step of 5 ms or more found within 1 s and sized within 1 ms, and none where
there is none; offset from motion within 2 ms.
"""

from dataclasses import replace
import json

import pytest
from robot_mapping_qa.bag.results import assess
from robot_mapping_qa.configuration import load_configuration
from robot_mapping_qa.rig import load_scenario
from robot_mapping_qa.rig.bag_writer import TRANSPORT_LEAST_S, write_bag
from robot_mapping_qa.rig.clock import ClockSpec
from robot_mapping_qa.rig.delay import DelaySpec
from robot_mapping_qa.rig.faults import ClockStep, DelayRise, Duplicates, Loss, Reordering, Silence
from simulated_clocks import (
    CLOUD, gamma, IMU, INFO, lognormal, ODOMETRY, rising, Stream, two_ways, with_bursts, write)

S = 10 ** 9
TEN_MINUTES_S = 600.0
SKEW_PPM, OFFSET_S, STEP_TIME_S, STEP_SIZE_S, MOTION_S = 1.0, 0.5e-3, 1.0, 1e-3, 2e-3

CONFIGURATION = """
/**:
  ros__parameters:
    streams: [unit_odometry, body_imu, front_camera, roof_lidar]
    unit_odometry: {topic: /unit/odometry, type: nav_msgs/msg/Odometry, role: pose}
    body_imu: {topic: /body/imu, type: sensor_msgs/msg/Imu, role: motion}
    front_camera: {topic: /front/image_raw, timing_topic: /front/camera_info,
      type: sensor_msgs/msg/Image, role: capture}
    roof_lidar: {topic: /roof/points, type: sensor_msgs/msg/PointCloud2, role: geometry}
"""


@pytest.fixture(scope='module')
def configuration(tmp_path_factory):
    path = tmp_path_factory.mktemp('configuration') / 'robot.yaml'
    path.write_text(CONFIGURATION)
    return load_configuration(path)


def summary_of(bag, configuration, folder):
    """Return what is written: summary.json read back."""
    assess(bag, configuration, folder)
    return json.loads((folder / 'summary.json').read_text(encoding='utf-8'))


def check_steps(found, true, start_ns, name):
    """Every true step is found once, in time and size, and nothing else is."""
    assert len(found) == len(true), f'{name}: {found}, true: {true}'
    for step, (at_s, size_s) in zip(found, true):
        late_s = (step['at_ns'] - start_ns) / S - at_s
        assert abs(late_s) <= STEP_TIME_S, f'{name}: found {late_s:.3f} s late'
        assert step['size_s'] == pytest.approx(size_s, abs=STEP_SIZE_S), name


# -- hand-made bags of ten minutes ---------------------------------------------------------------

def four(odometry, imu, camera, lidar, odometry_hz=10.0):
    return [
        Stream('/unit/odometry', ODOMETRY, odometry_hz, **odometry),
        Stream('/body/imu', IMU, 2.5 * odometry_hz, **imu),
        Stream('/front/camera_info', INFO, 10.0, **camera),
        Stream('/roof/points', CLOUD, 10.0, **lidar)]


LONG = {
    'calm': four(
        {'delay': gamma(0.006, 0.0008), 'offset_s': -0.0031, 'skew_ppm': -8.0},
        {'delay': gamma(0.001, 0.0004), 'offset_s': 0.037, 'skew_ppm': 25.0},
        {'delay': lognormal(0.018, 0.0015), 'offset_s': 0.0214, 'skew_ppm': 41.0},
        {'delay': gamma(0.052, 0.002), 'offset_s': -0.011, 'skew_ppm': 2.0}),
    'stepping': four(
        {'delay': gamma(0.004, 0.0010), 'skew_ppm': 5.0},
        {'delay': gamma(0.001, 0.0005), 'skew_ppm': -30.0, 'steps': ((410.0, 0.012),)},
        {'delay': gamma(0.015, 0.0015), 'offset_s': 0.005, 'skew_ppm': 12.0,
         'steps': ((120.0, 0.080), (250.0, -0.080)), 'lost': 0.02},
        {'delay': gamma(0.040, 0.0020), 'steps': ((300.0, -0.005),), 'skew_ppm': 20.0}),
    'rough': four(
        {'delay': with_bursts(gamma(0.005, 0.0015), 40.0, 0.3), 'offset_s': 0.002},
        {'delay': two_ways(0.0015, 0.0060), 'offset_s': -0.048, 'skew_ppm': -17.0, 'lost': 0.05},
        {'delay': two_ways(0.020, 0.034), 'offset_s': 1.75, 'skew_ppm': 33.0, 'lost': 0.05,
         'jitter_s': 0.0002},
        {'delay': rising(lognormal(0.045, 0.002), 333.0, 0.120), 'skew_ppm': -6.0}),
}
"""Rough are the ways only, the clocks are steady. Rates are low to keep the tests quick: clocks
are judged by the least delayed message of each half second, of which there are as many."""
ODOMETRY_OF_ALL = '/rough/unit/odometry'
"""The one that the motion of all three IMUs is compared with; it comes in bursts."""


def configuration_of_all(folder):
    """Return the configuration of a robot that has the streams of all cases."""
    names, lines = [], []
    for case, streams in LONG.items():
        for stream in streams:
            topic = f'/{case}{stream.topic}'
            names.append(topic[1:].replace('/', '_'))
            role = 'motion' if stream.type == IMU else \
                'pose' if topic == ODOMETRY_OF_ALL else 'timing'
            lines.append(f'    {names[-1]}: {{topic: {topic}, type: {stream.type}, role: {role}}}')
    path = folder / 'robot.yaml'
    path.write_text('\n'.join([
        '/**:', '  ros__parameters:', f'    streams: [{", ".join(names)}]', *lines, '']))
    return load_configuration(path)


@pytest.fixture(scope='module')
def ten_minutes_of_all(tmp_path_factory):
    """Return the truth and the summary of one bag of ten minutes with the streams of all cases."""
    folder = tmp_path_factory.mktemp('long')
    streams = [replace(stream, topic=f'/{case}{stream.topic}')
               for case, streams in LONG.items() for stream in streams]
    truth = write(folder / 'bag', streams, TEN_MINUTES_S, seed=8)
    summary = summary_of(folder / 'bag', configuration_of_all(folder), folder / 'out')
    return {stream.topic: stream for stream in streams}, truth, summary


@pytest.fixture(params=LONG)
def ten_minutes(request, ten_minutes_of_all):
    """Return the streams by topic, the truth, and one case's part of the summary."""
    streams, truth, summary = ten_minutes_of_all
    of_case = {part: {name: value for name, value in summary[part].items()
                      if name.startswith(request.param)}
               for part in ('streams', 'motion_offset')}
    assert len(of_case['streams']) == 4
    return streams, truth, of_case


def test_skew_after_ten_minutes(ten_minutes):
    """A clock that stepped is watched across its steps: they do not cost it the time before."""
    streams, _, summary = ten_minutes
    for name, figures in summary['streams'].items():
        stream = streams[figures['topic']]
        assert figures['skew_ppm'] == pytest.approx(stream.skew_ppm, abs=SKEW_PPM), name
        assert figures['skew_sigma_ppm'] < 2.0, name


def test_offset_after_ten_minutes(ten_minutes):
    streams, truth, summary = ten_minutes
    for name, figures in summary['streams'].items():
        topic = figures['topic']
        true_s = streams[topic].clock_s(truth.end_s[topic]) - truth.least_delay_s[topic]
        assert figures['offset_s'] == pytest.approx(true_s, abs=OFFSET_S), name
        assert figures['messages'] == truth.messages[topic]


def test_steps_in_ten_minutes(ten_minutes):
    streams, _, summary = ten_minutes
    start_ns = 1_760_000_000 * S
    for name, figures in summary['streams'].items():
        check_steps(figures['clock_steps'], streams[figures['topic']].steps, start_ns, name)


def test_motion_offset_after_ten_minutes(ten_minutes):
    streams, truth, summary = ten_minutes
    (name, offset), = summary['motion_offset'].items()
    assert offset['usable']
    topic = summary['streams'][name]['topic']
    end_s = truth.end_s[topic]
    true_s = streams[topic].clock_s(end_s) - streams[ODOMETRY_OF_ALL].clock_s(end_s)
    assert offset['value_s'] == pytest.approx(true_s, abs=MOTION_S)
    assert abs(offset['value_s'] - true_s) <= 4.0 * offset['sigma_s']


# -- bags of the rig, at the usual rates ---------------------------------------------------------

def rig(**settings):
    """Return a scenario of 70 s with a lidar that sends next to nothing."""
    scenario = replace(load_scenario('healthy'), duration_s=70.0, faults=())
    scenario = scenario.with_sensor('roof_lidar', rings=1, columns=12)
    for name, (offset_s, skew_ppm, least_s, queue_s) in settings.pop('clocks').items():
        scenario = scenario.with_sensor(
            name, clock=ClockSpec(offset_s, skew_ppm),
            delay=DelaySpec(least_s=least_s, queue_mean_s=queue_s, **settings.pop(name, {})))
    return replace(scenario, **settings)


RIG = {
    'steps': rig(seed=12, clocks={
        'unit_odometry': (0.0, 0.0, 0.006, 0.0006), 'body_imu': (0.025, 10.0, 0.001, 0.0003),
        'front_camera': (0.004, 12.0, 0.018, 0.0020), 'roof_lidar': (0.001, 3.0, 0.035, 0.0030)},
        faults=(
            ClockStep(sensor='front_camera', at_s=20.0, until_s=45.0, size_s=0.080),
            ClockStep(sensor='roof_lidar', at_s=33.0, size_s=-0.006),
            ClockStep(sensor='body_imu', at_s=30.0, size_s=0.040))),
    'clocks far apart, the unit steps': rig(seed=13, clocks={
        'unit_odometry': (0.140, 18.0, 0.008, 0.0010), 'body_imu': (-0.060, -22.0, 0.001, 0.0004),
        'front_camera': (0.037, 25.0, 0.025, 0.0020), 'roof_lidar': (0.0, 0.0, 0.050, 0.0030)},
        faults=(ClockStep(sensor='unit_odometry', at_s=25.0, size_s=-0.030),)),
    'bad ways': rig(seed=14, clocks={
        'unit_odometry': (0.003, -6.0, 0.006, 0.0010), 'body_imu': (-0.012, 30.0, 0.002, 0.0006),
        'front_camera': (0.050, 12.0, 0.018, 0.0040), 'roof_lidar': (-0.004, 3.0, 0.035, 0.0060)},
        unit_odometry={'burst_every_s': 15.0, 'burst_length_s': 0.25},
        faults=(
            DelayRise(sensor='roof_lidar', at_s=30.0, until_s=50.0, to_s=0.300),
            Silence(sensor='front_camera', at_s=25.0, until_s=29.0),
            Loss(sensor='body_imu', at_s=0.0, until_s=30.0, every=9),
            Reordering(sensor='body_imu', at_s=31.0, until_s=50.0, every=25),
            Duplicates(sensor='body_imu', at_s=51.0, until_s=69.0, every=30))),
}


@pytest.fixture(scope='module', params=RIG)
def walk(request, configuration, tmp_path_factory):
    """Return the scenario, its truth and the summary of a bag of the rig."""
    folder = tmp_path_factory.mktemp('rig')
    scenario = RIG[request.param]
    truth = write_bag(scenario, folder / 'bag', pictures=False)
    return scenario, truth, summary_of(folder / 'bag', configuration, folder / 'out')


def clock_s(scenario, truth, name, at_s):
    """Return the true offset of a sensor's clock, s."""
    clock = truth['sensors'][name]['clock']
    return clock['offset_s'] + 1e-6 * clock['skew_ppm'] * at_s + sum(
        step['size_s'] for step in clock['steps']
        if at_s >= (step['at_ns'] - truth['start_ns']) / S)


def test_offset_of_the_rig(walk):
    scenario, truth, summary = walk
    for name, figures in summary['streams'].items():
        least_s = scenario.sensors[name].delay.least_s + TRANSPORT_LEAST_S
        end_s = scenario.duration_s - 0.5 / scenario.sensors[name].rate_hz
        true_s = clock_s(scenario, truth, name, end_s) - least_s
        assert figures['offset_s'] == pytest.approx(true_s, abs=OFFSET_S), name


def test_steps_of_the_rig(walk):
    _, truth, summary = walk
    for name, figures in summary['streams'].items():
        true = [((step['at_ns'] - truth['start_ns']) / S, step['size_s'])
                for step in truth['sensors'][name]['clock']['steps']]
        check_steps(figures['clock_steps'], true, truth['start_ns'], name)


def test_motion_offset_of_the_rig(walk):
    """Odometry at 100 Hz against an IMU at 200 Hz."""
    scenario, truth, summary = walk
    offset = summary['motion_offset']['body_imu']
    assert offset['usable']
    end_s = scenario.duration_s
    true_s = clock_s(scenario, truth, 'body_imu', end_s) \
        - clock_s(scenario, truth, 'unit_odometry', end_s)
    assert offset['value_s'] == pytest.approx(true_s, abs=MOTION_S)


# -- independent estimates -----------------------------------------------------------------------

@pytest.mark.parametrize('held_back_s, disagrees', [(0.010, False), (0.600, True)])
def test_data_held_back_on_its_way_shows_between_one_way_and_motion(
        held_back_s, disagrees, configuration, tmp_path):
    """By one way alone an IMU that is sent late has a clock that is behind; its motion has not."""
    streams = four({'delay': gamma(0.005, 0.001)}, {'delay': gamma(held_back_s, 0.001)},
                   {'delay': gamma(0.020, 0.002)}, {'delay': gamma(0.040, 0.002)},
                   odometry_hz=20.0)
    write(tmp_path / 'bag', streams, 45.0, seed=21)
    summary = summary_of(tmp_path / 'bag', configuration, tmp_path / 'out')
    assert summary['streams']['body_imu']['offset_s'] == pytest.approx(-held_back_s, abs=1e-3)
    assert summary['motion_offset']['body_imu']['value_s'] == pytest.approx(0.0, abs=MOTION_S)
    page = (tmp_path / 'out' / 'report.html').read_text(encoding='utf-8')
    assert ('Two estimates of the clock of body_imu disagree' in page) == disagrees
    assert ('data is held back before the host gets it' in page) == disagrees
