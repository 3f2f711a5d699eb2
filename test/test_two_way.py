# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""A researcher learns the unit's clock offset, how sure it is, and why a reply was refused."""

from __future__ import annotations

import math
import random

import pytest

from robot_mapping_qa.timing.ntp_packet import client_request, from_timestamp
from robot_mapping_qa.timing.ntp_packet import NtpPacket, to_timestamp
from robot_mapping_qa.timing.two_way import Cause, PHI, Refused, Sample, TwoWayExchange
from time_daemons import reply_to, stamp

S = 1_000_000_000
MS = 1_000_000
NOW = 1_795_597_746 * S


def exchange(**options) -> TwoWayExchange:
    return TwoWayExchange(host_precision_s=1e-6, **options)


def run(clock: TwoWayExchange, t1_ns: int, offset_ns: int, out_ns: int, back_ns: int, **reply):
    """One exchange with the path delays given; the server takes 1 ms to answer."""
    request = clock.request(t1_ns)
    t2_ns = t1_ns + out_ns + offset_ns
    t3_ns = t2_ns + MS
    return clock.reply(reply_to(request, t2_ns, t3_ns, **reply), t3_ns - offset_ns + back_ns)


# What a researcher gets

@pytest.mark.parametrize('offset_ns', [0, 250 * MS, -1500 * MS, 3600 * S, -56 * 365 * 86400 * S])
def test_offset_is_the_units_clock_minus_the_hosts(offset_ns):
    clock = exchange()
    sample = run(clock, NOW, offset_ns, 2 * MS, 2 * MS)
    assert sample.offset_s == pytest.approx(offset_ns / S, rel=1e-14, abs=1e-9)
    assert sample.delay_s == pytest.approx(4e-3, abs=2e-9)
    assert clock.figures(sample.at_ns).offset_s == sample.offset_s


def test_asymmetric_path_shows_as_half_its_difference_and_stays_inside_the_bound():
    sample = run(exchange(), NOW, 0, 30 * MS, 2 * MS)
    assert sample.offset_s == pytest.approx(14e-3, abs=2e-9)
    assert sample.bound_s > 14e-3
    one_way_only = run(exchange(), NOW, 0, 30 * MS, 0)
    assert one_way_only.offset_s <= one_way_only.bound_s


def test_figures_keep_the_sample_of_least_delay_of_the_last_eight():
    clock = exchange()
    delays_ms = [9, 3, 8, 7, 6, 5, 4, 9, 10]
    for poll, delay in enumerate(delays_ms):
        run(clock, NOW + 2 * S * poll, 0, delay * MS, delay * MS)
    figures = clock.figures(NOW + 16 * S)
    assert figures.delay_s == pytest.approx(6e-3, abs=1e-8)
    assert figures.samples == 8
    run(clock, NOW + 18 * S, 0, 11 * MS, 11 * MS)  # pushes the 3 ms sample out
    assert clock.figures(NOW + 18 * S).delay_s == pytest.approx(8e-3, abs=1e-8)


def test_dispersion_grows_at_15_ppm_and_sigma_is_the_rectangular_bound():
    clock = exchange()
    sample = run(clock, NOW, 0, 2 * MS, 2 * MS)
    # RFC 5905 section 8 by hand: 2**-20 + 1 us + 15e-6 * 5 ms.
    assert sample.dispersion_s == pytest.approx(2.0**-20 + 1e-6 + 15e-6 * 5e-3, rel=1e-9)
    later = clock.figures(sample.at_ns + 100 * S)
    assert later.dispersion_s - sample.dispersion_s == pytest.approx(1.5e-3, rel=1e-6)
    assert later.bound_s == pytest.approx(2e-3 + later.dispersion_s, abs=2e-9)
    assert later.sigma_s == pytest.approx(later.bound_s / math.sqrt(3))


def test_filter_dispersion_and_jitter_by_hand():
    # RFC 5905 section 10: sum of dispersion_i / 2**(i+1) over the stages by increasing delay,
    # an empty stage counting 16 s; jitter: root mean square of the differences from the best.
    clock = exchange()
    assert clock.figures(NOW) is None
    first = run(clock, NOW, 0, 2 * MS, 2 * MS)
    assert clock.figures(first.at_ns).jitter_s is None
    assert clock.figures(first.at_ns).filter_dispersion_s == pytest.approx(
        first.dispersion_s / 2 + 16 * (1 / 2 - 1 / 256), rel=1e-9)
    second = run(clock, NOW + 2 * S, 0, 6 * MS, 2 * MS)
    third = run(clock, NOW + 4 * S, 0, 2 * MS, 8 * MS)
    figures = clock.figures(third.at_ns)
    assert figures.jitter_s == pytest.approx(math.sqrt((2e-3**2 + 3e-3**2) / 2), rel=1e-6)
    ages_s = [4.0 + 6e-3, 2.0 + 2e-3, 0.0]
    grown = [sample.dispersion_s + PHI * age_s for sample, age_s
             in zip((first, second, third), ages_s)]
    expected = sum(value / 2**(i + 1) for i, value in enumerate(grown)) + 16 * (1/8 - 1/256)
    assert figures.filter_dispersion_s == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize('drift', [0.0, 15e-6, 50e-6, -100e-6])
def test_bound_holds_for_a_clock_that_drifts(drift):
    """The true offset now lies inside the bound, also for a clock worse than the standard's."""
    random_ = random.Random(5)
    clock = exchange()
    inside = total = 0
    for poll in range(400):
        t1 = NOW + 2 * S * poll
        offset = 20 * MS + round(drift * 2 * S * poll)
        run(clock, t1, offset, 200_000 + round(random_.expovariate(1) * MS),
            200_000 + round(random_.expovariate(1) * MS))
        if poll >= 64:  # on so slow a network it takes two minutes to prove a drift of 35 ppm
            now = t1 + 10 * MS
            figures = clock.figures(now)
            inside += abs(figures.offset_s - (offset / S)) <= figures.bound_s
            total += 1
    assert inside / total >= (1.0 if abs(drift) <= PHI else 0.95)


def test_step_of_a_clock_is_reported_and_older_samples_are_dropped():
    clock = exchange()
    for poll in range(8):
        assert run(clock, NOW + 2 * S * poll, 0, MS // 2, MS // 2).step_s is None
    sample = run(clock, NOW + 16 * S, 5 * MS, MS, MS)
    assert sample.step_s == pytest.approx(5e-3, abs=1e-8)
    figures = clock.figures(sample.at_ns)
    assert figures.offset_s == pytest.approx(5e-3, abs=1e-8)
    assert figures.samples == 1


def test_reach_register_and_loss():
    clock = exchange()
    for poll in range(4):
        run(clock, NOW + 2 * S * poll, 0, MS, MS)
    assert clock.reach == 0b1111
    for poll in range(4, 11):
        clock.request(NOW + 2 * S * poll)
        assert clock.figures(NOW + 2 * S * poll) is not None
    assert clock.reach == 0b10000000
    clock.request(NOW + 22 * S)
    assert clock.reach == 0
    assert clock.figures(NOW + 22 * S) is None


def test_undeliverable_polls_age_the_filter_like_lost_ones():
    clock = exchange()
    run(clock, NOW, 0, MS, MS)
    for _ in range(8):
        clock.miss()
    assert clock.reach == 0
    assert clock.figures(NOW + 16 * S) is None


# What is refused, and why

REFUSED = [
    ({'leap': 3}, Cause.UNSYNCHRONIZED, 'leap indicator 3'),
    ({'stratum': 16}, Cause.STRATUM, 'stratum 16'),
    ({'stratum': 0, 'reference': bytes(4), 'leap': 3}, Cause.STRATUM, 'stratum 0'),
    ({'mode': 3}, Cause.MODE, 'mode 3'),
    ({'mode': 5}, Cause.MODE, 'mode 5'),
    ({'version': 2}, Cause.VERSION, 'version 2'),
    ({'version': 7}, Cause.VERSION, 'version 7'),
    ({'origin': 0}, Cause.ORIGIN, 'no outstanding request'),
    ({'origin': stamp(NOW + 5)}, Cause.ORIGIN, 'no outstanding request'),
    ({'root_delay': 3 << 16}, Cause.ROOT_DISTANCE, 'root distance 1.5'),
    ({'root_dispersion': 2 << 16}, Cause.ROOT_DISTANCE, 'root distance 2.0'),
    ({'precision': 20}, Cause.ROOT_DISTANCE, 'root distance'),
]


@pytest.mark.parametrize('fields, cause, words', REFUSED)
def test_bad_reply_is_refused_with_its_reason_and_leaves_no_trace(fields, cause, words):
    clock = exchange()
    refused = run(clock, NOW, 0, MS, MS, **fields)
    assert isinstance(refused, Refused)
    assert refused.cause is cause
    assert words in refused.text
    assert refused.at_ns == NOW + 3 * MS
    assert clock.reach == 0
    assert clock.figures(NOW) is None


@pytest.mark.parametrize('size', [0, 1, 47])
def test_short_packet_is_refused(size):
    clock = exchange()
    request = clock.request(NOW)
    refused = clock.reply(reply_to(request, NOW, NOW)[:size], NOW)
    assert refused.cause is Cause.SHORT
    assert f'{size} bytes' in refused.text
    # The request is still open: the true reply may follow.
    assert isinstance(clock.reply(reply_to(request, NOW + MS, NOW + MS), NOW + 2 * MS), Sample)


def test_extension_fields_behind_the_header_do_no_harm():
    clock = exchange()
    request = clock.request(NOW)
    data = reply_to(request, NOW + MS, NOW + MS) + bytes(20)
    assert isinstance(clock.reply(data, NOW + 2 * MS), Sample)


def test_duplicate_and_replayed_replies_are_refused():
    clock = exchange()
    request = clock.request(NOW)
    data = reply_to(request, NOW + MS, NOW + MS)
    assert isinstance(clock.reply(data, NOW + 2 * MS), Sample)
    assert clock.reply(data, NOW + 3 * MS).cause is Cause.DUPLICATE
    clock.request(NOW + 2 * S)
    assert clock.reply(data, NOW + 2 * S + MS).cause is Cause.DUPLICATE
    run(clock, NOW + 4 * S, 0, MS, MS)
    assert clock.reply(data, NOW + 5 * S).cause is Cause.ORIGIN


@pytest.mark.parametrize('out_ns, back_ns, words', [
    (MS, -5 * MS, 'negative'), (-5 * MS, MS, 'negative'), (600 * MS, 600 * MS, 'at most 1 s')])
def test_implausible_delay_is_refused(out_ns, back_ns, words):
    refused = run(exchange(), NOW, 0, out_ns, back_ns)
    assert refused.cause is Cause.DELAY
    assert words in refused.text


def test_delay_slightly_below_zero_is_taken_as_the_host_precision():
    # RFC 5905 appendix A.5.1.1: fast path, clocks of unequal rate.
    sample = run(exchange(), NOW, 0, 0, -1000)
    assert sample.delay_s == 1e-6


@pytest.mark.parametrize('receive_ns, transmit_ns', [
    (NOW + MS, NOW), (-2_208_988_800 * S, NOW), (NOW, -2_208_988_800 * S)])
def test_impossible_server_timestamps_are_refused(receive_ns, transmit_ns):
    clock = exchange()
    request = clock.request(NOW)
    refused = clock.reply(reply_to(request, receive_ns, transmit_ns), NOW + 2 * MS)
    assert refused.cause is Cause.TIMESTAMPS


@pytest.mark.parametrize('code', [b'DENY', b'RSTR'])
def test_server_that_forbids_requests_is_left_alone(code):
    clock = exchange()
    refused = run(clock, NOW, 0, MS, MS, stratum=0, leap=3, reference=code)
    assert refused.cause is Cause.KISS
    assert code.decode() in refused.text
    assert clock.poll_interval_s is None
    with pytest.raises(RuntimeError, match='forbidden'):
        clock.request(NOW + 2 * S)


def test_rate_kiss_doubles_the_poll_interval_each_time_up_to_the_limit():
    clock = exchange(poll_interval_s=2.0)
    expected = 2.0
    for poll in range(12):
        expected = min(2 * expected, 1024.0)
        refused = run(clock, NOW + S * poll, 0, MS, MS, stratum=0, leap=3, reference=b'RATE')
        assert refused.cause is Cause.KISS
        assert clock.poll_interval_s == expected


def test_other_kiss_codes_are_named_and_change_nothing():
    clock = exchange()
    refused = run(clock, NOW, 0, MS, MS, stratum=0, leap=3, reference=b'INIT')
    assert refused.cause is Cause.KISS
    assert 'INIT' in refused.text
    assert clock.poll_interval_s == 2.0


def test_kiss_without_our_origin_is_a_forgery_and_is_not_obeyed():
    clock = exchange()
    refused = run(clock, NOW, 0, MS, MS, stratum=0, leap=3, reference=b'DENY', origin=7)
    assert refused.cause is Cause.ORIGIN
    assert clock.poll_interval_s == 2.0


@pytest.mark.parametrize('options, words', [
    ({'poll_interval_s': 0.5}, 'poll interval 0.5 s'),
    ({'poll_interval_s': 2000.0}, 'poll interval 2000'),
    ({'poll_interval_s': float('nan')}, 'poll interval nan'),
    ({'max_delay_s': 0.0}, 'largest delay'),
    ({'max_root_distance_s': -1.0}, 'largest root distance')])
def test_impossible_settings_are_refused(options, words):
    with pytest.raises(ValueError, match=words):
        exchange(**options)


# Formats

def test_timestamps_of_the_standard():
    # RFC 5905 figure 4, seconds column; the last row of era 0 and the first of era 1.
    assert to_timestamp(0) >> 32 == 2_208_988_800                    # 1970-01-01, first day Unix
    assert to_timestamp(63_072_000 * S) >> 32 == 2_272_060_800       # 1972-01-01, first day UTC
    assert to_timestamp(946_598_400 * S) >> 32 == 3_155_587_200      # 1999-12-31
    era_1 = 2_085_978_496 * S                                        # 2036-02-07 06:28:16
    assert to_timestamp(era_1) == 0
    assert to_timestamp(era_1 - S) >> 32 == 2**32 - 1
    assert to_timestamp(S // 2) & 0xFFFFFFFF == 1 << 31


def test_every_nanosecond_survives_the_fraction():
    random_ = random.Random(1)
    cases = [0, 1, 2, 499_999_999, 999_999_998, 999_999_999]
    cases += [random_.randrange(S) for _ in range(20_000)]
    for ns in cases:
        unix_ns = NOW + ns
        assert from_timestamp(to_timestamp(unix_ns), NOW) == unix_ns
        # A server that truncates loses one nanosecond at most.
        assert abs(from_timestamp(stamp(unix_ns), NOW) - unix_ns) <= 1


def test_offset_is_right_across_the_rollover_of_2036():
    rollover = 2_085_978_496 * S
    for offset_ns in (-S, 0, 250 * MS, 40 * S):
        sample = run(exchange(), rollover - MS, offset_ns, 2 * MS, 2 * MS)
        assert sample.offset_s == pytest.approx(offset_ns / S, abs=2e-9)
    assert from_timestamp(to_timestamp(rollover + 5), rollover - 60 * 365 * 86400 * S) \
        == rollover + 5


def test_packet_layout_byte_by_byte():
    # RFC 5905 figure 8, laid out by hand.
    data = bytes.fromhex(
        'e4'                # leap 3, version 4, mode 4
        '01' '06' 'ec'      # stratum 1, poll 2**6 s, precision 2**-20 s
        '00018000'          # root delay 1.5 s
        '00000080'          # root dispersion 2**-9 s
        '47505300'          # GPS
        'e000000080000000' 'e000000100000000' 'e000000200000000' 'e0000003ffffffff')
    packet = NtpPacket.decode(data)
    assert (packet.leap, packet.version, packet.mode) == (3, 4, 4)
    assert (packet.stratum, packet.poll, packet.precision) == (1, 6, -20)
    assert (packet.root_delay_s, packet.root_dispersion_s) == (1.5, 2.0**-9)
    assert packet.reference_id == b'GPS\0'
    assert packet.reference == 0xE000000080000000
    assert packet.origin == 0xE000000100000000
    assert packet.receive == 0xE000000200000000
    assert packet.transmit == 0xE0000003FFFFFFFF
    assert packet.encode() == data


def test_request_carries_nothing_but_version_mode_and_transmit_time():
    data = client_request(0x0102030405060708)
    assert data == b'\x23' + bytes(39) + bytes(range(1, 9))
