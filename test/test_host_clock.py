# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""A researcher sees whether the host's clock is kept, by whom and how well, or why not known."""

from __future__ import annotations

import os
import shutil
import sys
import time

import pytest

from robot_mapping_qa.host import host_clock
from robot_mapping_qa.host.host_clock import Absent, HostClockWatch, kernel_clock
from robot_mapping_qa.host.host_clock import parse_chrony_tracking, parse_ptp, read_chrony
from robot_mapping_qa.host.host_clock import read_host_clock, read_kernel_clock, read_ptp
from robot_mapping_qa.host.time_server_client import TimeServerClient
from time_daemons import chronyd, reply_to, ScriptedServer, SEARCH_PATH

MS = 1_000_000

# Printed by chronyc 4.3 (Debian 12) on a machine whose chronyd (-x) followed a server that was
# 0.25 s ahead; beside it chronyc said "0.250001192 seconds slow of NTP time", "0.651 ppm slow".
CHRONY_BEHIND = ('7F000001,127.0.0.1,3,1795598453.780161741,0.250001192,0.000000960,0.000002730,'
                 '-0.651,0.059,4.325,0.000112892,0.000016658,0.3,Normal\n')
# Same program, `local stratum 8` and no source.
CHRONY_LOCAL = ('7F7F0101,,8,1795597746.406521995,0.000000000,0.000000000,0.000000000,0.000,0.000,'
                '0.000,0.000000000,0.000000000,0.0,Normal\n')
# From memory of chronyd 4.x before its first measurement.
CHRONY_STARTING = ('00000000,,0,0.000000000,0.000000000,0.000000000,0.000000000,0.000,0.000,0.000,'
                   '1.000000000,1.000000000,0.0,Not synchronised\n')
# Printed by pmc 3.1.1 (Debian 12) for a ptp4l in software stamping over a virtual Ethernet pair,
# free running; only the port state is edited, from UNCALIBRATED.
PMC_SLAVE = """sending: GET TIME_STATUS_NP
sending: GET CURRENT_DATA_SET
sending: GET PORT_DATA_SET
\tf2fda6.fffe.cefcff-0 seq 0 RESPONSE MANAGEMENT TIME_STATUS_NP\x20
\t\tmaster_offset              666
\t\tingress_time               1795598476280673385
\t\tcumulativeScaledRateOffset +0.000000000
\t\tscaledLastGmPhaseChange    0
\t\tgmTimeBaseIndicator        0
\t\tlastGmPhaseChange          0x0000'0000000000000000.0000
\t\tgmPresent                  true
\t\tgmIdentity                 92f413.fffe.e5a300
\tf2fda6.fffe.cefcff-0 seq 1 RESPONSE MANAGEMENT CURRENT_DATA_SET\x20
\t\tstepsRemoved     1
\t\toffsetFromMaster 666.0
\t\tmeanPathDelay    2680.0
\tf2fda6.fffe.cefcff-1 seq 2 RESPONSE MANAGEMENT PORT_DATA_SET\x20
\t\tportIdentity            f2fda6.fffe.cefcff-1
\t\tportState               SLAVE
\t\tlogMinDelayReqInterval  0
\t\tpeerMeanPathDelay       0
\t\tdelayMechanism          1
\t\tversionNumber           2
"""

linux = pytest.mark.skipif(not sys.platform.startswith('linux'), reason='adjtimex is Linux')
needs_chronyd = pytest.mark.skipif(
    shutil.which('chronyd', path=SEARCH_PATH) is None,
    reason='chronyd is not installed (Debian package chrony)')


# The kernel

@linux
def test_this_machines_kernel_gives_a_state():
    clock = read_kernel_clock()
    assert clock.state.startswith('synchronized' if clock.synchronized else 'not synchronized')
    assert (clock.estimated_error_s is None) == (not clock.synchronized)
    assert (clock.maximum_error_s is None) == (not clock.synchronized)
    assert abs(clock.frequency_ppm) < 2e5
    assert clock.tai_offset_s is None or 30 <= clock.tai_offset_s <= 45


def test_kernel_fields_become_seconds_and_ppm():
    # Units from adjtimex(2), converted by hand; 37 s is TAI - UTC since 2017 (IERS Bulletin C).
    clock = kernel_clock(0, 0x2001, 1500, 10 * 65536, 250_000, 1200, 10_000, 37, 100)
    assert clock.synchronized
    assert clock.state == 'synchronized'
    assert clock.pending_offset_s == pytest.approx(1.5e-6)
    assert clock.frequency_ppm == pytest.approx(10.0)
    assert clock.maximum_error_s == pytest.approx(0.25)
    assert clock.estimated_error_s == pytest.approx(1.2e-3)
    assert clock.tai_offset_s == 37
    assert kernel_clock(0, 0x0001, 1500, 0, 0, 0, 10_000, 0, 100).pending_offset_s \
        == pytest.approx(1.5e-3)
    # One microsecond more per 10 ms tick is 100 ppm.
    assert kernel_clock(0, 1, 0, -65536, 0, 0, 10_001, 0, 100).frequency_ppm \
        == pytest.approx(99.0)


@pytest.mark.parametrize('state, status', [(5, 0x0040), (5, 0), (0, 0x0040)])
def test_unsynchronized_kernel_clock_gives_no_error_figures(state, status):
    clock = kernel_clock(state, status, 0, 0, 16_000_000, 16_000_000, 10_000, 0, 100)
    assert not clock.synchronized
    assert clock.state == 'not synchronized'
    assert clock.maximum_error_s is None
    assert clock.estimated_error_s is None
    assert clock.tai_offset_s is None


@pytest.mark.parametrize('state, words', [(1, 'inserted'), (2, 'deleted'), (3, 'in progress')])
def test_leap_second_is_named(state, words):
    clock = kernel_clock(state, 1, 0, 0, 0, 0, 10_000, 37, 100)
    assert clock.synchronized
    assert words in clock.state


# chronyd

def test_chrony_offset_is_the_hosts_clock_minus_true_time():
    tracking = parse_chrony_tracking(CHRONY_BEHIND)
    assert tracking.synchronized
    assert tracking.offset_s == -0.250001192
    assert tracking.frequency_ppm == -0.651
    assert tracking.skew_ppm == 4.325
    assert tracking.stratum == 3
    assert tracking.reference == '127.0.0.1'
    assert tracking.leap == 'Normal'
    assert tracking.update_interval_s == 0.3
    # Bound as chronyc(1) gives it under "Root dispersion".
    assert tracking.bound_s == pytest.approx(0.250001192 + 0.000016658 + 0.000112892 / 2)


@pytest.mark.parametrize('text, leap', [
    (CHRONY_LOCAL, 'Normal'), (CHRONY_STARTING, 'Not synchronised')])
def test_chronyd_without_a_source_gives_no_figures(text, leap):
    tracking = parse_chrony_tracking(text)
    assert not tracking.synchronized
    assert tracking.leap == leap
    assert tracking.offset_s is None
    assert tracking.bound_s is None
    assert tracking.frequency_ppm is None


@pytest.mark.parametrize('text', ['', '506 Cannot talk to daemon', CHRONY_BEHIND + CHRONY_BEHIND,
                                  CHRONY_BEHIND.replace('0.059', 'x')])
def test_other_output_is_shown_and_not_guessed_at(text):
    with pytest.raises(ValueError, match='unexpected answer'):
        parse_chrony_tracking(text)


@needs_chronyd
def test_chronyd_and_the_client_agree_on_a_server_that_is_ahead(tmp_path):
    def ahead(request, received_ns):
        return [reply_to(request, received_ns + 250 * MS, time.time_ns() + 250 * MS)]
    with ScriptedServer(ahead) as server:
        host, port = server.address.split(':')
        with chronyd(tmp_path, f'server {host} port {port} iburst minpoll -2 maxpoll -2') \
                as (_, command_port), TimeServerClient(server.address) as client:
            options = ('-h', '127.0.0.1', '-p', str(command_port))
            tracking = read_chrony(options)
            for _ in range(100):
                if tracking.synchronized and (tracking.update_interval_s or 0) > 0.2:
                    break
                time.sleep(0.05)
                tracking = read_chrony(options)
            figures = client.figures()
    assert tracking.synchronized
    # The host is behind the server by as much as the server is ahead of the host.
    assert abs(tracking.offset_s + figures.offset_s) <= figures.bound_s + 1e-3
    assert tracking.offset_s == pytest.approx(-0.25, abs=5e-3)


@needs_chronyd
def test_chronyd_is_read_through_its_own_socket_and_as_part_of_the_whole(tmp_path):
    with chronyd(tmp_path, 'local stratum 8'):
        clock = read_host_clock(('-h', f'{tmp_path}/chronyd.sock'), ptp_sockets=('/nowhere',))
    assert clock.chrony.stratum == 8
    assert not clock.chrony.synchronized
    assert clock.ptp is None
    assert [text for text in clock.absent if text.startswith('ptp4l')] \
        == ['ptp4l: not running, no socket at /nowhere']


@pytest.mark.skipif(shutil.which('chronyc') is None, reason='chronyc is not installed')
def test_chronyd_that_does_not_run_is_told_in_its_own_words(tmp_path):
    with pytest.raises(Absent, match='not running or not reachable .chronyc: C'):
        read_chrony(('-h', f'{tmp_path}/nothing.sock'))


# ptp4l

def test_ptp_offset_is_read_in_seconds():
    tracking = parse_ptp(PMC_SLAVE)
    assert tracking.synchronized
    assert tracking.offset_s == pytest.approx(666e-9)
    assert tracking.path_delay_s == pytest.approx(2680e-9)
    assert tracking.master == '92f413.fffe.e5a300'
    assert tracking.port_states == ('SLAVE',)


def test_ptp_port_that_still_listens_is_not_synchronized():
    assert not parse_ptp(PMC_SLAVE.replace('SLAVE', 'UNCALIBRATED')).synchronized


def test_ptp_without_a_master_gives_no_offset():
    tracking = parse_ptp(PMC_SLAVE.replace('true', 'false').replace('SLAVE', 'LISTENING'))
    assert not tracking.synchronized
    assert tracking.offset_s is None
    assert tracking.path_delay_s is None
    assert tracking.master is None


@pytest.mark.parametrize('text', ['', 'sending: GET TIME_STATUS_NP\n',
                                  PMC_SLAVE.replace('666', 'x')])
def test_silent_ptp4l_is_told(text):
    with pytest.raises(ValueError, match='no answer'):
        parse_ptp(text)


# Absence

def test_missing_programs_are_told_and_nothing_is_guessed(tmp_path, monkeypatch):
    monkeypatch.setenv('PATH', '')
    monkeypatch.setattr(host_clock, 'SYSTEM_FOLDERS', ())
    clock = read_host_clock(ptp_sockets=(str(tmp_path),))
    assert clock.chrony is None
    assert clock.ptp is None
    assert 'chronyd: chronyc is not installed' in clock.absent
    assert 'ptp4l: pmc is not installed' in clock.absent


def stand_in(folder, monkeypatch, program: str, script: str) -> None:
    """Put a shell script first on the path under a program's name."""
    path = folder / program
    path.write_text(f'#!/bin/sh\n{script}\n')
    path.chmod(0o755)
    monkeypatch.setenv('PATH', f'{folder}{os.pathsep}{os.environ["PATH"]}')


def test_daemon_that_hangs_is_given_up_in_bounded_time(tmp_path, monkeypatch):
    monkeypatch.setattr(host_clock, 'TIMEOUT_S', 0.1)
    stand_in(tmp_path, monkeypatch, 'chronyc', 'exec sleep 5')
    start = time.monotonic()
    with pytest.raises(Absent, match='no answer within 0.1 s'):
        read_chrony()
    assert time.monotonic() - start < 2.0


def test_pmc_is_asked_without_a_shell_and_its_silence_is_told(tmp_path, monkeypatch):
    stand_in(tmp_path, monkeypatch, 'pmc', f'echo "$5" >> {tmp_path}/asked')
    socket_path = tmp_path / 'a; touch broken'
    socket_path.touch()
    with pytest.raises(Absent, match='ptp4l: no answer'):
        read_ptp((str(socket_path),))
    assert (tmp_path / 'asked').read_text().strip() == str(socket_path)
    assert not (tmp_path / 'broken').exists()


@pytest.mark.parametrize('part', ['no adjtimex', 'failure'])
def test_kernel_without_adjtimex_is_told(monkeypatch, part):
    class Library:
        if part == 'failure':
            @staticmethod
            def adjtimex(_):
                return -1
    monkeypatch.setattr(host_clock.ctypes, 'CDLL', lambda *_args, **_options: Library)
    with pytest.raises(Absent, match='kernel clock: '):
        read_kernel_clock()


def test_ptp_without_a_temporary_folder_is_told(monkeypatch, tmp_path):
    monkeypatch.setattr(host_clock.tempfile, 'tempdir', str(tmp_path / 'gone'))
    clock = read_host_clock(ptp_sockets=(str(tmp_path),))
    assert clock.ptp is None
    assert [text for text in clock.absent if text.startswith('ptp4l')] == [
        'ptp4l: no temporary folder for the socket of pmc: No such file or directory']


# The watch of a node

def test_watch_reads_in_the_background_and_closes():
    watch = HostClockWatch(period_s=3600.0)
    end = time.monotonic() + 5.0
    while watch.latest() is None and time.monotonic() < end:
        time.sleep(0.01)
    assert (watch.latest().kernel is not None) == sys.platform.startswith('linux')
    start = time.monotonic()
    assert watch.close()
    assert time.monotonic() - start < 1.0


def test_watch_gives_no_reading_that_is_outdated(monkeypatch):
    def reading():
        if read:
            raise ValueError('nobody thought of this')
        read.append('once')
        return clock
    clock, read, now_s = read_host_clock(ptp_sockets=('/nowhere',)), [], 100.0
    monkeypatch.setattr(host_clock, 'read_host_clock', reading)
    monkeypatch.setattr(host_clock.time, 'monotonic', lambda: now_s)
    monkeypatch.setattr(host_clock.threading, 'excepthook', lambda _: None)
    watch = HostClockWatch(period_s=1.0)
    watch._thread.join(5.0)
    assert not watch._thread.is_alive()
    now_s = 103.0
    assert watch.latest() is clock
    now_s = 103.1
    assert watch.latest() is None


def test_watch_refuses_a_period_that_would_load_the_host():
    with pytest.raises(ValueError, match='period 0.1 s'):
        HostClockWatch(period_s=0.1)
