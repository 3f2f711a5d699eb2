# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
Whatever fails, nothing passes the relay that should not: real processes over DDS.

A picture that should not pass is one taken later than the fault can be known, or before the
gate has been well for the whole off-delay again. The failures that are over soon are staged five
times each; ``FAIL_SAFE_REPEATS=5`` does so with all (four more minutes).
"""

import csv
import os
import shutil
import signal
import time

from fail_safe_site import FailSafeSite, HostClock, OFF_DELAY_S
import pytest

pytest.importorskip('rclpy', reason='needs ROS 2')

DOMAIN = 142
REPEATS = int(os.environ.get('FAIL_SAFE_REPEATS', '1'))
KNOWN_S = 0.5
"""Verdict timeout of the gate, deadline of the gate, and silence that counts (0.7 s here)."""
SLACK_S = 0.4
CLOCK_S = 0.15
"""How far the test's own bookkeeping of when something happened may be off."""


@pytest.fixture
def site(tmp_path, monkeypatch, request):
    site = FailSafeSite(tmp_path, monkeypatch, DOMAIN,
                        simulated_time=getattr(request, 'param', None) == 'simulated time')
    try:
        assert site.passes_after(0.0, 60.0) is not None, (site.gate_text, site.relay_text)
        yield site
    finally:
        site.close()


def nothing_passed(site, from_s, to_s):
    between = [at for at in site.passed_times() if from_s < at < to_s]
    assert between == [], (
        f'{len(between)} pictures passed, {between[0] - from_s:.2f} s after they should not')


def monitor_killed(site, node='pose_monitor'):
    site.nodes.process(node).kill()
    killed = time.monotonic()
    site.spin(1.5)
    site.start(node)
    cured = time.monotonic()
    opened = site.passes_after(cured, 30.0)
    assert opened is not None, site.gate_text
    nothing_passed(site, killed + KNOWN_S + SLACK_S, opened)
    assert opened - cured >= OFF_DELAY_S - CLOCK_S


def monitor_paused(site, node='sync_monitor'):
    process = site.nodes.process(node)
    os.kill(process.pid, signal.SIGSTOP)
    paused = time.monotonic()
    try:
        site.spin(2.0)
    finally:
        os.kill(process.pid, signal.SIGCONT)
    cured = time.monotonic()
    opened = site.passes_after(cured, 30.0)
    assert opened is not None, site.gate_text
    nothing_passed(site, paused + KNOWN_S + SLACK_S, opened)
    assert opened - cured >= OFF_DELAY_S - CLOCK_S


def participant_lost(site):
    site.stop_robot()
    lost = time.monotonic()
    site.spin(1.5)
    site.start_robot()
    cured = time.monotonic()
    opened = site.passes_after(lost, 30.0)
    assert opened is not None, site.gate_text
    assert opened - cured >= OFF_DELAY_S - CLOCK_S


def stamps_stepped(site, by_s):
    """A step of the host's clock shows in the stamps of all that keep their own time."""
    site.stamps_off_s = by_s
    stepped = time.monotonic()
    site.spin(1.0)
    site.stamps_off_s = 0.0
    cured = time.monotonic()
    opened = site.passes_after(cured, 30.0)
    assert opened is not None, site.gate_text
    nothing_passed(site, stepped, opened)
    assert opened - cured >= OFF_DELAY_S - CLOCK_S


def host_clock_set_back(site, clock, by_s):
    """The host's clock is that of the robot's stamps as well."""
    clock.set_off(-by_s)
    site.stamps_off_s = -by_s
    stepped = time.monotonic()
    site.spin(3.0)
    # Whatever is the matter, the gate says so: no word for 0.5 s would be its end.
    heard = [stepped, *(at for at, _ in site.words if at > stepped), time.monotonic()]
    longest_s = max(after - before for before, after in zip(heard, heard[1:]))
    assert longest_s < KNOWN_S, f'the gate said nothing for {longest_s:.2f} s'
    opened = site.passes_after(stepped, 30.0)
    assert opened is not None, site.gate_text
    assert opened - stepped >= OFF_DELAY_S - CLOCK_S


def simulated_time_restarted(site):
    site.restart_time()
    restarted = time.monotonic()
    opened = site.passes_after(restarted, 30.0)
    assert opened is not None, site.gate_text
    assert opened - restarted >= OFF_DELAY_S - CLOCK_S
    # Monitors take less than a second back for messages out of order: it must be more next time.
    site.spin(1.0)


def second_publisher(site):
    other = site.start_second_gate()
    assert site.wait(lambda: 'more than one publisher' in site.relay_text, 20.0) is not None
    seen = time.monotonic()
    # Each process finds it by itself, on a busy computer one some seconds after the other.
    assert site.wait(lambda: '2 nodes publish the gate' in site.gate_text, 20.0) is not None
    site.spin(1.0)
    # Its publisher goes before its process does.
    cured = time.monotonic()
    other.send_signal(signal.SIGINT)
    other.wait(10.0)
    opened = site.passes_after(cured, 30.0)
    assert opened is not None, (site.gate_text, site.relay_text)
    nothing_passed(site, seen, opened)
    assert opened - cured >= OFF_DELAY_S - CLOCK_S


def gate_killed(site, until_open=False):
    """The dead gate counts as a second one until the middleware forgets it, in some 20 s."""
    site.nodes.process('capture_gate').kill()
    killed = time.monotonic()
    site.spin(1.0)
    site.start('capture_gate')
    site.spin(3.0)
    nothing_passed(site, killed + KNOWN_S + SLACK_S, time.monotonic())
    if until_open:
        assert site.passes_after(time.monotonic(), 60.0) is not None, site.relay_text


FAULTS = {
    'monitor killed': monitor_killed, 'monitor paused': monitor_paused,
    'participant lost': participant_lost,
    'stamps ahead': lambda site: stamps_stepped(site, 0.3),
    'stamps behind': lambda site: stamps_stepped(site, -0.8),
    'second publisher': second_publisher}


def test_nothing_passes_that_should_not_whatever_fails(site):
    for fault in ('monitor killed', 'monitor paused', 'participant lost', 'second publisher'):
        for _ in range(REPEATS):
            FAULTS[fault](site)
    # What was told of it: holds with the time before each in which pictures are suspect.
    kinds = [event.name for event in site.events]
    assert kinds.count('hold') >= 4 and 'suspect' in kinds

    # A kill of the ledger takes no row back but those of the last moment.
    site.nodes.process('capture_ledger').kill()
    site.nodes.process('capture_ledger').wait()
    killed_ns = max(site.taken)
    with (site.folder / 'ledger' / 'captures.csv').open() as file:
        rows = list(csv.DictReader(file))
    verdicts = {int(row['stamp_ns']): row['verdict'] for row in rows}
    written = [stamp for stamp in site.taken if stamp in verdicts]
    assert killed_ns - max(written) < 2.5e9
    assert {'trusted', 'held', 'suspect'} == set(verdicts.values())
    for number in range(1, REPEATS + 1):
        gate_killed(site, until_open=number < REPEATS)


@pytest.mark.parametrize('fault', ['stamps ahead', 'stamps behind'])
def test_nothing_passes_while_the_clocks_do_not_match(site, fault):
    for _ in range(5):
        FAULTS[fault](site)


@pytest.mark.skipif(shutil.which('cc') is None, reason='needs a C compiler')
def test_gate_speaks_on_and_nothing_passes_too_soon_after_the_host_clock_was_set_back(
        tmp_path, monkeypatch):
    clock = HostClock(tmp_path)
    site = FailSafeSite(tmp_path, monkeypatch, DOMAIN, host_clock=clock)
    try:
        assert site.passes_after(0.0, 60.0) is not None, (site.gate_text, site.relay_text)
        host_clock_set_back(site, clock, 3.0)
    finally:
        site.close()


@pytest.mark.parametrize('site', ['simulated time'], indirect=True)
def test_nothing_passes_too_soon_after_simulated_time_has_restarted(site):
    site.spin(1.0)
    for _ in range(5):
        simulated_time_restarted(site)
