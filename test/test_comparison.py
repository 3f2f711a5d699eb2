# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""All estimates of all clocks together: which are compared, at what time, in what words."""

from dataclasses import fields

import pytest
from robot_mapping_qa.timing.comparison import compare, offset_sentence
from robot_mapping_qa.timing.figures import StreamFigures
from robot_mapping_qa.timing.motion_offset import MotionOffsetEstimate
from robot_mapping_qa.timing.two_way import TwoWayFigures


def stream(offset_s=None, sigma_s=1e-4, skew_ppm=0.0, skew_sigma_ppm=0.1):
    values = {item.name: None for item in fields(StreamFigures)}
    counts = ('lost', 'gaps', 'duplicated', 'reordered', 'backwards', 'malformed', 'unstamped')
    values.update({name: 0 for name in counts}, topic='/t', messages=100, clock_steps=(),
                  silences=(), largest_reordering_extent=0)
    values.update(offset_s=offset_s, offset_sigma_s=None if offset_s is None else sigma_s,
                  skew_ppm=skew_ppm, skew_sigma_ppm=skew_sigma_ppm)
    return StreamFigures(**values)


def motion(value_s, sigma_s=2e-4):
    return MotionOffsetEstimate(value_s, sigma_s, True, '', 0.99, 0.3)


def exchange(offset_s, sigma_s=1e-4, reach=0xFF):
    return TwoWayFigures(
        at_ns=0, offset_s=offset_s, sigma_s=sigma_s, bound_s=1.7 * sigma_s, delay_s=2e-4,
        dispersion_s=1e-5, drift=15e-6, filter_dispersion_s=0.0, jitter_s=1e-5, stratum=3, leap=0,
        reference='', root_distance_s=0.01, reach=reach, samples=8)


STILL = MotionOffsetEstimate(None, None, False, 'the robot has not turned enough', None, 0.01)


def test_one_way_alone_is_compared_with_nothing():
    assert compare('unit', {'unit': stream(-0.005), 'camera': stream(0.016)}, {}) == {}


def test_three_ways_give_the_clock_without_the_delay():
    """Unit 10 ms ahead of the host, IMU 20 ms ahead of the unit, delays 3 ms and 4 ms."""
    checks = compare('unit', {'unit': stream(0.007), 'imu': stream(0.026)},
                     {'imu': motion(0.020)}, exchange(0.010))
    assert set(checks) == {'unit', 'imu'}
    assert checks['unit'].offset.value_s == pytest.approx(0.010)
    assert checks['unit'].smallest_delay.value_s == pytest.approx(0.003)
    assert checks['imu'].offset.value_s == pytest.approx(0.030)
    assert checks['imu'].smallest_delay.value_s == pytest.approx(0.004)
    assert not checks['unit'].disagreements and not checks['imu'].disagreements


def test_exchange_does_not_reach_a_stream_that_saw_no_motion():
    checks = compare('unit', {'unit': stream(0.007), 'camera': stream(0.02)}, {}, exchange(0.01))
    assert set(checks) == {'unit'}


def test_stream_that_the_unit_stamps_is_reached():
    checks = compare('unit', {'unit': stream(0.007), 'cloud': stream(-0.09)}, {}, exchange(0.01),
                     stamped_by_unit=('cloud',))
    assert checks['cloud'].smallest_delay.value_s == pytest.approx(0.1)


def test_disagreement_beyond_three_sigma_is_found():
    """Stamps later than the unit's own clock can show: they are not taken from that clock."""
    checks = compare('unit', {'unit': stream(0.010)}, {}, exchange(0.004))
    found, = checks['unit'].disagreements
    assert found.difference_s == pytest.approx(-0.006)
    assert 'not disciplined' in found.meaning


def test_motion_is_carried_from_its_window_to_the_time_of_the_figures():
    """30 s at 40 ppm between the clocks are 1.2 ms; 0.5 ppm (sigma) each make it uncertain."""
    checks = compare(
        'unit', {'unit': stream(0.0, skew_ppm=-10.0, skew_sigma_ppm=0.5),
                 'imu': stream(0.02, skew_ppm=30.0, skew_sigma_ppm=0.5)},
        {'imu': motion(0.020, 1e-5)}, motion_age_s=30.0)
    figure = next(item for item in checks['imu'].figures if item.name == 'motion')
    assert figure.value_s == pytest.approx(0.0212)
    assert figure.sigma_s == pytest.approx((1e-5 ** 2 + 2 * (30.0 * 0.5e-6) ** 2) ** 0.5)


def test_unknown_skew_widens_what_is_carried():
    checks = compare(
        'unit', {'unit': stream(0.0), 'imu': stream(0.02, skew_ppm=None, skew_sigma_ppm=None)},
        {'imu': motion(0.020, 1e-5)}, motion_age_s=30.0)
    figure = next(item for item in checks['imu'].figures if item.name == 'motion')
    assert figure.sigma_s > 30.0 * 50e-6 * 0.99


def test_what_cannot_be_used_is_listed_with_its_reason():
    checks = compare('unit', {'unit': stream(0.007), 'imu': stream()}, {'imu': STILL},
                     exchange(0.01, reach=0))
    reasons = {item.name: item.includes for item in checks['imu'].figures}
    assert 'not turned enough' in reasons['motion']
    assert 'has not answered' in reasons['two way']
    assert 'no offset' in reasons['one way']
    assert not any(item.usable for item in checks['imu'].figures)
    assert checks['imu'].offset is None and checks['imu'].disagreements == ()


def test_changed_delay_shows_against_a_former_result():
    before = compare('unit', {'unit': stream(0.007)}, {}, exchange(0.010))
    after = compare('unit', {'unit': stream(0.001)}, {}, exchange(0.010), earlier=before)
    assert 'smallest delay has changed by +6.000 ms' in after['unit'].disagreements[0].text


def test_sentence_says_what_an_offset_costs():
    """0.0214 s x 1.5 rad/s x 3 m = 96.3 mm."""
    assert offset_sentence('front_camera', stream(0.0214), 1.5, 3.0) == (
        'front_camera stamps run 21.4 ms ahead of the host, smallest delay included; at 1.5 '
        'rad/s and 3 m that is 96 mm on the structure')


def test_sentence_does_not_take_a_delay_for_a_clock():
    text = offset_sentence('front_camera', stream(-0.020), 0.5, 3.0)
    assert 'run 20.0 ms behind the host, smallest delay included' in text
    assert 'were that the clock, at 0.5 rad/s and 3 m it would be 30 mm' in text


def test_sentence_prefers_the_offset_against_the_unit():
    figures = {'unit': stream(-0.005), 'imu': stream(0.015)}
    check = compare('unit', figures, {'imu': motion(0.018)})['imu']
    assert offset_sentence('imu', figures['imu'], 1.0, 2.0, check).endswith(
        'for the same motion they run 18.0 ms ahead of the unit; at 1 rad/s and 2 m that is '
        '36 mm on the structure')


@pytest.mark.parametrize('figures, turn_rate, text', [
    (stream(), 1.0, None),
    (stream(0.01), None, 'x stamps run 10.0 ms ahead of the host, smallest delay included')])
def test_sentence_makes_nothing_up(figures, turn_rate, text):
    assert offset_sentence('x', figures, turn_rate, 3.0) == text
