# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The simulated robot does what its scenario says, and its truth is the truth."""

from dataclasses import replace
import json
import math

import numpy as np
import pytest
from robot_mapping_qa.rig import (
    Clock, ClockSpec, DelaySpec, load_scenario, Rig, scenario_from_yaml, ScenarioError)
from robot_mapping_qa.rig.delay import Delay
from robot_mapping_qa.rig.faults import (
    ClockStep, CovarianceBlowup, DelayRise, Duplicates, Loss, PoseJump, Reordering, Silence)
from robot_mapping_qa.rig.rotation import conjugate, matrix, multiply, rotate
from robot_mapping_qa.rig.trajectory import Walk
from scipy.spatial.transform import Rotation
from scipy.stats import chi2, kstest

HEALTHY = load_scenario('healthy')
S = 10 ** 9


def scenario(*faults, duration_s=4.0, sensors=None):
    """Return the healthy walk, shortened, with faults and, if given, only some sensors."""
    kept = HEALTHY.sensors if sensors is None else {n: HEALTHY.sensors[n] for n in sensors}
    return replace(HEALTHY, duration_s=duration_s, faults=faults, sensors=kept)


def run(*faults, sensor, seed=3, **options):
    """Return the rig and its messages of one sensor alone."""
    rig = Rig(scenario(*faults, sensors=[sensor], **options), seed=seed, pictures=False)
    return rig, list(rig.messages())


def seconds(rig, time_ns):
    return (time_ns - rig.start_ns) / S


def plain(message):
    """Return a message as values that can be compared."""
    payload = {name: np.asarray(getattr(message.payload, name)).tobytes()
               for name in message.payload.__slots__}
    return (message.topic, message.frame, message.measured_ns, message.stamp_ns,
            message.publish_ns, payload)


# The run as a whole

def test_the_same_seed_gives_the_same_run_and_another_seed_another():
    chosen = scenario(duration_s=1.0)
    first, again, other = (
        [plain(m) for m in Rig(chosen, seed=seed).messages()] for seed in (5, 5, 6))
    assert first == again
    assert len(first) == pytest.approx(len(other), abs=5)
    assert all(a != b for a, b in zip(first, other))


def test_a_rig_can_be_run_twice():
    rig = Rig(scenario(Silence(sensor='body_imu', at_s=0.2, until_s=0.4), duration_s=0.6))
    assert [plain(m) for m in rig.messages()] == [plain(m) for m in rig.messages()]


def test_a_sensor_measures_the_same_whatever_else_there_is():
    _, alone = run(sensor='body_imu', duration_s=1.0)
    together = [m for m in Rig(scenario(duration_s=1.0), seed=3, pictures=False).messages()
                if m.sensor == 'body_imu']
    assert [plain(m) for m in alone] == [plain(m) for m in together]


def test_messages_come_in_order_of_publication_at_the_configured_rates():
    rig = Rig(scenario(duration_s=4.0))
    messages = list(rig.messages())
    published = [m.publish_ns for m in messages]
    assert published == sorted(published)
    counts = {topic: sum(m.topic == topic for m in messages) for topic in rig.topics}
    assert counts == {
        '/unit/odometry': 400, '/body/imu': 800, '/front/camera_info': 60,
        '/front/image_raw': 60, '/roof/points': 40}
    assert all(rig.start_ns <= m.measured_ns < rig.start_ns + 4 * S for m in messages)
    assert all(m.publish_ns < rig.start_ns + 2 * S for m in rig.messages(until_s=2.0))


def test_messages_are_made_as_they_are_asked_for():
    day = replace(HEALTHY, duration_s=86400.0)
    first = next(Rig(day, pictures=False).messages())
    assert first.topic == '/body/imu'


# Clocks and delays

def test_clock_arithmetic_is_exact_over_ten_hours():
    start_ns = 1_750_000_000_123_456_789
    clock = Clock(ClockSpec(0.037, 25.0), start_ns)
    elapsed_ns = 10 * 3600 * S
    # 25 ppm of 10 h is 0.9 s, exactly.
    assert clock.stamp_ns(start_ns) == start_ns + 37_000_000
    assert clock.stamp_ns(start_ns + elapsed_ns) == (
        start_ns + elapsed_ns + 37_000_000 + 900_000_000)
    for offset_ns in range(0, elapsed_ns, elapsed_ns // 997):
        host_ns = start_ns + offset_ns
        stamp_ns = host_ns + 37_000_000 + offset_ns * 25 // 10 ** 6
        assert clock.stamp_ns(host_ns) == stamp_ns


@pytest.mark.parametrize('skew_ppm', [25.0, 0.0, -17.3])
def test_clock_is_inverted_to_the_nanosecond(skew_ppm):
    start_ns = 1_750_000_000_000_000_000
    clock = Clock(ClockSpec(-0.2, skew_ppm), start_ns)
    for host_ns in range(start_ns, start_ns + 36000 * S, 36_123_456_789):
        back, = clock.host_ns(clock.stamp_ns(host_ns))
        # With a slow clock two neighbouring nanoseconds may share a reading.
        assert host_ns - 1 <= back <= host_ns
        assert clock.stamp_ns(back) == clock.stamp_ns(host_ns)


def test_clock_steps_skip_and_repeat_readings():
    clock = Clock(ClockSpec(), 0, ((10 * S, S // 2), (20 * S, -S // 2)))
    assert clock.stamp_ns(10 * S - 1) == 10 * S - 1
    assert clock.stamp_ns(10 * S) == 10 * S + S // 2
    assert clock.stamp_ns(20 * S) == 20 * S
    assert clock.host_ns(10 * S + S // 4) == ()
    assert clock.host_ns(15 * S) == (15 * S - S // 2,)
    assert clock.host_ns(20 * S + S // 4) == (20 * S - S // 4, 20 * S + S // 4)


def test_stamps_carry_offset_skew_and_steps():
    step = ClockStep(sensor='front_camera', at_s=1.0, until_s=3.0, size_s=0.080)
    chosen = scenario(step, sensors=['front_camera']).with_sensor(
        'front_camera', clock=ClockSpec(0.037, 25.0))
    rig = Rig(chosen, pictures=False)
    messages = list(rig.messages())
    assert len(messages) == 60
    for m in messages:
        time_s = seconds(rig, m.measured_ns)
        expected_s = 0.037 + 25e-6 * time_s + (0.080 if 1.0 <= time_s < 3.0 else 0.0)
        assert (m.stamp_ns - m.measured_ns) / S == pytest.approx(expected_s, abs=2e-9)


def test_picture_and_calibration_share_stamp_and_time():
    messages = list(Rig(scenario(duration_s=1.0, sensors=['front_camera'])).messages())
    info = [(m.stamp_ns, m.publish_ns) for m in messages if m.topic == '/front/camera_info']
    picture = [(m.stamp_ns, m.publish_ns) for m in messages if m.topic == '/front/image_raw']
    assert info == picture and len(info) == 15


def test_delays_have_the_configured_floor_and_distribution():
    spec = DelaySpec(least_s=0.018, queue_mean_s=0.002, queue_shape=2.0)
    delay = Delay(spec, np.random.default_rng(1))
    draws = np.array([delay.draw_s(k / 15.0, spec.least_s) for k in range(20000)])
    assert draws.min() >= 0.018
    assert draws.min() < 0.0181
    # Mean of 20,000 draws: sigma 2 ms / sqrt(2) / sqrt(20,000) = 0.01 ms; four of them.
    assert draws.mean() == pytest.approx(0.020, abs=4e-5)
    # Kolmogorov-Smirnov test against scipy's gamma distribution.
    assert kstest(draws - 0.018, 'gamma', args=(2.0, 0.0, 0.001)).pvalue > 0.01


def test_bursts_hold_messages_back_until_their_end():
    spec = DelaySpec(least_s=0.001, burst_every_s=2.0, burst_length_s=0.1)
    delay = Delay(spec, np.random.default_rng(1))
    times = np.arange(0.0, 2000.0, 0.01)
    draws = np.array([delay.draw_s(t, 0.001) for t in times])
    held = draws > 0.001
    # 1000 bursts expected, their number Poisson-like: sigma below 32; four of them.
    onsets = np.count_nonzero(held[1:] & ~held[:-1])
    assert onsets == pytest.approx(1000, abs=128)
    assert held.mean() == pytest.approx(0.05, abs=0.0064)
    assert draws.max() <= 0.101
    released = (times + draws)[held]
    assert np.unique(released.round(6)).size == pytest.approx(onsets, abs=60)


def test_published_delays_are_those_of_the_scenario():
    rig = Rig(scenario(duration_s=20.0), pictures=False)
    delays = {name: [] for name in HEALTHY.sensors}
    for m in rig.messages():
        delays[m.sensor].append((m.publish_ns - m.measured_ns) / S)
    for name, spec in HEALTHY.sensors.items():
        assert min(delays[name]) >= spec.delay.least_s
        mean_s = spec.delay.least_s + spec.delay.queue_mean_s
        # Four sigma of the mean, plus what waiting behind a late predecessor adds.
        tolerance_s = 4 * spec.delay.queue_mean_s / math.sqrt(2 * len(delays[name])) + 2e-5
        assert np.mean(delays[name]) == pytest.approx(mean_s, abs=tolerance_s)


# Motion and what is measured of it

def test_walk_is_an_inspection_walk():
    states = [Walk().at(t) for t in np.arange(0.0, 160.0, 0.05)]
    speed = [math.hypot(*s.linear) for s in states]
    turn = [math.hypot(*s.angular) for s in states]
    assert 0.2 < min(speed) and 0.6 < max(speed) < 0.9
    assert 0.5 < max(turn) < 0.85
    assert max(math.hypot(*s.acceleration) for s in states) < 1.5


def test_walk_velocity_turn_rate_and_acceleration_are_derivatives_of_its_pose():
    walk, h = Walk(), 1e-4
    for t in np.linspace(0.3, 90.0, 101):
        before, now, after = walk.at(t - h), walk.at(t), walk.at(t + h)
        to_map = Rotation.from_quat(now.quaternion)
        positions = np.array([before.position, now.position, after.position])
        velocity = (positions[2] - positions[0]) / (2 * h)
        acceleration = (positions[2] - 2 * positions[1] + positions[0]) / h ** 2
        turned = Rotation.from_quat(before.quaternion).inv() * Rotation.from_quat(
            after.quaternion)
        assert to_map.apply(now.linear) == pytest.approx(velocity, abs=1e-6)
        assert to_map.apply(now.acceleration) == pytest.approx(acceleration, abs=1e-5)
        assert now.angular == pytest.approx(turned.as_rotvec() / (2 * h), abs=1e-6)


def test_rotations_agree_with_scipy():
    rng = np.random.default_rng(2)
    for a, b in rng.standard_normal((50, 2, 4)):
        a, b = tuple(a / np.linalg.norm(a)), tuple(b / np.linalg.norm(b))
        vector = tuple(rng.standard_normal(3))
        ra, rb = Rotation.from_quat(a), Rotation.from_quat(b)
        assert np.array(matrix(multiply(a, b))) == pytest.approx((ra * rb).as_matrix())
        assert rotate(conjugate(a), vector) == pytest.approx(ra.inv().apply(vector))


def test_odometry_pose_follows_from_its_twist():
    _, messages = run(sensor='unit_odometry', duration_s=10.0)
    position = np.array(messages[0].payload.position)
    rotation = Rotation.from_quat(messages[0].payload.quaternion)
    for before, m in zip(messages, messages[1:]):
        dt = (m.measured_ns - before.measured_ns) / S
        linear, angular = (
            (np.array(getattr(before.payload, name)) + np.array(getattr(m.payload, name))) / 2
            for name in ('linear', 'angular'))
        # Trapezoid: half the turn, the move, the other half.
        half = Rotation.from_rotvec(angular * dt / 2)
        rotation = rotation * half
        position = position + rotation.apply(linear * dt)
        rotation = rotation * half
    end = messages[-1].payload
    # Twist noise integrates to 0.01 m/s * sqrt(0.01 s * 10 s) = 3 mm, turn noise to 0.6 mrad.
    assert position == pytest.approx(end.position, abs=0.03)
    assert (rotation.inv() * Rotation.from_quat(end.quaternion)).magnitude() < 0.01
    travelled = np.linalg.norm(np.diff([m.payload.position for m in messages[::50]], axis=0),
                               axis=1).sum()
    assert travelled > 4.0


def pose_errors(rig, messages):
    """Return errors (n, 6) in ROS order and reported covariances (n, 6, 6)."""
    errors, covariances = [], []
    for m in messages:
        true = rig.scenario.walk.at(seconds(rig, m.measured_ns))
        turn = Rotation.from_quat(m.payload.quaternion) * Rotation.from_quat(
            true.quaternion).inv()
        errors.append(np.r_[np.subtract(m.payload.position, true.position), turn.as_rotvec()])
        covariances.append(m.payload.pose_covariance.reshape(6, 6))
    return np.array(errors), np.array(covariances)


def nees_bounds(runs):
    """
    Return the two-sided 99.9 % bounds of the NEES averaged over independent runs.

    Bar-Shalom, Li, Kirubarajan, Estimation with Applications to Tracking and Navigation (2001),
    section 5.4: N times the average over N runs is chi-square with 6 N degrees of freedom. The
    section number is from memory.
    """
    return chi2.ppf([0.0005, 0.9995], 6 * runs) / runs


def average_nees(chosen, runs, times_s):
    """Return the NEES averaged over seeds at each of the times."""
    nees = np.zeros(len(times_s))
    for seed in range(runs):
        rig = Rig(chosen, seed=seed)
        messages = list(rig.messages())
        picked = [min(messages, key=lambda m: abs(seconds(rig, m.measured_ns) - t))
                  for t in times_s]
        errors, covariances = pose_errors(rig, picked)
        nees += np.einsum('ni,nij,nj->n', errors, np.linalg.inv(covariances), errors)
    return nees / runs


def test_odometry_error_is_what_its_covariance_says():
    chosen = scenario(duration_s=30.0, sensors=['unit_odometry']).with_sensor(
        'unit_odometry', rate_hz=5.0)
    low, high = nees_bounds(150)
    for average in average_nees(chosen, 150, (0.2, 10.0, 29.5)):
        assert low < average < high


def test_odometry_covariance_grows_with_the_way():
    _, messages = run(sensor='unit_odometry', duration_s=20.0)
    first, last = (messages[k].payload.pose_covariance.reshape(6, 6) for k in (0, -1))
    assert np.all(np.diag(last) > np.diag(first))
    spec = HEALTHY.sensors['unit_odometry']
    way_m = (last[0, 0] - first[0, 0]) / spec.drift_m ** 2
    steps = np.diff([Walk().at(t).position for t in np.arange(0.0, 20.0, 0.01)], axis=0)
    assert way_m == pytest.approx(np.linalg.norm(steps, axis=1).sum(), rel=0.01)


def test_imu_feels_gravity_and_turn_rate():
    _, messages = run(sensor='body_imu', duration_s=20.0)
    force = np.array([m.payload.acceleration for m in messages])
    turn = np.array([m.payload.angular for m in messages])
    true = [Walk().at((m.measured_ns - messages[0].measured_ns) / S
                      + seconds(Rig(HEALTHY), messages[0].measured_ns)) for m in messages]
    expected = np.array([np.array(s.acceleration) + Rotation.from_quat(s.quaternion).inv().apply(
        [0.0, 0.0, 9.80665]) for s in true])
    assert np.abs((force - expected).mean(axis=0)).max() < 4 * 0.02
    assert np.std(force - expected) == pytest.approx(0.03, rel=0.5)
    error = turn - np.array([s.angular for s in true])
    assert np.abs(error.mean(axis=0)).max() < 4 * 0.001
    assert error.std(axis=0) == pytest.approx(0.002, rel=0.05)


def test_lidar_points_lie_on_the_walls_of_the_hall():
    rig, messages = run(sensor='roof_lidar', duration_s=6.0)
    spec = HEALTHY.sensors['roof_lidar']
    walls = np.array([[-12.0, 12.0], [-6.0, 6.0], [spec.floor_m, spec.ceiling_m]])
    for m in messages[::10]:
        points = m.payload.points
        assert points.shape == (16, 900)
        assert points['time'].max() == 0.0
        assert points['time'].min() == pytest.approx(-0.1, abs=2e-4)
        assert np.array_equal(np.unique(points['ring']), np.arange(16))
        # Each column by the exact pose at its own time, not the model's constant twist.
        for column in range(0, 900, 75):
            beam = points[:, column]
            time_s = seconds(rig, m.measured_ns) + float(beam['time'][0])
            true = Walk().at(time_s)
            place = Rotation.from_quat(true.quaternion).apply(
                np.c_[beam['x'], beam['y'], beam['z']]) + true.position
            off = np.abs(place[:, :, None] - walls[None]).min(axis=(1, 2))
            # Five sigma of range noise, and 2 cm for what changes during a revolution.
            assert off.max() < 5 * spec.range_noise_m + 0.02
            assert np.all(place > walls[:, 0] - 0.1) and np.all(place < walls[:, 1] + 0.1)


def test_pictures_shift_as_the_robot_turns():
    chosen = scenario(duration_s=6.0, sensors=['front_camera'])
    rig = Rig(chosen)
    pictures = [m for m in rig.messages() if m.topic == '/front/image_raw']
    assert pictures[0].payload.pixels.shape == (480, 640)
    assert pictures[0].payload.pixels.std() > 20
    for a, b in zip(pictures[10:40:5], pictures[11:41:5]):
        # Shift by phase correlation of one row band, an estimate from the pixels alone.
        fa, fb = (np.fft.rfft(p.payload.pixels[200:280].astype(float) - 125.0) for p in (a, b))
        correlation = np.fft.irfft(fb * fa.conj() / (np.abs(fb * fa.conj()) + 1e-9)).sum(axis=0)
        shift = (int(correlation.argmax()) + 320) % 640 - 320
        before, after = (
            rig.scenario.walk.at(seconds(rig, p.measured_ns)) for p in (a, b))
        turned = after.yaw - before.yaw
        aside = after.linear[1] * (b.measured_ns - a.measured_ns) / S / 3.0
        # To the left, what was ahead moves to the right in the picture.
        assert shift == pytest.approx(480.0 * (turned + aside), abs=2.5)


# Faults: each in its time, only in its time

def test_silence():
    fault = Silence(sensor='unit_odometry', at_s=1.0, until_s=2.0)
    rig, messages = run(fault, sensor='unit_odometry')
    _, whole = run(sensor='unit_odometry')
    missing = [m for m in whole if 1.0 <= seconds(rig, m.measured_ns) < 2.0]
    assert len(messages) == 300 and len(missing) == 100
    assert {m.measured_ns for m in messages} == (
        {m.measured_ns for m in whole} - {m.measured_ns for m in missing})
    assert rig.truth()['faults'][0]['first_message_ns'] == missing[0].publish_ns


def test_clock_step():
    fault = ClockStep(sensor='front_camera', at_s=1.0, until_s=3.0, size_s=0.080)
    rig, messages = run(fault, sensor='front_camera')
    _, whole = run(sensor='front_camera')
    struck = [m for m in messages if m.faults]
    assert [m.stamp_ns - w.stamp_ns for m, w in zip(messages, whole)] == [
        80_000_000 if 1.0 <= seconds(rig, m.measured_ns) < 3.0 else 0 for m in messages]
    assert len(struck) == 30
    assert rig.truth()['faults'][0]['first_message_ns'] == struck[0].publish_ns
    assert rig.truth()['sensors']['front_camera']['clock']['steps'] == [
        {'at_ns': rig.start_ns + S, 'size_s': 0.08},
        {'at_ns': rig.start_ns + 3 * S, 'size_s': -0.08}]


def test_pose_jump_displaces_all_that_follows_and_leaves_the_twist():
    fault = PoseJump(sensor='unit_odometry', at_s=1.0, x_m=0.24, y_m=0.32)
    rig, messages = run(fault, sensor='unit_odometry')
    _, whole = run(sensor='unit_odometry')
    for m, w in zip(messages, whole):
        shift = np.subtract(m.payload.position, w.payload.position)
        expected = [0.24, 0.32, 0.0] if seconds(rig, m.measured_ns) >= 1.0 else [0.0] * 3
        assert shift == pytest.approx(expected, abs=1e-12)
        assert m.payload.linear == w.payload.linear
    assert math.hypot(0.24, 0.32) == pytest.approx(0.4)
    first = next(m for m in messages if m.faults)
    assert rig.truth()['faults'][0]['first_message_ns'] == first.publish_ns
    assert rig.truth()['faults'][0]['until_ns'] is None


def test_pose_jump_with_yaw_keeps_pose_and_twist_consistent():
    fault = PoseJump(sensor='unit_odometry', at_s=1.0, until_s=3.0, z_m=0.1, yaw_rad=0.3)
    rig, messages = run(fault, sensor='unit_odometry')
    _, whole = run(sensor='unit_odometry')
    pairs = [(m, w) for m, w in zip(messages, whole) if m.faults]
    assert np.subtract(pairs[0][0].payload.position, pairs[0][1].payload.position) == (
        pytest.approx([0.0, 0.0, 0.1]))
    for (m, w), (m2, w2) in zip(pairs, pairs[20:]):
        moved = [Rotation.from_quat(a.payload.quaternion).inv().apply(
            np.subtract(b.payload.position, a.payload.position)) for a, b in ((m, m2), (w, w2))]
        assert moved[0] == pytest.approx(moved[1], abs=1e-9)
    after = [(m, w) for m, w in zip(messages, whole) if seconds(rig, m.measured_ns) >= 3.0]
    assert len(after) == 100
    assert all(m.payload.position == w.payload.position for m, w in after)


@pytest.mark.parametrize('setting', [{'factor': 20.0}, {'sigma_m': 0.15}])
def test_covariance_blowup_without_real_error(setting):
    fault = CovarianceBlowup(sensor='unit_odometry', at_s=1.0, until_s=2.0, **setting)
    rig, messages = run(fault, sensor='unit_odometry')
    _, whole = run(sensor='unit_odometry')
    for m, w in zip(messages, whole):
        sigma, plain_sigma = (
            np.sqrt(np.diag(x.payload.pose_covariance.reshape(6, 6))) for x in (m, w))
        assert m.payload.position == w.payload.position
        if not 1.0 <= seconds(rig, m.measured_ns) < 2.0:
            assert np.array_equal(sigma, plain_sigma)
        elif 'factor' in setting:
            assert sigma == pytest.approx(20.0 * plain_sigma)
        else:
            assert sigma[:3] == pytest.approx(0.15) and sigma[3:] == pytest.approx(plain_sigma[3:])


def test_covariance_blowup_with_real_error_is_honest_once_it_has_grown():
    fault = CovarianceBlowup(
        sensor='unit_odometry', at_s=2.0, until_s=14.0, factor=10.0, real_error=True)
    chosen = scenario(fault, duration_s=16.0, sensors=['unit_odometry']).with_sensor(
        'unit_odometry', rate_hz=5.0)
    onset, grown, over = average_nees(chosen, 150, (2.1, 13.5, 15.0))
    low, high = nees_bounds(150)
    # 0.1 s after the onset the added error has 10 % of its variance; 6 would be honest.
    assert onset < 2.0
    assert low < grown < high
    assert low < over < high


def test_delay_rise():
    fault = DelayRise(sensor='roof_lidar', at_s=1.0, until_s=2.0, to_s=0.3)
    rig, messages = run(fault, sensor='roof_lidar')
    delays = np.array([(m.publish_ns - m.measured_ns) / S for m in messages])
    times = np.array([seconds(rig, m.measured_ns) for m in messages])
    struck = (times >= 1.0) & (times < 2.0)
    assert delays[struck].min() >= 0.3 and delays[struck].max() < 0.32
    assert delays[times < 1.0].max() < 0.06
    # Those measured just after wait behind the late ones, then all is as before.
    assert delays[(times >= 2.0) & (times < 2.2)].min() > 0.06
    assert delays[times >= 2.35].max() < 0.06
    first = next(m for m in messages if m.faults)
    assert rig.truth()['faults'][0]['first_message_ns'] == first.publish_ns


def test_loss():
    rig, messages = run(Loss(sensor='body_imu', at_s=1.0, until_s=2.0, every=2),
                        sensor='body_imu')
    times = np.array([seconds(rig, m.measured_ns) for m in messages])
    assert len(messages) == 700
    assert np.count_nonzero((times >= 1.0) & (times < 2.0)) == 100


def test_duplicates():
    rig, messages = run(Duplicates(sensor='body_imu', at_s=1.0, until_s=2.0, every=4),
                        sensor='body_imu')
    stamps = [m.stamp_ns for m in messages]
    twice = [s for s in set(stamps) if stamps.count(s) == 2]
    assert len(messages) == 850 and len(twice) == 50
    assert all(1.0 <= seconds(rig, s) < 2.0 for s in twice)


def test_reordering():
    rig, messages = run(Reordering(sensor='body_imu', at_s=1.0, until_s=2.0, every=5),
                        sensor='body_imu')
    back = [m for before, m in zip(messages, messages[1:]) if m.stamp_ns < before.stamp_ns]
    assert len(messages) == 800 and len(back) == 40
    assert all(1.0 <= seconds(rig, m.measured_ns) < 2.0 for m in back)
    published = [m.publish_ns for m in messages]
    assert published == sorted(published)


# The scenarios that come with the package, and their truth

def test_demo_injects_its_five_faults_with_time_to_recover_between_them():
    demo = load_scenario('demo')
    assert [f.kind for f in demo.faults] == [
        'clock_step', 'covariance_blowup', 'silence', 'pose_jump', 'delay_rise']
    assert demo.faults[0].at_s >= 10.0
    ends = [f.until_s or f.at_s for f in demo.faults]
    starts = [f.at_s for f in demo.faults[1:]] + [demo.duration_s]
    assert all(start - end >= 8.0 for end, start in zip(ends, starts))
    jump = demo.faults[3]
    assert math.hypot(jump.x_m, jump.y_m, jump.z_m) == pytest.approx(0.4)
    assert demo.faults[0].size_s == 0.08 and demo.faults[4].to_s == 0.3
    assert replace(demo, faults=(), name='') == replace(HEALTHY, name='')


def test_truth_survives_json_and_names_every_fault():
    rig = Rig(scenario(
        ClockStep(sensor='front_camera', at_s=1.0, size_s=0.1),
        Silence(sensor='body_imu', at_s=3.5, until_s=3.9)), start_ns=5 * S, seed=9)
    before = rig.truth()
    assert [f['first_message_ns'] for f in before['faults']] == [None, None]
    for _ in rig.messages():
        pass
    truth = json.loads(json.dumps(rig.truth()))
    assert truth == rig.truth()
    assert truth['seed'] == 9 and truth['start_ns'] == 5 * S and truth['end_ns'] == 9 * S
    assert truth['sensors']['front_camera']['clock'] == {
        'offset_s': 0.004, 'skew_ppm': 12.0, 'steps': [{'at_ns': 6 * S, 'size_s': 0.1}]}
    step, silence = truth['faults']
    assert (step['kind'], step['sensor'], step['from_ns'], step['until_ns'], step['settings']) == (
        'clock_step', 'front_camera', 6 * S, None, {'size_s': 0.1})
    assert silence['first_message_ns'] >= silence['from_ns'] == 8_500_000_000


# What is refused, and in what words

BODY = """
name: test
duration_s: 10.0
sensors:
  imu: {kind: imu, topic: /imu, rate_hz: 200.0, frame: body}
  unit: {kind: odometry, topic: /odom, rate_hz: 50.0, frame: map, child_frame: body}
"""


@pytest.mark.parametrize('text, message', [
    ('- a', "the file: found ['a'], expected a mapping of names to values"),
    ('a: [', 'not YAML in line 1: '),
    (BODY + 'colour: red', 'colour: unknown key, expected one of name, duration_s, sensors, '),
    (BODY.replace('duration_s: 10.0', ''), 'duration_s: missing'),
    (BODY.replace('10.0', '.nan'), 'duration_s: found nan, expected a finite number'),
    (BODY.replace('10.0', 'long'), "duration_s: found 'long', expected a finite number"),
    (BODY.replace('10.0', '-1'), 'duration_s: found -1.0, expected a number above 0'),
    (BODY.replace('200.0', '-200.0'),
     'sensors.imu.rate_hz: found -200.0, expected a number above 0'),
    (BODY.replace('200.0', 'true'), 'sensors.imu.rate_hz: found True, expected a finite number'),
    (BODY.replace('kind: imu', 'kind: sonar'),
     "sensors.imu.kind: found 'sonar', expected one of odometry, imu, camera, lidar"),
    (BODY.replace('kind: imu, ', ''), 'sensors.imu.kind: found nothing, expected one of'),
    (BODY.replace('/imu', 'imu'),
     "sensors.imu.topic: found 'imu', expected a full topic name such as /unit/odometry"),
    (BODY.replace('/odom', '/imu'),
     "sensors.unit: found topic '/imu', expected one that sensors.imu does not use"),
    (BODY.replace(', child_frame: body', ''), 'sensors.unit.child_frame: missing'),
    (BODY.replace('frame: map', 'frame: map, clock: {skew: 2}'),
     'sensors.unit.clock.skew: unknown key, expected one of offset_s, skew_ppm'),
    (BODY.replace('frame: map', 'frame: map, clock: {skew_ppm: 2000}'),
     'sensors.unit.clock.skew_ppm: found 2000.0, expected -1000 to 1000'),
    (BODY.replace('frame: map', 'frame: map, delay: {least_s: -0.1}'),
     'sensors.unit.delay.least_s: found -0.1, expected 0 or more'),
    (BODY + 'walk: {loop_s: 0}', 'walk.loop_s: found 0.0, expected a number above 0'),
    (BODY + 'seed: 1.5', 'seed: found 1.5, expected a whole number'),
    (BODY + 'faults: {}', 'faults: found {}, expected a list'),
    (BODY + 'faults: [{kind: silence, sensor: wheel, at_s: 1}]',
     "faults[0].sensor: found 'wheel', expected one of imu, unit"),
    (BODY + 'faults: [{kind: rust, sensor: imu, at_s: 1}]',
     "faults[0].kind: found 'rust', expected one of clock_step, covariance_blowup, "),
    (BODY + 'faults: [{kind: silence, sensor: imu}]', 'faults[0].at_s: missing'),
    (BODY + 'faults: [{kind: silence, sensor: imu, at_s: 1, until_s: 1}]',
     'faults[0].until_s: found 1.0, expected a number above 1'),
    (BODY + 'faults: [{kind: silence, sensor: imu, at_s: 11}]',
     'faults[0].at_s: found 11.0, expected at most duration_s, 10.0'),
    (BODY + 'faults: [{kind: silence, sensor: imu, at_s: 9, until_s: 11}]',
     'faults[0].until_s: found 11.0, expected at most duration_s, 10.0'),
    (BODY + 'faults: [{kind: silence, sensor: imu, at_s: 3, until_s: 5}, '
     '{kind: clock_step, sensor: imu, at_s: 4, size_s: 1}]',
     'faults[1].at_s: found 4.0, expected a time after faults[0] on imu, which ends at 5.0'),
    (BODY + 'faults: [{kind: silence, sensor: imu, at_s: 3}, '
     '{kind: loss, sensor: imu, at_s: 4, every: 2}]',
     'faults[1].at_s: found 4.0, expected a time after faults[0] on imu, which ends at 10.0'),
    (BODY + 'faults: [{kind: pose_jump, sensor: imu, at_s: 3, x_m: 1}]',
     "faults[0].sensor: found 'imu' of kind imu, expected one of kind odometry"),
    (BODY + 'faults: [{kind: pose_jump, sensor: unit, at_s: 3}]',
     'faults[0].x_m, y_m, z_m, yaw_rad: found only 0, expected a jump'),
    (BODY + 'faults: [{kind: covariance_blowup, sensor: unit, at_s: 3}]',
     'faults[0].factor, sigma_m: expected exactly one of the two'),
    (BODY + 'faults: [{kind: delay_rise, sensor: unit, at_s: 3, to_s: 0.0}]',
     'faults[0].to_s: found 0.0, expected a number above 0'),
])
def test_bad_scenarios_are_refused_in_words(text, message):
    with pytest.raises(ScenarioError) as refused:
        scenario_from_yaml(text)
    assert str(refused.value).startswith(message)


def test_the_unspoilt_text_is_accepted():
    assert list(scenario_from_yaml(BODY).sensors) == ['imu', 'unit']


def test_faults_on_two_sensors_or_after_a_momentary_one_may_follow_at_will():
    accepted = scenario_from_yaml(
        BODY + 'faults: [{kind: pose_jump, sensor: unit, at_s: 3, x_m: 1}, '
        '{kind: silence, sensor: unit, at_s: 4}, {kind: silence, sensor: imu, at_s: 3}]')
    assert len(accepted.faults) == 3


def test_errors_of_a_file_name_the_file(tmp_path):
    file = tmp_path / 'bad.yaml'
    file.write_text(BODY.replace('10.0', '0'))
    with pytest.raises(ScenarioError, match=r'bad\.yaml: duration_s: found 0\.0'):
        load_scenario(file)
    with pytest.raises(ScenarioError, match=r'none\.yaml: cannot be read: No such file'):
        load_scenario(tmp_path / 'none.yaml')
    with pytest.raises(ScenarioError, match="found 'parade', expected .* demo, healthy"):
        load_scenario('parade')


def test_a_hall_must_hold_the_walk():
    with pytest.raises(ScenarioError) as refused:
        replace(HEALTHY, walk=Walk(half_length_m=20.0))
    assert str(refused.value) == (
        'sensors.roof_lidar.hall_length_m: found 24.0, expected room for the walk, '
        'which reaches 20 m that way')
