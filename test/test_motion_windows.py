# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Offsets from motion over a whole recording, with clocks that drift and step."""

from dataclasses import replace

import numpy as np
import pytest
from robot_mapping_qa.timing.motion_offset import MotionOffsetEstimate
from robot_mapping_qa.timing.motion_windows import MotionWindow, MotionWindows

S = 1_000_000_000
START_NS = 1_760_000_000 * S


def turn(times_s):
    """A smooth, never repeating turn rate about the vertical."""
    return sum(0.2 * np.sin(2 * np.pi * times_s / period + phase) for period, phase in (
        (1.7, 0.3), (2.9, 1.1), (4.7, 2.0), (8.3, 0.7), (13.1, 1.9)))


def run(offset, apart, duration_s=300.0, step=None, still_from_s=None):
    """Feed a recording; ``offset`` and ``step`` (host s, size s) make the stream's clock."""
    windows = MotionWindows(['imu'])
    add = windows.adder('imu')
    rng = np.random.default_rng(3)
    t = np.arange(0.0, duration_s, 0.02)
    rate = turn(t)
    if still_from_s is not None:
        rate[t > still_from_s] = 0.0
    unit, imu = (rate + 0.002 * rng.standard_normal(len(t)) for _ in range(2))
    stepped = False
    for time_s, w_unit, w_imu in zip(t.tolist(), unit.tolist(), imu.tolist()):
        host_ns = START_NS + round(time_s * S)
        shift_s = offset(time_s)
        if step is not None and time_s >= step[0]:
            shift_s += step[1]
            if not stepped and time_s > step[0] + 0.3:
                # A step is found a little after it happened.
                stepped = True
                windows.forget('imu', START_NS + round(step[0] * S))
        if windows.due(host_ns):
            windows.close(apart)
        windows.add_reference(host_ns, host_ns, 0.0, 0.0, w_unit)
        add(host_ns, host_ns + round(shift_s * S), 0.0, 0.0, w_imu)
    windows.close(apart)
    return windows.offset('imu', START_NS + round(duration_s * S), apart)


def drifting(skew, delays_s=0.004):
    """Return a clock with a skew, and what one-way data says of it: wrong by the delays."""
    def offset(time_s):
        return 0.020 + skew * time_s

    def apart(name, at_ns):
        return offset((at_ns - START_NS) * 1e-9) - delays_s, 1e-5
    return offset, apart


def test_offset_belongs_to_the_end_although_the_clock_drifts():
    """50 ppm are 15 ms in five minutes."""
    offset, apart = drifting(50e-6)
    found = run(offset, apart)
    assert found.usable
    assert found.value_s == pytest.approx(offset(300.0), abs=5e-4)
    assert abs(found.value_s - offset(300.0)) < 4.0 * found.sigma_s
    assert found.sigma_s < 2e-4


def test_clocks_of_different_epochs():
    """A clock that starts at zero when it is switched on."""
    found = run(lambda t: -1.7e9 + 0.3, lambda name, at: (-1.7e9 + 0.31, 1e-5), duration_s=70.0)
    assert found.value_s == pytest.approx(-1.7e9 + 0.3, abs=1e-3)


def test_only_what_follows_a_step_counts():
    offset, _ = drifting(0.0)
    found = run(offset, lambda name, at: (
        0.016 + (0.080 if at >= START_NS + 200 * S else 0.0), 1e-5), step=(200.0, 0.080))
    assert found.value_s == pytest.approx(0.100, abs=1e-3)


def test_standing_still_at_the_end_does_no_harm():
    offset, apart = drifting(20e-6)
    found = run(offset, apart, still_from_s=130.0)
    assert found.value_s == pytest.approx(offset(300.0), abs=5e-4)


def test_robot_that_never_turns_gets_no_number():
    offset, apart = drifting(0.0)
    found = run(offset, apart, duration_s=130.0, still_from_s=-1.0)
    assert not found.usable
    assert found.value_s is None and found.sigma_s is None
    assert 'not turned enough' in found.reason


def test_nothing_recorded_gets_no_number():
    found = MotionWindows(['imu']).offset('imu', START_NS, lambda name, at: (0.0, 1e-5))
    assert not found.usable
    assert 'no time in which' in found.reason


@pytest.mark.parametrize('odd_s', [5 - 1_760_000_000, 1e8])
@pytest.mark.parametrize('odd_of', ['unit', 'imu', 'first of both'])
def test_stamp_of_another_epoch_does_no_harm(odd_s, odd_of):
    offset, apart = drifting(20e-6)
    windows = MotionWindows(['imu'])
    add = windows.adder('imu')
    t = np.arange(0.0, 59.0, 0.02)
    for count, (time_s, rate) in enumerate(zip(t.tolist(), turn(t).tolist())):
        host_ns = START_NS + round(time_s * S)
        odd_ns = round(odd_s * S)
        first = odd_of == 'first of both' and count < 5
        windows.add_reference(host_ns, host_ns + odd_ns * (
            first or odd_of == 'unit' and count == 1500), 0.0, 0.0, rate)
        add(host_ns, host_ns + round(offset(time_s) * S) + odd_ns * (
            first or odd_of == 'imu' and count == 1500), 0.0, 0.0, rate)
    windows.close(apart)
    found = windows.offset('imu', START_NS + 59 * S, apart)
    assert found.value_s == pytest.approx(offset(59.0), abs=5e-4)


def test_memory_is_bounded_while_the_unit_is_silent_and_after_time_went_back():
    windows = MotionWindows(['imu'])
    add = windows.adder('imu')
    for start_s in (0, -3600):
        for count in range(20 * 600):
            now_ns = START_NS + start_s * S + count * S // 20
            add(now_ns, now_ns, 0.0, 0.0, 0.1)
            if windows.due(now_ns):
                windows.close(lambda name, at: (0.0, 1e-5))
            assert len(windows._streams['imu']._stamps) <= 20 * 60 + 1
    assert windows.windows['imu'] == []


def test_time_that_restarts_leaves_nothing_of_before():
    windows = MotionWindows(['imu', 'wheels'])
    for name in ('imu', 'wheels'):
        windows.adder(name)(START_NS, START_NS, 0.0, 0.0, 0.1)
    windows.add_reference(START_NS, START_NS, 0.0, 0.0, 0.1)
    windows.forget('imu', None)
    assert [len(windows._streams[name]._stamps) for name in ('imu', 'wheels')] == [0, 1]
    windows.forget(None, None)
    assert len(windows._reference._stamps) == len(windows._streams['wheels']._stamps) == 0


def test_one_wrong_window_does_not_move_the_mean():
    good = MotionOffsetEstimate(0.020, 2e-4, True, '', 0.99, 0.3)
    windows = MotionWindows(['imu'])
    windows.windows['imu'] = [
        MotionWindow(START_NS, replace(good, value_s=0.020 + error_s), 0.0, 0.0)
        for error_s in (1e-4, -2e-4, 0.0, 0.250, 1e-4)]
    found = windows.offset('imu', START_NS, lambda name, at: (0.0, 0.0))
    assert found.value_s == pytest.approx(0.020, abs=1e-9)
    assert found.sigma_s == pytest.approx(1e-4)


def test_windows_that_scatter_widen_sigma():
    """Birge ratio of values at +-1 ms with sigma 0.1 ms each: sqrt(4 x 100 / 3) = 11.5."""
    good = MotionOffsetEstimate(0.020, 1e-4, True, '', 0.99, 0.3)
    windows = MotionWindows(['imu'])
    windows.windows['imu'] = [
        MotionWindow(START_NS, replace(good, value_s=0.020 + error_s), 0.0, 0.0)
        for error_s in (1e-3, -1e-3, 1e-3, -1e-3)]
    found = windows.offset('imu', START_NS, lambda name, at: (0.0, 0.0))
    assert found.sigma_s == pytest.approx(0.5e-4 * (400.0 / 3.0) ** 0.5)
