# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Bags whose log time leaps: the host's clock was set, or recording stood still."""

import struct

import pytest
from robot_mapping_qa.bag.assessment import Assessment
from robot_mapping_qa.configuration import configuration_from_parameters
from robot_mapping_qa.messages.factory import RosbagsFactory
from robot_mapping_qa.messages.outputs import clock_offset_message
from robot_mapping_qa.monitors import make_timing_monitor
from robot_mapping_qa.rates import first_tick_ns, TICK_NS
from rosbags.typesys import get_typestore, Stores

S = 1_000_000_000
START_NS = 1_750_000_000 * S
SET_AT_S, END_S = 12.0, 24.0
RATES_HZ = {'unit': 50.0, 'camera': 10.0, 'imu': 100.0}
CONFIGURATION = configuration_from_parameters({
    'streams': list(RATES_HZ),
    'unit.topic': '/unit', 'unit.type': 'nav_msgs/msg/Odometry', 'unit.role': 'pose',
    'camera.topic': '/camera', 'camera.type': 'sensor_msgs/msg/Image', 'camera.role': 'capture',
    'imu.topic': '/imu', 'imu.type': 'sensor_msgs/msg/Imu', 'imu.role': 'timing'})


def header(stamp_ns):
    """Return the beginning of a message, which is all that is read of a stamp."""
    return bytes((0, 1, 0, 0)) + struct.pack('<iI', stamp_ns // S, stamp_ns % S) + bytes(8)


def messages(host_ns):
    """Yield stream, host time and stamp, the stamps by clocks that are right, in order."""
    rows = sorted((round((number / rate_hz + 0.004) * S), name, round(number / rate_hz * S))
                  for name, rate_hz in RATES_HZ.items()
                  for number in range(round(END_S * rate_hz)))
    for arrival, name, stamp in rows:
        yield name, host_ns(arrival), START_NS + stamp


class Watcher:
    """Keeps events and the conditions of each tick."""

    def __init__(self):
        self.ticks, self.restarts = [], []

    def happened(self, events, now_ns):
        self.restarts += [(e.subject, e.text) for e in events
                          if e.kind == 'time_restarted' and e.subject in RATES_HZ
                          and 'forward' in e.text]

    def decided(self, decision, hold):
        pass

    def ticked(self, assessment, now_ns):
        self.ticks.append((now_ns, {c.key for c in assessment.timing_verdict.conditions}))


def assess(host_ns):
    watcher = Watcher()
    assessment = Assessment(CONFIGURATION, host_ns(0), watcher)
    streams = {stream.name: stream for stream in CONFIGURATION.streams}
    for name, log_ns, stamp_ns in messages(host_ns):
        assessment.take(streams[name], log_ns, header(stamp_ns))
    assessment.finish(host_ns(round(END_S * S)))
    return assessment, watcher


def watch_live(host_ns):
    """Return the conditions of each tick and the restarts of a live monitor."""
    monitor = make_timing_monitor(CONFIGURATION)
    ticks, restarts = [], []
    tick_ns = first_tick_ns(host_ns(0))
    for name, now_ns, stamp_ns in messages(host_ns):
        if now_ns - tick_ns > 600 * S:
            tick_ns = first_tick_ns(now_ns)
        while tick_ns <= now_ns:
            monitor.tick(tick_ns)
            ticks.append((tick_ns, {c.key for c in monitor.verdict(tick_ns).conditions}))
            tick_ns += TICK_NS
        restarts += [(e.subject, e.text) for e in monitor.add(name, stamp_ns, now_ns)
                     if e.kind == 'time_restarted']
    return ticks, restarts


@pytest.mark.parametrize('leap_s', [601, 660, 3600, 86400, 1_750_000_000])
def test_bag_of_a_host_that_is_set_is_judged_as_live(leap_s):
    def host_ns(time_ns):
        return START_NS + time_ns - (0 if time_ns >= SET_AT_S * S else leap_s * S)
    _, watcher = assess(host_ns)
    live, restarts = watch_live(host_ns)
    assert {name for name, _ in restarts} == set(RATES_HZ)
    assert watcher.restarts == restarts
    set_ns = host_ns(round(SET_AT_S * S))
    assert len([now_ns for now_ns, _ in watcher.ticks if now_ns < set_ns]) <= (
        (SET_AT_S + 61.0) * S / TICK_NS)
    begin_ns = set_ns + S
    assert [tick for tick in watcher.ticks if begin_ns <= tick[0] <= live[-1][0]] == [
        tick for tick in live if tick[0] >= begin_ns]
    assert watcher.ticks[-1][1] == set()


def test_silence_of_a_recording_that_stood_still_for_an_hour_shows_and_nothing_restarts():
    pause_s = 3600
    watcher = Watcher()
    assessment = Assessment(CONFIGURATION, START_NS, watcher)
    streams = {stream.name: stream for stream in CONFIGURATION.streams}
    for name, log_ns, stamp_ns in messages(lambda time_ns: START_NS + time_ns):
        later_ns = pause_s * S * (stamp_ns >= START_NS + SET_AT_S * S)
        assessment.take(streams[name], log_ns + later_ns, header(stamp_ns + later_ns))
    end_ns = START_NS + round((END_S + pause_s) * S)
    assessment.finish(end_ns)
    assert watcher.restarts == []
    silent = [now_ns for now_ns, keys in watcher.ticks if 'camera/silent' in keys]
    assert silent[0] < START_NS + (SET_AT_S + 1.0) * S
    assert silent[-1] > START_NS + (SET_AT_S + 50.0) * S
    assert len(watcher.ticks) < (END_S + 61.0) * S / TICK_NS
    silence, = assessment.timing.figures('camera').silences
    assert (silence.to_ns - silence.from_ns) * 1e-9 == pytest.approx(pause_s, abs=0.2)
    assert not {key for key in watcher.ticks[-1][1] if key.endswith(('silent', 'moved'))}


def test_end_of_a_bag_far_after_its_last_message_takes_no_time():
    watcher = Watcher()
    assessment = Assessment(CONFIGURATION, START_NS, watcher)
    assessment.finish(START_NS + 10**9 * S)
    assert 1000 < len(watcher.ticks) < 1300
    assert assessment.end_ns == START_NS + 10**9 * S


@pytest.mark.parametrize('offset_s, fits', [
    (0.02, True), (-1.7e9, True), (3e8, True), (1.7e9, False), (-5e9, False)])
def test_clock_offset_that_no_message_holds_is_left_out(offset_s, fits):
    store = get_typestore(Stores.ROS2_JAZZY)
    message = clock_offset_message(RosbagsFactory(store), 'imu', START_NS, offset_s)
    assert (message is not None) == fits
    if fits:
        data = store.serialize_cdr(message, 'sensor_msgs/msg/TimeReference')
        read = store.deserialize_cdr(data, 'sensor_msgs/msg/TimeReference').time_ref
        assert read.sec + read.nanosec * 1e-9 == pytest.approx(1.75e9 + offset_s, abs=1e-6)
