# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The client against real sockets: a scripted server, a dead port and a chronyd from Debian."""

from __future__ import annotations

import os
import selectors
import shutil
import socket
import sys
import threading
import time

import pytest

from robot_mapping_qa.host.time_server_client import Address, clock_precision_s, NoReply
from robot_mapping_qa.host.time_server_client import parse_address, TimeServerClient
from robot_mapping_qa.timing.two_way import Cause, Refused, Sample
from time_daemons import chronyd, free_udp_port, reply_to, ScriptedServer, SEARCH_PATH

S = 1_000_000_000
MS = 1_000_000


def events_until(client: TimeServerClient, enough, limit_s: float = 5.0) -> list:
    """Collect events as a node's timer would, until `enough(events)` or the limit."""
    events = []
    end = time.monotonic() + limit_s
    while not enough(events):
        assert time.monotonic() < end, f'within {limit_s} s only {events}'
        time.sleep(0.005)
        events += client.take_events()
    return events


def first_event(server: ScriptedServer, **options):
    with server, TimeServerClient(server.address, 1.0, **options) as client:
        return events_until(client, bool)[0]


def honest(offset_ns: int, **fields):
    """Answer at once on a clock that is off by `offset_ns`."""
    def answer(request, received_ns):
        return [reply_to(request, received_ns + offset_ns, time.time_ns() + offset_ns, **fields)]
    return answer


@pytest.mark.parametrize('offset_ns', [250 * MS, -1500 * MS])
def test_offset_of_a_server_that_is_off_is_found(offset_ns):
    sample = first_event(ScriptedServer(honest(offset_ns)))
    assert isinstance(sample, Sample)
    assert abs(sample.offset_s - offset_ns / S) <= sample.bound_s
    assert sample.delay_s < 0.05


@pytest.mark.parametrize('out_ms, back_ms', [(60, 0), (0, 60)])
def test_asymmetric_delay_shows_as_half_of_it_and_lies_inside_the_bound(out_ms, back_ms):
    def answer(request, received_ns):
        time.sleep(out_ms / 1000)
        arrived_ns = time.time_ns() + 250 * MS if out_ms else received_ns + 250 * MS
        data = reply_to(request, arrived_ns, arrived_ns)
        time.sleep(back_ms / 1000)
        return [data]
    sample = first_event(ScriptedServer(answer))
    assert sample.delay_s == pytest.approx(0.060, abs=0.02)
    assert sample.offset_s == pytest.approx(0.25 + (out_ms - back_ms) / 2000, abs=0.01)
    assert abs(sample.offset_s - 0.25) <= sample.bound_s


def test_lost_packets_are_told_and_the_next_reply_counts():
    served = []

    def answer(request, received_ns):
        served.append(received_ns)
        return [] if len(served) == 1 else honest(250 * MS)(request, received_ns)
    with ScriptedServer(answer) as server, TimeServerClient(server.address, 1.0) as client:
        assert client.figures() is None
        events = events_until(client, lambda found: len(found) == 2)
        assert isinstance(events[0], NoReply)
        assert server.address in events[0].text
        assert isinstance(events[1], Sample)
        assert client.reach == 0b1
        figures = client.figures()
        assert abs(figures.offset_s - 0.25) <= figures.bound_s


@pytest.mark.parametrize('fields, cause', [
    ({'leap': 3}, Cause.UNSYNCHRONIZED), ({'stratum': 16}, Cause.STRATUM),
    ({'origin': 1}, Cause.ORIGIN), ({'mode': 3}, Cause.MODE), ({'version': 1}, Cause.VERSION),
    ({'root_dispersion': 5 << 16}, Cause.ROOT_DISTANCE),
    ({'stratum': 0, 'reference': b'STEP'}, Cause.KISS)])
def test_bad_replies_are_refused_with_their_reason(fields, cause):
    refused = first_event(ScriptedServer(honest(0, **fields)))
    assert isinstance(refused, Refused)
    assert refused.cause is cause


def test_short_and_repeated_datagrams_are_refused_around_the_good_one():
    def answer(request, received_ns):
        good = honest(0)(request, received_ns)[0]
        return [b'short', good, good]
    with ScriptedServer(answer) as server, TimeServerClient(server.address, 1.0) as client:
        events = events_until(client, lambda found: len(found) == 3)
    assert events[0].cause is Cause.SHORT
    assert isinstance(events[1], Sample)
    assert events[2].cause is Cause.DUPLICATE


def test_denied_client_sends_nothing_more():
    with ScriptedServer(honest(0, stratum=0, leap=3, reference=b'DENY')) as server:
        with TimeServerClient(server.address, 1.0) as client:
            refused = events_until(client, bool)[0]
            assert 'DENY' in refused.text
            assert client.poll_interval_s is None
            time.sleep(1.2)  # more than the poll interval: the one wait that the claim needs
            assert server.requests == 1
            assert client.take_events() == []


def test_rate_kiss_backs_off():
    with ScriptedServer(honest(0, stratum=0, leap=3, reference=b'RATE')) as server:
        with TimeServerClient(server.address, 1.0) as client:
            events_until(client, bool)
            assert client.poll_interval_s == 2.0


def test_nothing_listening_is_told_and_does_no_harm():
    with TimeServerClient(f'127.0.0.1:{free_udp_port()}', 1.0) as client:
        events = events_until(client, lambda found: len(found) == 2)
        assert all(isinstance(event, NoReply) for event in events)
        # One event a poll: an undelivered request is not told again as an unanswered one.
        assert all('refused' in event.text for event in events)
        assert events[1].at_ns - events[0].at_ns > 900 * MS
        assert client.figures() is None


def test_unknown_name_is_told(monkeypatch):
    def unknown(*_args, **_options):
        raise socket.gaierror(socket.EAI_NONAME, 'Name or service not known')
    monkeypatch.setattr('socket.getaddrinfo', unknown)
    with TimeServerClient('no-such-unit.invalid:123', 1.0) as client:
        event = events_until(client, bool)[0]
    assert isinstance(event, NoReply)
    assert event.text == 'no-such-unit.invalid:123: Name or service not known'


def test_a_name_that_the_resolver_cannot_encode_is_told_at_every_poll(monkeypatch):
    def unknown(*_args, **_options):
        raise UnicodeError('label empty or too long')
    monkeypatch.setattr('socket.getaddrinfo', unknown)
    with TimeServerClient('unit:123', 1.0) as client:
        events = events_until(client, lambda found: len(found) == 2)
    assert [event.text for event in events] == ['unit:123: label empty or too long'] * 2


@pytest.mark.skipif(not sys.platform.startswith('linux'), reason='kernel stamps are Linux')
def test_busy_host_does_not_show_as_network_delay(monkeypatch):
    select = selectors.DefaultSelector.select

    def late(self, timeout=None):
        ready = select(self, timeout)
        time.sleep(0.05)
        return ready
    monkeypatch.setattr(selectors.DefaultSelector, 'select', late)
    with ScriptedServer(honest(0)) as server, TimeServerClient(server.address, 1.0) as client:
        # The kernel starts to stamp when first asked, which may miss the very first datagram.
        samples = events_until(client, lambda found: len(found) == 2)
    assert samples[1].delay_s < 0.025


def test_slow_name_server_blocks_neither_the_caller_nor_close(monkeypatch):
    release = threading.Event()

    def slow(*_args, **_options):
        release.wait(5.0)
        raise OSError('name server timed out')
    monkeypatch.setattr('socket.getaddrinfo', slow)
    start = time.monotonic()
    client = TimeServerClient('unit:123', 1.0)
    assert client.take_events() == []
    assert client.figures() is None
    assert client.close(timeout_s=0.05) is False
    assert time.monotonic() - start < 0.5
    release.set()
    assert client.close(timeout_s=2.0) is True


def test_close_ends_the_thread_and_every_socket():
    before_threads, before_files = threading.active_count(), len(os.listdir('/proc/self/fd'))
    for _ in range(5):
        with ScriptedServer(honest(0)) as server:
            client = TimeServerClient(server.address, 1.0)
            events_until(client, bool)
            start = time.monotonic()
            assert client.close()
            assert client.close()
            assert time.monotonic() - start < 0.5
    assert threading.active_count() == before_threads
    assert len(os.listdir('/proc/self/fd')) == before_files


def test_picking_up_results_costs_a_timer_next_to_nothing():
    with ScriptedServer(honest(0)) as server, TimeServerClient(server.address, 1.0) as client:
        events_until(client, bool)
        costs = []
        for _ in range(200):
            start = time.perf_counter()
            client.take_events()
            client.figures()
            costs.append(time.perf_counter() - start)
    assert sorted(costs)[100] < 1e-3


def test_clock_precision_is_that_of_a_clock():
    assert 0.0 < clock_precision_s() < 1e-3


# A real server: same clock as the client's, so the true offset is zero.

needs_chronyd = pytest.mark.skipif(
    shutil.which('chronyd', path=SEARCH_PATH) is None,
    reason='chronyd is not installed (Debian package chrony)')


@needs_chronyd
def test_chronyd_on_this_host_is_found_at_zero_offset(tmp_path, record_property):
    with chronyd(tmp_path, 'local stratum 8') as (port, _):
        with TimeServerClient(f'127.0.0.1:{port}', 1.0) as client:
            events = events_until(
                client, lambda found: sum(isinstance(e, Sample) for e in found) == 3)
            figures = client.figures()
    assert all(isinstance(event, Sample) for event in events)
    assert figures.stratum == 8
    assert figures.leap == 0
    assert figures.reference == '127.127.1.1'
    assert figures.reach == 0b111
    assert abs(figures.offset_s) <= figures.bound_s
    assert figures.bound_s < 5e-3
    for name in ('offset_s', 'bound_s', 'delay_s', 'jitter_s'):
        record_property(name, getattr(figures, name))


@needs_chronyd
def test_chronyd_without_a_time_source_is_refused(tmp_path):
    with chronyd(tmp_path) as (port, _):
        with TimeServerClient(f'127.0.0.1:{port}', 1.0) as client:
            refused = events_until(client, bool)[0]
            assert isinstance(refused, Refused)
            assert refused.cause in (Cause.STRATUM, Cause.UNSYNCHRONIZED)
            assert client.figures() is None


# Addresses

@pytest.mark.parametrize('text, host, port', [
    ('unit:123', 'unit', 123), ('unit.local:4460', 'unit.local', 4460),
    ('unit_2.local.:123', 'unit_2.local.', 123), ('u-1:123', 'u-1', 123),
    ('192.168.1.10:123', '192.168.1.10', 123), ('[fd00::2]:123', 'fd00::2', 123),
    ('[fe80::1%eth0]:65535', 'fe80::1%eth0', 65535), ('a' * 63 + ':123', 'a' * 63, 123)])
def test_address_is_read_and_written_back(text, host, port):
    assert parse_address(text) == Address(host, port)
    assert str(parse_address(text)) == text


@pytest.mark.parametrize('text, words', [
    ('', 'port is missing'), ('unit', 'port is missing'), (':123', "'' is no host name"),
    ('unit:', "port ''"), ('unit:0', "port '0'"), ('unit:65536', "port '65536'"),
    ('unit:ntp', "port 'ntp'"), ('unit:-1', "port '-1'"), ('unit:+1', "port '+1'"),
    ('fd00::2:123', 'needs brackets'), ('[fd00::2]', 'no "]:"'), ('[unit]:123', 'no IPv6'),
    ('192.168.1.300:123', 'no IPv4'), ('my unit:123', 'no host name'),
    ('http://unit:123', 'needs brackets'), ('unit :123', 'no host name'),
    ('unit..local:123', 'no host name'), ('a' * 64 + '.local:123', 'no host name'),
    ('unit-.local:123', 'no host name'), ('.unit:123', 'no host name')])
def test_malformed_address_is_refused_with_what_was_expected(text, words):
    with pytest.raises(ValueError) as error:
        parse_address(text)
    assert words in str(error.value)
    assert 'expected host:port' in str(error.value)
    assert repr(text) in str(error.value)
