# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""A researcher sees independent offset estimates side by side and is told when one is wrong."""

from __future__ import annotations

import math
import random

import pytest

from robot_mapping_qa.timing.cross_check import cross_check, Estimate
from robot_mapping_qa.timing.two_way import TwoWayExchange
from time_daemons import reply_to

MS = 1e-3


def estimates(theta_stream=0.0, theta_unit=0.0, delay_stream=0.0, delay_unit=0.0, stamp_error=0.0,
              sigma=0.1 * MS):
    """What each method would say, from the truth; stamp_error: stamp minus true measuring time."""
    return {
        'one_way': Estimate(theta_stream + stamp_error - delay_stream, sigma),
        'two_way': Estimate(theta_unit, sigma),
        'motion': Estimate(theta_stream + stamp_error - theta_unit, sigma),
        'unit_one_way': Estimate(theta_unit - delay_unit, sigma)}


def test_offset_and_delay_are_told_apart_and_nothing_is_wrong():
    result = cross_check('front_camera', **estimates(
        theta_stream=21.4 * MS, theta_unit=-8 * MS, delay_stream=12 * MS, delay_unit=3 * MS))
    assert result.disagreements == ()
    assert result.offset.value_s == pytest.approx(21.4 * MS)
    assert result.offset.sigma_s == pytest.approx(0.1 * MS * math.sqrt(2))
    assert result.smallest_delay.value_s == pytest.approx(12 * MS)
    assert result.smallest_delay.sigma_s == pytest.approx(0.1 * MS * math.sqrt(3))
    assert result.delay_difference.value_s == pytest.approx(9 * MS)
    assert [figure.name for figure in result.figures] == ['one way', 'two way', 'motion']
    assert result.figures[0].value_s == pytest.approx(9.4 * MS)
    assert 'less the smallest delay' in result.figures[0].includes


def test_the_units_own_stream_needs_no_motion():
    known = estimates(theta_stream=5 * MS, theta_unit=5 * MS, delay_stream=2 * MS)
    result = cross_check('unit_odometry', known['one_way'], known['two_way'],
                         stamped_by_unit=True)
    assert result.smallest_delay.value_s == pytest.approx(2 * MS)
    assert result.disagreements == ()
    assert result.delay_difference is None


def test_stamps_from_another_clock_than_the_time_server_serves_are_noticed():
    # Received 6 ms before they were sent, if the time server's clock had stamped them.
    result = cross_check('unit_odometry', Estimate(6 * MS, 0.1 * MS), Estimate(0.0, 0.1 * MS),
                         stamped_by_unit=True)
    (found,) = result.disagreements
    assert found.between == ('one way', 'two way')
    assert found.difference_s == pytest.approx(-6 * MS)
    assert found.meaning.startswith('clock not disciplined')
    assert '-6.000 ms' in found.text
    assert 'unit_odometry' in found.text


def test_absurdly_long_delay_is_noticed():
    result = cross_check('roof_lidar', **estimates(delay_stream=400 * MS))
    (found,) = result.disagreements
    assert found.between == ('one way', 'two way with motion')
    assert found.difference_s == pytest.approx(150 * MS)
    assert 'held back' in found.meaning


def test_exposure_that_is_not_at_the_stamp_shows_on_a_stream_that_the_unit_stamps():
    result = cross_check('unit_imu', stamped_by_unit=True, **estimates(stamp_error=-8 * MS))
    (found,) = result.disagreements
    assert found.between == ('motion', 'unit stamps')
    assert found.difference_s == pytest.approx(-8 * MS)
    assert found.meaning.startswith('exposure or scan time not at the stamp')


@pytest.mark.parametrize('stamp_error', [-400 * MS, 400 * MS])
def test_without_a_time_server_one_way_and_motion_cancel_clock_and_stamp_error(stamp_error):
    known = estimates(theta_stream=3.0, theta_unit=-7.0, stamp_error=stamp_error)
    known['two_way'] = None
    result = cross_check('front_camera', **known)
    # Stamp error is in both: this pair tells delays only, and says so by finding nothing.
    assert result.delay_difference.value_s == pytest.approx(0.0, abs=1e-12)
    assert result.disagreements == ()
    assert result.offset is None
    assert result.smallest_delay is None


@pytest.mark.parametrize('delay_stream, delay_unit, meaning', [
    (0.5, 0.0, 'data is held back'), (0.0, 0.5, "the unit's data is held back")])
def test_without_a_time_server_delays_that_differ_absurdly_are_noticed(
        delay_stream, delay_unit, meaning):
    known = estimates(theta_stream=3.0, delay_stream=delay_stream, delay_unit=delay_unit)
    known['two_way'] = None
    (found,) = cross_check('front_camera', **known).disagreements
    assert found.between == ('one way', 'motion')
    assert abs(found.difference_s) == pytest.approx(0.25)
    assert found.meaning.startswith(meaning)


def test_changed_delay_is_told_from_a_changed_clock():
    before = cross_check('front_camera', **estimates(delay_stream=12 * MS))
    clock_moved = cross_check('front_camera', earlier=before,
                              **estimates(theta_stream=40 * MS, delay_stream=12 * MS))
    assert clock_moved.disagreements == ()
    delay_moved = cross_check('front_camera', earlier=before,
                              **estimates(theta_stream=40 * MS, delay_stream=17 * MS))
    (found,) = delay_moved.disagreements
    assert found.difference_s == pytest.approx(5 * MS)
    assert found.meaning.startswith('delay not constant')


def test_changed_delay_shows_without_a_time_server_too():
    known = [estimates(delay_stream=delay) for delay in (12 * MS, 17 * MS)]
    for item in known:
        item['two_way'] = None
    before = cross_check('front_camera', **known[0])
    (found,) = cross_check('front_camera', earlier=before, **known[1]).disagreements
    assert found.meaning.startswith('delay not constant')


def test_difference_within_three_sigma_is_no_disagreement():
    def run(one_way_s):
        return cross_check('unit_odometry', Estimate(one_way_s, 3 * MS), Estimate(0.0, 4 * MS),
                           stamped_by_unit=True).disagreements
    assert run(14.9 * MS) == ()
    assert len(run(15.1 * MS)) == 1


def test_unusable_estimate_is_shown_with_its_reason_and_not_compared():
    known = estimates(delay_stream=12 * MS)
    known['motion'] = Estimate(9.0, 1.0, False, 'the robot has not turned enough')
    result = cross_check('front_camera', **known)
    assert result.figures[2].includes == 'not usable: the robot has not turned enough'
    assert not result.figures[2].usable
    assert result.offset is None
    assert result.disagreements == ()


def test_nothing_known_gives_nothing():
    result = cross_check('front_camera')
    assert result.figures == ()
    assert result.disagreements == ()
    assert result.offset is None


@pytest.mark.parametrize('value_s, sigma_s', [(None, 1.0), (1.0, None), (1.0, -1.0)])
def test_usable_estimate_without_figures_is_refused(value_s, sigma_s):
    with pytest.raises(ValueError, match='needs a value and a sigma'):
        Estimate(value_s, sigma_s)
    assert Estimate(value_s, sigma_s, usable=False).usable is False


def test_false_alarms_are_as_rare_as_three_sigma_promises():
    # Smallest delay zero is the worst case: 0.135 % beyond on the one side that is impossible
    # (normal distribution table); 20,000 trials give 27 +- 5.
    random_ = random.Random(2)
    alarms = 0
    for _ in range(20_000):
        alarms += bool(cross_check(
            'unit_odometry', Estimate(random_.gauss(0.0, 1 * MS), 1 * MS),
            Estimate(random_.gauss(0.0, 2 * MS), 2 * MS), stamped_by_unit=True).disagreements)
    assert 10 <= alarms <= 50


def test_any_asymmetric_path_of_a_real_exchange_raises_no_alarm():
    # The whole delay on one side is the worst that a network can do to the two-way offset.
    now_ns = 1_795_597_746_000_000_000
    for out_ns, back_ns in ((20_000_000, 0), (0, 20_000_000)):
        clock = TwoWayExchange()
        request = clock.request(now_ns)
        clock.reply(reply_to(request, now_ns + out_ns, now_ns + out_ns), now_ns + out_ns + back_ns)
        figures = clock.figures(now_ns)
        two_way = Estimate(figures.offset_s, figures.sigma_s)
        result = cross_check('unit_odometry', Estimate(0.0, 0.0), two_way, stamped_by_unit=True)
        assert result.disagreements == ()
