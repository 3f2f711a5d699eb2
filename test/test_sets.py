# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Sets across streams: the sets of message_filters, and figures that a researcher can check."""

from __future__ import annotations

import hashlib
import importlib.util
import itertools
import random
from types import SimpleNamespace

import pytest
from robot_mapping_qa.timing.sets import (
    apart_sentences, ApproximateTimeMatcher, set_queue, SetStatistics)

MS = 1_000_000

# stream rates (Hz), stamp jitter (s), share of messages dropped, spread of the transport delay
# (s, reorders messages), stamps rounded to (ns, makes equal distances and equal stamps common),
# share of messages sent twice, queue size, slop (s), duration (s)
SCENARIOS = {
    'five cameras': ([15] * 5, 0.004, 0.02, 0.03, 1, 0.0, 50, 0.05, 260),
    'mixed rates': ([10, 15, 20, 30], 0.02, 0.05, 0.05, 1, 0.01, 20, 0.05, 230),
    'slop wider than a period': ([20, 25, 30], 0.02, 0.1, 0.1, 1, 0.0, 10, 0.12, 120),
    'rounded stamps': ([20, 20, 20, 20], 0.03, 0.1, 0.2, 5 * MS, 0.05, 10, 0.06, 150),
    'short queues': ([20, 20, 30], 0.02, 0.3, 0.3, 1, 0.0, 3, 0.05, 280),
    'queue of one': ([20, 20], 0.0, 0.0, 0.02, 1, 0.0, 1, 0.1, 50),
}

# Recorded from the real package (message_filters 6.0.6, on rclpy 9.1.2) with `real_sets` and
# `digest` below.
RECORDED = {
    'five cameras': (3085, '598b37aec00fbb30'),
    'mixed rates': (2090, '5b245e5669e604b1'),
    'slop wider than a period': (2123, '2decf8be779948e3'),
    'rounded stamps': (1976, '611a95b4019949e6'),
    'short queues': (2415, '10e65e08addac923'),
    'queue of one': (1000, 'bae128dc9f5f155f'),
}


def messages(name: str) -> list[tuple[int, int]]:
    """Return (stream, stamp_ns) in order of receipt; the same for every Python version."""
    rates, jitter, drop, delay, rounding, twice, _, _, duration = SCENARIOS[name]
    generator = random.Random(name)
    events = []
    for stream, rate in enumerate(rates):
        phase = generator.random() / rate
        for index in range(int(duration * rate)):
            time = 100 + phase + index / rate
            stamp = time + (generator.random() - 0.5) * jitter
            stamp_ns = int(stamp * 1e9) // rounding * rounding
            if generator.random() < drop:
                continue
            for _ in range(2 if generator.random() < twice else 1):
                events.append((time + generator.random() * delay, stream, stamp_ns))
    return [(stream, stamp_ns) for _, stream, stamp_ns in sorted(events)]


def our_sets(name: str) -> list[tuple[int, ...]]:
    """Return the sets as message numbers (order of receipt)."""
    rates, *_, queue_size, slop, _ = SCENARIOS[name]
    matcher = ApproximateTimeMatcher(len(rates), queue_size, int(slop * 1e9))
    sets = []
    for number, (stream, stamp_ns) in enumerate(messages(name)):
        sets += matcher.add(stream, stamp_ns, number)
    return sets


def real_message_filters():
    """Return the message_filters package, or None; a stand-in of this package is not it."""
    spec = importlib.util.find_spec('message_filters')
    if spec is None or 'robot_mapping_qa' in str(spec.origin):
        return None
    return importlib.import_module('message_filters')


def real_sets(name: str) -> list[tuple[int, ...]]:
    """Return the sets that the real package forms, as message numbers."""
    message_filters = real_message_filters()
    from rclpy.time import Time
    rates, *_, queue_size, slop, _ = SCENARIOS[name]
    inputs = [message_filters.SimpleFilter() for _ in rates]
    synchronizer = message_filters.ApproximateTimeSynchronizer(inputs, queue_size, slop)
    sets = []
    synchronizer.registerCallback(
        lambda *members: sets.append(tuple(member.number for member in members)))
    for number, (stream, stamp_ns) in enumerate(messages(name)):
        header = SimpleNamespace(stamp=Time(nanoseconds=stamp_ns))
        inputs[stream].signalMessage(SimpleNamespace(header=header, number=number))
    return sets


def digest(sets: list[tuple[int, ...]]) -> str:
    """Return the first 16 hexadecimal digits of the SHA-256 of the sets."""
    return hashlib.sha256(repr(sets).encode()).hexdigest()[:16]


class LiteralRule:
    """The rule word by word, trying every combination: slow, but hard to get wrong."""

    def __init__(self, stream_count, queue_size, slop_ns):
        self.queues = [{} for _ in range(stream_count)]
        self.queue_size, self.slop_ns = queue_size, slop_ns

    def add(self, stream, stamp, item):
        self.queues[stream][stamp] = item
        if len(self.queues[stream]) > self.queue_size:
            del self.queues[stream][min(self.queues[stream])]
        if stamp not in self.queues[stream]:
            return []
        choices = [
            [stamp] if index == stream else sorted(queue, key=lambda held: abs(held - stamp))
            for index, queue in enumerate(self.queues)]
        for combination in itertools.product(*choices):
            if max(combination) - min(combination) < self.slop_ns:
                return [tuple(
                    queue.pop(held) for queue, held in zip(self.queues, combination))]
        return []


# --- which messages form a set ------------------------------------------------------------------

@pytest.mark.parametrize('name', SCENARIOS)
def test_forms_the_sets_recorded_from_message_filters(name):
    sets = our_sets(name)
    assert (len(sets), digest(sets)) == RECORDED[name]


def test_recorded_sets_are_ten_thousand():
    assert sum(count for count, _ in RECORDED.values()) >= 10_000


@pytest.mark.skipif(
    real_message_filters() is None, reason='the real message_filters is not installed')
@pytest.mark.parametrize('name', SCENARIOS)
def test_forms_the_sets_of_the_message_filters_installed_here(name):
    assert our_sets(name) == real_sets(name)


@pytest.mark.parametrize('seed', range(20))
def test_forms_the_sets_of_the_rule_tried_word_by_word(seed):
    generator = random.Random(seed)
    formed = 0
    for _ in range(20):
        stream_count = generator.randint(1, 4)
        queue_size = generator.randint(1, 6)
        slop_ns = generator.randint(1, 12)
        matcher = ApproximateTimeMatcher(stream_count, queue_size, slop_ns)
        rule = LiteralRule(stream_count, queue_size, slop_ns)
        for number in range(150):
            # Few different stamps: equal stamps, equal distances and replacements are common.
            stream = generator.randrange(stream_count)
            stamp = number // 4 + generator.randint(-8, 8)
            expected = rule.add(stream, stamp, number)
            assert matcher.add(stream, stamp, number) == expected
            formed += len(expected)
    assert formed > 100


def test_takes_the_nearest_message_of_each_stream():
    matcher = ApproximateTimeMatcher(2, 10, 50 * MS)
    assert matcher.add(0, 100 * MS, 'far') == []
    assert matcher.add(0, 130 * MS, 'near') == []
    assert matcher.add(1, 125 * MS, 'new') == [('near', 'new')]


def test_an_older_message_stays_and_may_form_a_later_set():
    matcher = ApproximateTimeMatcher(2, 10, 50 * MS)
    matcher.add(0, 100 * MS, 'old')
    matcher.add(0, 130 * MS, 'newer')
    matcher.add(1, 130 * MS, 'first')
    assert matcher.add(1, 131 * MS, 'second') == [('old', 'second')]


def test_stamps_must_differ_by_less_than_the_slop():
    matcher = ApproximateTimeMatcher(2, 10, 50 * MS)
    matcher.add(0, 100 * MS, 'a')
    assert matcher.add(1, 150 * MS, 'too far') == []
    assert matcher.add(1, 150 * MS - 1, 'b') == [('a', 'b')]


def test_takes_the_other_side_where_the_nearest_messages_lie_too_far_apart():
    # New stamp 100, slop 10. Nearest of stream 1 is 95, of stream 2 only 107: 12 apart. By the
    # rule stream 1 keeps its preference while it can be completed; with 95 it cannot, so 106.
    matcher = ApproximateTimeMatcher(3, 10, 10)
    matcher.add(1, 95, 'before')
    matcher.add(1, 106, 'after')
    matcher.add(2, 107, 'only')
    assert matcher.add(0, 100, 'new') == [('new', 'after', 'only')]


def test_the_earlier_stream_keeps_its_preference_over_the_later_one():
    # Stream 1 prefers 95 and stream 2 prefers 105, 10 apart; stream 2 gives way with 94.
    matcher = ApproximateTimeMatcher(3, 10, 10)
    for stream, stamp in ((1, 95), (1, 106), (2, 94), (2, 105)):
        matcher.add(stream, stamp, stamp)
    assert matcher.add(0, 100, 100) == [(100, 95, 94)]


def test_of_two_equally_near_messages_the_first_received_is_taken():
    matcher = ApproximateTimeMatcher(2, 10, 50 * MS)
    matcher.add(0, 110 * MS, 'first')
    matcher.add(0, 90 * MS, 'second')
    assert matcher.add(1, 100 * MS, 'new') == [('first', 'new')]


def test_a_full_queue_loses_its_oldest_stamp_even_if_it_just_came():
    matcher = ApproximateTimeMatcher(2, 2, 50 * MS)
    for stamp in (500, 600, 400, 700):
        matcher.add(0, stamp * MS, stamp)
    assert matcher.add(1, 400 * MS, 'x') == []
    assert matcher.add(1, 500 * MS, 'x') == []
    assert matcher.add(1, 601 * MS, 'x') == [(600, 'x')]


def test_a_repeated_stamp_replaces_the_message():
    matcher = ApproximateTimeMatcher(2, 10, 50 * MS)
    matcher.add(0, 100 * MS, 'sent first')
    matcher.add(0, 100 * MS, 'sent again')
    assert matcher.add(1, 100 * MS, 'b') == [('sent again', 'b')]
    assert matcher.add(1, 100 * MS, 'b') == []


@pytest.mark.parametrize('arguments, word', [
    ((0, 10, 1), 'stream_count'), ((2, 0, 1), 'queue_size'), ((2, 10, 0), 'slop_ns')])
def test_impossible_settings_are_refused_by_name(arguments, word):
    with pytest.raises(ValueError, match=word):
        ApproximateTimeMatcher(*arguments)


@pytest.mark.parametrize('stream', [-1, 2])
def test_an_unknown_stream_is_refused(stream):
    with pytest.raises(IndexError, match='expected 0 to 1'):
        ApproximateTimeMatcher(2, 10, 1).add(stream, 0, None)


# --- what the sets say --------------------------------------------------------------------------

def feed_two_streams(statistics, count, every=1):
    """Stream 1 is stamped 4 ms after stream 0 and received 7 ms after it, each `every`th."""
    for index in range(count):
        start = index * 100 * MS
        statistics.add(0, start, start + 10 * MS)
        if index % every == 0:
            statistics.add(1, start + 4 * MS, start + 17 * MS)


def test_spread_is_that_of_the_stamps_and_waiting_that_of_the_receipt():
    statistics = SetStatistics(2, 10, 50 * MS)
    feed_two_streams(statistics, 20)
    summary = statistics.summary()
    assert summary.sets == 20
    assert summary.yield_fraction == 1.0
    assert summary.spread_p50_s == pytest.approx(0.004, abs=1e-12)
    assert summary.spread_p95_s == pytest.approx(0.004, abs=1e-12)
    assert summary.waiting_p95_s == pytest.approx(0.007, abs=1e-12)


def test_yield_counts_against_the_stream_with_the_fewest_messages():
    statistics = SetStatistics(2, 10, 50 * MS)
    feed_two_streams(statistics, 20, every=2)
    statistics.add(1, 10**12, 10**12)
    statistics.add(1, 2 * 10**12, 2 * 10**12)
    summary = statistics.summary()
    assert summary.messages == (20, 12)
    assert summary.slowest_stream == 1
    assert summary.yield_fraction == pytest.approx(10 / 12)


def test_percentiles_of_the_spread():
    statistics = SetStatistics(2, 10, 200 * MS, window=None)
    for index in range(101):
        start = index * 1000 * MS
        statistics.add(0, start, start)
        statistics.add(1, start + index * MS, start)
    summary = statistics.summary()
    # Spreads of 0, 1, ... 100 ms: the p-th percentile is p ms.
    assert summary.spread_p50_s == pytest.approx(0.050)
    assert summary.spread_p95_s == pytest.approx(0.095)


def test_a_stream_that_stops_shows_and_old_sets_are_forgotten():
    statistics = SetStatistics(2, 10, 50 * MS, window=10)
    feed_two_streams(statistics, 100)
    assert statistics.summary().sets == 10
    assert statistics.summary().messages == (10, 10)
    # Stream 1 drifts out of reach: both are received, no set forms.
    for index in range(10):
        start = 10**12 + index * 100 * MS
        statistics.add(0, start, start)
        statistics.add(1, start - 50 * MS, start)
    assert statistics.summary().yield_fraction == pytest.approx(0.5)


def test_memory_is_bounded():
    statistics = SetStatistics(2, 10, 50 * MS, window=10)
    feed_two_streams(statistics, 500)
    kept = statistics._spreads_ns, statistics._waits_ns, statistics._counts
    assert [len(numbers) for numbers in kept] == [10, 10, 10]
    assert sum(len(held) for held in statistics._matcher._held) <= 20


def test_nothing_received_is_unknown_and_no_set_is_a_yield_of_zero():
    statistics = SetStatistics(2, 10, 50 * MS)
    empty = statistics.summary()
    assert (empty.yield_fraction, empty.slowest_stream, empty.spread_p95_s) == (None, None, None)
    statistics.add(0, 0, 0)
    summary = statistics.summary()
    assert (summary.yield_fraction, summary.slowest_stream) == (0.0, 1)
    assert summary.waiting_p95_s is None


def test_sets_of_a_whole_recording_take_sixteen_bytes_each():
    statistics = SetStatistics(2, 10, 50 * MS, window=None)
    feed_two_streams(statistics, 500)
    assert statistics.summary().sets == 500
    assert statistics._spreads_ns.itemsize == statistics._waits_ns.itemsize == 8
    assert len(statistics._counts) == 0


@pytest.mark.parametrize('back_s', [2, 3600])
def test_sets_form_again_after_time_went_back(back_s):
    statistics = SetStatistics(2, set_queue([100.0, 10.0]), 50 * MS, window=None)
    for start_ns in (10**15, 10**15 + 20 * 10**9 - back_s * 10**9):
        before = statistics.summary().sets
        for count in range(2000):
            stamp_ns = start_ns + count * 10 * MS
            statistics.add(0, stamp_ns, stamp_ns)
            if count % 10 == 0:
                statistics.add(1, stamp_ns + 1000, stamp_ns + 2000)
        assert statistics.summary().sets - before == 200


@pytest.mark.parametrize('rate_hz', [100.0, 400.0, 1000.0])
def test_late_pictures_find_the_poses_of_a_fast_unit(rate_hz):
    statistics = SetStatistics(2, set_queue([rate_hz, None, 10.0]), 50 * MS)
    messages = sorted(
        [(count / rate_hz + 0.002, 0, count / rate_hz) for count in range(round(5 * rate_hz))]
        + [(count / 10.0 + 0.3, 1, count / 10.0) for count in range(47)])
    for receive_s, stream, stamp_s in messages:
        statistics.add(stream, round(stamp_s * 1e9), round(receive_s * 1e9))
    assert statistics.summary().yield_fraction == 1.0


def test_a_queue_is_never_shorter_than_that_of_slow_streams():
    assert set_queue([None, 10.0]) == set_queue([]) == 100


def test_an_impossible_window_is_refused():
    with pytest.raises(ValueError, match='window is 0'):
        SetStatistics(2, 10, 50 * MS, window=0)


def test_pair_of_streams_that_lie_too_far_apart_for_a_set_is_named():
    sets = SetStatistics(3, 100, 50 * MS)
    arrivals = sorted(
        (stamp_ms, stream)
        for stream, period_ms, phase_ms in ((0, 10, 0), (1, 200, 3), (2, 200, 64))
        for stamp_ms in range(phase_ms, 4000, period_ms))
    for stamp_ms, stream in arrivals:
        sets.add(stream, stamp_ms * MS, stamp_ms * MS)
    (pair, other, distance_s), = sets.summary().apart
    assert (pair, other) == (1, 2) and distance_s == pytest.approx(0.061)
    assert apart_sentences(['unit', 'left', 'deck'], sets.summary()) == [
        'left and deck lie 61 ms apart (slop 50 ms): trigger them together or raise '
        'timing.set_slop_s']
    # With the first set there is nothing to say.
    sets.add(1, 5000 * MS, 5000 * MS)
    sets.add(2, 5010 * MS, 5010 * MS)
    sets.add(0, 5000 * MS, 5011 * MS)
    assert sets.summary().sets == 1 and sets.summary().apart == ()
