# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Offset from motion: on open data with known injected offsets, and on simulated robots."""

from __future__ import annotations

from decimal import Decimal

import numpy as np
import open_data
import pytest
from robot_mapping_qa.timing.angular_velocity import AngularVelocityFromPoses
from robot_mapping_qa.timing.motion_offset import MotionOffset
from scipy.spatial.transform import Rotation

MS = 1_000_000
START_NS = 1_700_000_000_000_000_000


def estimate(reference, stream, reference_shift_ns=0, stream_shift_ns=0, **options):
    """Return the estimate from rows of (stamp_ns, wx, wy, wz)."""
    offset = MotionOffset(**{'window_s': None, **options})
    for stamp_ns, *rates in reference:
        offset.add_reference(stamp_ns + reference_shift_ns, *rates)
    for stamp_ns, *rates in stream:
        offset.add_stream(stamp_ns + stream_shift_ns, *rates)
    return offset.estimate()


# --- open data ----------------------------------------------------------------------------------

def from_poses(rows):
    """Return the angular velocities of (stamp_ns, x, y, z, w)."""
    differences = AngularVelocityFromPoses()
    rates = (differences.add(*row) for row in rows)
    return [rate for rate in rates if rate is not None]


def tum_poses(path):
    """Read lines of: stamp in seconds, position, quaternion x y z w."""
    rows = []
    for line in path.read_text().splitlines():
        if not line.startswith('#'):
            stamp, *pose = line.split()
            rows.append((int(Decimal(stamp) * 10**9), *map(float, pose[3:7])))
    return rows


def euroc_poses(path):
    """Read lines of: stamp in nanoseconds, position, quaternion w x y z, and more."""
    rows = []
    for line in path.read_text().splitlines():
        if not line.startswith('#'):
            stamp, *values = line.split(',')
            w, x, y, z = map(float, values[3:7])
            rows.append((int(stamp), x, y, z, w))
    return rows


@pytest.fixture(scope='module')
def euroc():
    """Ground truth of EuRoC V1_02 at 200 Hz and an estimate at 10 Hz, in another frame."""
    folder = open_data.evo_data()
    return (from_poses(euroc_poses(folder / 'V102_groundtruth.csv')),
            from_poses(tum_poses(folder / 'V102.txt')))


@pytest.fixture(scope='module')
def fr2_desk():
    """Motion capture of TUM freiburg2_desk, with dropouts, and an estimate at 30 Hz."""
    folder = open_data.evo_data()
    return (from_poses(tum_poses(folder / 'fr2_desk_groundtruth.txt')),
            from_poses(tum_poses(folder / 'fr2_desk_ORB.txt')))


@pytest.mark.parametrize('name, tolerance_s', [('euroc', 0.002), ('fr2_desk', 0.005)])
@pytest.mark.parametrize('side', ['stream', 'reference'])
def test_finds_the_offset_injected_into_either_side(request, name, tolerance_s, side):
    reference, stream = request.getfixturevalue(name)
    without = estimate(reference, stream)
    assert without.usable
    for injected_ms in (-200, -150, -100, -55, -7, 3, 31, 100, 150, 200):
        found = estimate(reference, stream, **{f'{side}_shift_ns': injected_ms * MS})
        assert found.usable
        expected = injected_ms * 1e-3 * (1 if side == 'stream' else -1)
        assert found.value_s - without.value_s == pytest.approx(expected, abs=tolerance_s)


@pytest.mark.parametrize('name, tolerance_s', [('euroc', 0.002), ('fr2_desk', 0.005)])
def test_every_half_minute_finds_the_injected_offset_on_its_own(request, name, tolerance_s):
    # Other motion and other samples in each window: not the same computation shifted.
    reference, stream = request.getfixturevalue(name)
    without = estimate(reference, stream).value_s
    windows = 0
    for start_s in (0, 15, 30, 45):
        begin, end = (stream[0][0] + int(s * 1e9) for s in (start_s, start_s + 30))
        part = [[row for row in side if begin <= row[0] < end] for side in (reference, stream)]
        found = estimate(*part, stream_shift_ns=120 * MS)
        if found.usable:
            windows += 1
            assert found.value_s - without == pytest.approx(0.120, abs=tolerance_s)
    assert windows >= 3


def test_says_so_while_the_vehicle_stands(euroc):
    # The vehicle stands for the first 3 s of the ground truth. Run to and fro until it fills a
    # window; both sides see the same sway, and still it is too little to tell the time by.
    reference, _ = euroc
    still = [row[1:] for row in reference if row[0] < reference[0][0] + 3 * 10**9]
    rates = (still + still[::-1]) * 4
    rows = [(START_NS + index * 5 * MS, *rate) for index, rate in enumerate(rates)]
    result = estimate(rows, rows[::10])
    assert (result.usable, result.value_s, result.sigma_s) == (False, None, None)
    assert result.reason.startswith('the robot has not turned enough')
    assert result.excitation_radps < 0.05


# --- simulated robots ---------------------------------------------------------------------------

def walking(generator):
    """Turns of a robot on an inspection route, and the sway of its gait."""
    hertz = np.concatenate((generator.uniform(0.02, 0.3, 12), [1.6, 1.6, 3.2]))
    amplitude = generator.normal(0, 0.01, (15, 3))
    amplitude[:12, 2] = generator.normal(0, 0.12, 12)
    amplitude[12:] = generator.normal(0, 0.06, (3, 3))
    return sinusoids(generator, hertz, amplitude)


def driving(generator):
    """Turns of a wheeled robot on a flat floor: yaw only."""
    amplitude = np.zeros((15, 3))
    amplitude[:, 2] = generator.normal(0, 0.08, 15)
    return sinusoids(generator, generator.uniform(0.02, 0.6, 15), amplitude)


def sinusoids(generator, hertz, amplitude):
    phase = generator.uniform(0, 2 * np.pi, len(hertz))

    def motion(times):
        return np.sin(2 * np.pi * np.outer(times, hertz) + phase) @ amplitude
    return motion


def sample(generator, motion, rate_hz, offset_s=0.0, noise=0.005, bias=0.0, rotation=None,
           loss=0.02, jitter_s=0.0003, seconds=60):
    """Return what a sensor reports: rows of (stamp_ns, wx, wy, wz)."""
    times = np.arange(generator.uniform(0, 1 / rate_hz), seconds, 1 / rate_hz)
    times = times[generator.random(times.size) >= loss]
    rates = motion(times)
    if rotation is not None:
        rates = rotation.apply(rates)
    rates = rates + bias + generator.normal(0, noise, rates.shape)
    stamps = times + offset_s + generator.normal(0, jitter_s, times.size)
    return [(START_NS + round(stamp * 1e9), *rate)
            for stamp, rate in zip(stamps.tolist(), rates.tolist())]


@pytest.mark.parametrize('offset_s', [-0.9, -0.5, -0.021, 0.0, 0.137, 0.5, 0.95])
@pytest.mark.parametrize('rates_hz', [(100, 200), (200, 100)])
def test_within_2_ms_despite_bias_and_unknown_rotation(offset_s, rates_hz):
    generator = np.random.default_rng(round(1000 + 100 * offset_s))
    motion = walking(generator)
    rotation = Rotation.random(random_state=1)
    result = estimate(
        sample(generator, motion, rates_hz[0], noise=0.01),
        sample(generator, motion, rates_hz[1], offset_s, bias=0.03, rotation=rotation))
    assert result.usable, result.reason
    assert result.value_s == pytest.approx(offset_s, abs=0.002)
    assert result.sigma_s < 0.002


@pytest.mark.parametrize('yaw_only', ['reference', 'stream', 'both'])
def test_an_odometry_that_knows_yaw_only(yaw_only):
    generator = np.random.default_rng(5)
    motion = walking(generator)
    rows = {
        'reference': sample(generator, motion, 100),
        'stream': sample(generator, motion, 50, offset_s=-0.083, bias=0.01)}
    for side in rows if yaw_only == 'both' else [yaw_only]:
        rows[side] = [(stamp, 0.0, 0.0, wz) for stamp, _, _, wz in rows[side]]
    result = estimate(rows['reference'], rows['stream'])
    assert result.usable, result.reason
    assert result.value_s == pytest.approx(-0.083, abs=0.002)


def test_two_standard_deviations_hold_the_truth_as_often_as_they_should():
    ratios = []
    for seed in range(60):
        generator = np.random.default_rng(seed)
        motion = (walking, driving)[seed % 2](generator)
        result = estimate(
            sample(generator, motion, 50, noise=0.02),
            sample(generator, motion, 100, 0.05, noise=0.01, bias=0.02))
        assert result.usable, result.reason
        ratios.append((result.value_s - 0.05) / result.sigma_s)
    # 95 % expected; 60 draws lie above 86 % with a probability of 0.998.
    assert np.mean(np.abs(ratios) < 2) > 0.86
    assert 0.6 < np.std(ratios) < 1.4


def test_gaps_on_both_sides_do_not_disturb():
    generator = np.random.default_rng(6)
    motion = walking(generator)
    reference = sample(generator, motion, 100)
    stream = sample(generator, motion, 200, offset_s=0.2)
    reference = [row for row in reference if not 20 < (row[0] - START_NS) * 1e-9 < 24]
    stream = [row for row in stream if not 40 < (row[0] - START_NS) * 1e-9 < 43.3]
    result = estimate(reference, stream)
    assert result.usable
    assert result.value_s == pytest.approx(0.2, abs=0.002)


def test_samples_stamped_in_bursts_do_not_disturb():
    generator = np.random.default_rng(7)
    motion = walking(generator)
    reference = sample(generator, motion, 100)
    # Four at a time, all with nearly the stamp of the middle of their four.
    stream = sample(generator, motion, 200, offset_s=0.1, loss=0, jitter_s=0, noise=0.02)
    burst = [
        (stream[index - index % 4][0] + 7_500_000 + index % 4 * 50_000, *row[1:])
        for index, row in enumerate(stream)]
    result = estimate(reference, burst)
    assert result.usable
    assert result.value_s == pytest.approx(0.1, abs=0.002)


def test_a_jump_of_the_pose_does_not_disturb():
    generator = np.random.default_rng(8)
    motion = walking(generator)
    reference = sample(generator, motion, 100)
    stream = sample(generator, motion, 200, offset_s=0.1)
    jumped = list(reference)
    for index in (1500, 4000):
        jumped[index] = (reference[index][0], 20.0, -15.0, 30.0)
    result = estimate(jumped, stream)
    assert result.usable
    assert result.value_s == pytest.approx(estimate(reference, stream).value_s, abs=0.0005)


def test_values_that_are_not_finite_and_the_order_do_not_matter():
    generator = np.random.default_rng(9)
    motion = walking(generator)
    reference = sample(generator, motion, 100)
    stream = sample(generator, motion, 100, offset_s=0.1)
    expected = estimate(reference, stream)
    swapped = list(stream)
    swapped[500], swapped[501] = swapped[501], swapped[500]
    swapped.insert(700, (stream[700][0] + 1, float('nan'), 0.0, 0.0))
    assert estimate(reference, swapped) == expected


# --- when there is no number --------------------------------------------------------------------

def constant(value):
    return lambda times: np.tile(value, (times.size, 1))


@pytest.mark.parametrize('motion', [constant([0.0, 0.0, 0.0]), constant([0.0, 0.0, 0.5])])
def test_standing_still_and_turning_steadily_tell_nothing(motion):
    generator = np.random.default_rng(10)
    result = estimate(
        sample(generator, motion, 100), sample(generator, motion, 200, offset_s=0.1))
    assert not result.usable
    assert 'has not turned enough' in result.reason
    assert result.value_s is None


def test_motion_that_differs_is_not_matched():
    generator = np.random.default_rng(11)
    result = estimate(
        sample(generator, walking(generator), 100), sample(generator, driving(generator), 200))
    assert not result.usable
    assert 'do not agree' in result.reason


def test_motion_that_repeats_itself_is_ambiguous():
    generator = np.random.default_rng(12)
    gait = sinusoids(generator, np.array([1.6, 3.2]), generator.normal(0, 0.2, (2, 3)))
    result = estimate(sample(generator, gait, 100), sample(generator, gait, 200, offset_s=0.1))
    assert not result.usable
    assert 'repeats itself' in result.reason


def test_an_offset_beyond_the_search_is_not_mistaken_for_a_smaller_one():
    generator = np.random.default_rng(13)
    motion = walking(generator)
    result = estimate(sample(generator, motion, 100), sample(generator, motion, 200, 1.4))
    assert not result.usable


@pytest.mark.parametrize('seconds', [0, 5])
def test_too_little_is_said_in_words(seconds):
    generator = np.random.default_rng(14)
    motion = walking(generator)
    result = estimate(
        sample(generator, motion, 100), sample(generator, motion, 100, seconds=seconds))
    assert not result.usable
    assert ('10 s needed' if seconds else 'no angular velocity from the stream') in result.reason
    assert result.peak_correlation is None


# --- live ---------------------------------------------------------------------------------------

def feed(offset, reference, stream):
    for row in reference:
        offset.add_reference(*row)
    for row in stream:
        offset.add_stream(*row)


def test_the_window_slides_and_memory_stays_bounded():
    generator = np.random.default_rng(15)
    motion = walking(generator)
    offset = MotionOffset(window_s=20.0)
    feed(offset, sample(generator, motion, 100, seconds=100),
         sample(generator, motion, 100, offset_s=0.03, seconds=100))
    assert offset.estimate().value_s == pytest.approx(0.03, abs=0.002)
    assert len(offset._reference) <= 2001
    assert len(offset._reference._stamps) <= 4003


def test_after_a_step_of_the_clock_the_new_offset_is_found():
    generator = np.random.default_rng(16)
    motion = walking(generator)
    offset = MotionOffset(window_s=30.0)
    feed(offset, sample(generator, motion, 100), sample(generator, motion, 100))
    offset.clear()
    assert not offset.estimate().usable
    feed(offset, sample(generator, motion, 100), sample(generator, motion, 100, offset_s=0.25))
    assert offset.estimate().value_s == pytest.approx(0.25, abs=0.002)


@pytest.mark.parametrize('odd_s', [-1.7e9, 1e8])
def test_one_stamp_of_another_epoch_sends_nothing_away_and_does_not_stay(odd_s):
    generator = np.random.default_rng(15)
    motion = walking(generator)
    rows, shifted = (sample(generator, motion, 100, offset_s=offset_s, seconds=100)
                     for offset_s in (0.0, 0.03))
    offset = MotionOffset(window_s=20.0)
    for number, (row, other) in enumerate(zip(rows, shifted)):
        stamp_ns, *rates = row
        offset.add_reference(stamp_ns + round(odd_s * 1e9) * (number == 5000), *rates)
        offset.add_stream(*other)
        if number == 5500:
            assert offset.estimate().value_s == pytest.approx(0.03, abs=0.002)
    assert offset.estimate().value_s == pytest.approx(0.03, abs=0.002)
    assert len(offset._reference) <= 2001
    assert len(offset._reference._stamps) <= 4003


@pytest.mark.parametrize('seed', range(3))
def test_no_stamps_break_the_window(seed):
    generator = np.random.default_rng(seed)
    offset = MotionOffset(window_s=20.0)
    stamps = generator.choice([0, 10**9, 60 * 10**9, 120 * 10**9, 10**18], 400)
    for stamp_ns in stamps.tolist():
        offset.add_stream(stamp_ns, 0.0, 0.0, 0.1)
        offset.add_reference(stamp_ns, 0.0, 0.0, 0.1)
    assert len(offset._stream) >= 1
    assert not offset.estimate().usable


def test_gaps_that_leave_one_stretch_of_two_seconds_give_no_offset_and_no_error():
    """The averages hold over 10 s in all, wider ones within one block only, or two."""
    def turn(t):
        return (0.4 * np.sin(1.3 * t) + 0.3 * np.sin(0.71 * t + 1), 0.2 * np.sin(0.9 * t),
                0.5 * np.sin(0.5 * t + 2))
    stream = [(round(t * 1e9), *turn(t - 0.02)) for t in np.arange(0.0, 60.0, 0.01)]
    usable = []
    for begin_s in np.arange(30.0, 32.0, 0.2):
        reference = [(round(t * 1e9), *turn(t)) for count, t in enumerate(
            np.arange(0.0, 60.0, 0.1)) if count % 6 or begin_s <= t <= begin_s + 0.6]
        found = estimate(reference, stream)
        usable.append(found.usable)
        assert found.value_s == pytest.approx(0.02, abs=1e-3) if found.usable else found.reason
    assert not all(usable)


@pytest.mark.parametrize('options, word', [
    ({'window_s': 5.0}, 'window_s is 5.0'),
    ({'max_offset_s': 0.0}, 'max_offset_s is 0.0'),
    ({'min_excitation_radps': float('nan')}, 'min_excitation_radps is nan'),
    ({'min_correlation': 1.5}, 'min_correlation is 1.5'),
])
def test_impossible_settings_are_refused_by_name(options, word):
    with pytest.raises(ValueError, match=word):
        MotionOffset(**options)


# --- angular velocity from poses ----------------------------------------------------------------

def test_angular_velocity_from_poses_agrees_with_scipy():
    generator = np.random.default_rng(17)
    rotations = [Rotation.random(random_state=1)]
    rates = generator.normal(0, 2, (20, 3))
    for rate in rates:
        rotations.append(rotations[-1] * Rotation.from_rotvec(rate * 0.1))
    # Either sign and any length of a quaternion mean the same rotation.
    rows = [(START_NS + index * 100 * MS, *(rotation.as_quat() * generator.normal()))
            for index, rotation in enumerate(rotations)]
    found = from_poses(rows)
    np.testing.assert_allclose([row[1:] for row in found], rates, rtol=1e-9, atol=1e-9)
    assert [row[0] for row in found] == [START_NS + (50 + index * 100) * MS for index in range(20)]


def test_a_quarter_turn_in_a_second_is_half_pi_about_the_axis():
    root = 0.5 ** 0.5
    differences = AngularVelocityFromPoses(max_interval_s=1.0)
    assert differences.add(0, 0.0, 0.0, 0.0, 1.0) is None
    stamp, *rate = differences.add(10**9, 0.0, 0.0, root, root)
    assert stamp == 500 * MS
    assert rate == pytest.approx([0.0, 0.0, np.pi / 2])


def test_poses_that_say_nothing_give_no_angular_velocity():
    differences = AngularVelocityFromPoses()
    assert differences.add(0, 0.0, 0.0, 0.0, 0.0) is None
    assert differences.add(0, 0.0, 0.0, 0.0, 1.0) is None
    assert differences.add(0, 0.0, 0.0, 0.1, 1.0) is None
    assert differences.add(5 * MS, float('nan'), 0.0, 0.0, 1.0) is None
    assert differences.add(10 * MS, 0.0, 0.0, 0.0, 1.0) == (5 * MS, 0.0, 0.0, 0.0)
    assert differences.add(2000 * MS, 0.0, 0.0, 0.1, 1.0) is None


def test_angular_velocities_go_on_after_the_stamps_went_back():
    differences = AngularVelocityFromPoses()
    differences.add(60_000 * MS, 0.0, 0.0, 0.0, 1.0)
    assert differences.add(1000 * MS, 0.0, 0.0, 0.0, 1.0) is None
    assert differences.add(1010 * MS, 0.0, 0.0, 0.0, 1.0) == (1005 * MS, 0.0, 0.0, 0.0)
