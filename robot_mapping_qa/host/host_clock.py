# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
State of the host's clock: the kernel's view, chronyd's and ptp4l's where they run.

Everything is read only. What cannot be read is None, with a sentence that says why: a missing
daemon, no permission, no answer. Asking a daemon starts a program and can take up to the timeout,
so `HostClockWatch` does it on a thread of its own.
"""

from __future__ import annotations

import ctypes
from dataclasses import dataclass
import os
from pathlib import Path
import shutil
import subprocess
import tempfile
import threading
import time
from typing import Callable, TypeVar

_Part = TypeVar('_Part')

TIMEOUT_S = 1.0
PTP_SOCKETS = ('/var/run/ptp4lro', '/var/run/ptp4l')
"""ptp4l's management sockets: readable by everyone (since version 4), and root's."""
SYSTEM_FOLDERS = ('/usr/sbin', '/sbin')
"""Searched after PATH: Debian keeps pmc there, which a user's PATH leaves out."""
OUTDATED_PERIODS = 3.0
"""A reading older than so many periods of the watch no longer tells of the clock."""
_TIME_ERROR = 5
_STA_UNSYNC = 0x0040
_STA_NANO = 0x2000
_STATES = {0: 'synchronized', 1: 'synchronized, leap second to be inserted today',
           2: 'synchronized, leap second to be deleted today',
           3: 'synchronized, leap second in progress', 4: 'synchronized, leap second has occurred',
           _TIME_ERROR: 'not synchronized'}


class _Timex(ctypes.Structure):
    """struct timex of <sys/timex.h>, glibc and musl, up to the fields read here."""

    _fields_ = [
        ('modes', ctypes.c_uint), ('offset', ctypes.c_long), ('freq', ctypes.c_long),
        ('maxerror', ctypes.c_long), ('esterror', ctypes.c_long), ('status', ctypes.c_int),
        ('constant', ctypes.c_long), ('precision', ctypes.c_long), ('tolerance', ctypes.c_long),
        ('time', ctypes.c_long * 2), ('tick', ctypes.c_long), ('ppsfreq', ctypes.c_long),
        ('jitter', ctypes.c_long), ('shift', ctypes.c_int), ('stabil', ctypes.c_long),
        ('jitcnt', ctypes.c_long), ('calcnt', ctypes.c_long), ('errcnt', ctypes.c_long),
        ('stbcnt', ctypes.c_long), ('tai', ctypes.c_int), ('reserved', ctypes.c_int * 11)]


@dataclass(frozen=True, slots=True)
class KernelClock:
    """
    What adjtimex(2) says.

    synchronized: a daemon keeps the clock and says so; `state` puts it in words.
    estimated_error_s, maximum_error_s: as that daemon reports them to the kernel; None when the
        clock is not synchronized, because the kernel then only counts up from an old value.
    pending_offset_s: correction that the kernel has still to apply, positive forward. Daemons
        that steer by frequency, chronyd among them, leave it at zero.
    frequency_ppm: correction in force, from both `freq` and `tick`.
    tai_offset_s: TAI minus UTC; None when nobody has told the kernel.
    """

    synchronized: bool
    state: str
    estimated_error_s: float | None
    maximum_error_s: float | None
    pending_offset_s: float
    frequency_ppm: float
    tai_offset_s: int | None


@dataclass(frozen=True, slots=True)
class ChronyTracking:
    """
    What `chronyc tracking` says (chronyc(1)); times in seconds, frequencies in ppm.

    synchronized: false when chronyd has no source, or only its own clock as the reference. All
        figures are then None: chronyd prints zeros that mean nothing.
    offset_s: host's clock minus chronyd's estimate of true time (chronyc prints the opposite).
    bound_s: largest error by chronyd's account: |offset| + root dispersion + root delay / 2.
    frequency_ppm: rate of the host's clock if left alone, positive when it gains.
    """

    synchronized: bool
    leap: str
    reference_id: str
    reference: str
    stratum: int | None
    offset_s: float | None = None
    last_offset_s: float | None = None
    rms_offset_s: float | None = None
    frequency_ppm: float | None = None
    residual_frequency_ppm: float | None = None
    skew_ppm: float | None = None
    root_delay_s: float | None = None
    root_dispersion_s: float | None = None
    update_interval_s: float | None = None
    bound_s: float | None = None


@dataclass(frozen=True, slots=True)
class PtpTracking:
    """
    What ptp4l says of the clock that it steers.

    That is the network card's clock when it stamps in hardware (phc2sys then carries it to the
    host's), the host's when it stamps in software.

    synchronized: a master is present and a port follows it (state SLAVE).
    port_states: IEEE 1588 state of each port.
    offset_s: that clock minus the master's, path_delay_s: mean one-way delay; None without a
        master.
    """

    synchronized: bool
    port_states: tuple[str, ...]
    master: str | None
    offset_s: float | None
    path_delay_s: float | None


@dataclass(frozen=True, slots=True)
class HostClock:
    """One reading of everything; `absent` has a sentence for each part that is None."""

    kernel: KernelClock | None
    chrony: ChronyTracking | None
    ptp: PtpTracking | None
    absent: tuple[str, ...]


class Absent(Exception):
    """A source of clock figures that cannot be read; the text is for a person."""


def read_host_clock(chronyc_options: tuple[str, ...] = (),
                    ptp_sockets: tuple[str, ...] = PTP_SOCKETS) -> HostClock:
    """
    Read every source; takes up to a few seconds when a daemon does not answer.

    chronyc_options: put before the command, such as ('-p', '4323') for another port.
    """
    absent: list[str] = []

    def part(read: Callable[[], _Part]) -> _Part | None:
        try:
            return read()
        except Absent as reason:
            absent.append(str(reason))
            return None
    kernel = part(read_kernel_clock)
    chrony = part(lambda: read_chrony(chronyc_options))
    ptp = part(lambda: read_ptp(ptp_sockets))
    return HostClock(kernel, chrony, ptp, tuple(absent))


def read_kernel_clock() -> KernelClock:
    """Ask adjtimex(2) with modes = 0, which changes nothing; raises Absent."""
    try:
        adjtimex = ctypes.CDLL(None, use_errno=True).adjtimex
    except AttributeError:
        raise Absent('kernel clock: this system has no adjtimex') from None
    timex = _Timex(modes=0)
    state = adjtimex(ctypes.byref(timex))
    if state < 0:
        raise Absent(f'kernel clock: adjtimex failed: {os.strerror(ctypes.get_errno())}')
    return kernel_clock(
        state, timex.status, timex.offset, timex.freq, timex.maxerror, timex.esterror, timex.tick,
        timex.tai, os.sysconf('SC_CLK_TCK'))


def kernel_clock(state: int, status: int, offset: int, freq: int, max_error_us: int,
                 estimated_error_us: int, tick_us: int, tai: int, tick_hz: int) -> KernelClock:
    """
    Interpret the fields of struct timex, adjtimex(2).

    offset: ns when the status has STA_NANO, else microseconds. freq: ppm * 2**16. tick_us:
    microseconds per tick of 1 / tick_hz s.
    """
    synchronized = state != _TIME_ERROR and not status & _STA_UNSYNC
    nominal_tick_us = 1e6 / tick_hz
    return KernelClock(
        synchronized=synchronized,
        state=_STATES.get(state, f'state {state}') if synchronized else _STATES[_TIME_ERROR],
        estimated_error_s=estimated_error_us * 1e-6 if synchronized else None,
        maximum_error_s=max_error_us * 1e-6 if synchronized else None,
        pending_offset_s=offset * (1e-9 if status & _STA_NANO else 1e-6),
        frequency_ppm=freq / 65536 + (tick_us - nominal_tick_us) / nominal_tick_us * 1e6,
        tai_offset_s=tai or None)


def read_chrony(options: tuple[str, ...] = ()) -> ChronyTracking:
    """Run `chronyc -c tracking`; raises Absent."""
    output = _run('chronyc', [*options, '-c', 'tracking'], 'chronyd')
    try:
        return parse_chrony_tracking(output)
    except ValueError as error:
        raise Absent(f'chronyd: {error}') from None


def parse_chrony_tracking(text: str) -> ChronyTracking:
    """
    Read the line that `chronyc -c tracking` prints: 14 fields in the order of chronyc(1).

    Raises ValueError that shows the line when it is anything else.
    """
    fields = text.strip().split(',')
    if len(fields) != 14:
        raise ValueError(f'unexpected answer {text.strip()!r}')
    reference_id, reference, stratum_text, _reference_time, *numbers, leap = fields
    try:
        (correction_s, last_s, rms_s, frequency, residual, skew, root_delay_s, root_dispersion_s,
         interval_s) = [float(number) for number in numbers]
        stratum = int(stratum_text)
    except ValueError:
        raise ValueError(f'unexpected answer {text.strip()!r}') from None
    # 127.127.1.1 is the `local` directive: chronyd serves its own clock, it tracks nothing.
    if leap == 'Not synchronised' or reference_id == '7F7F0101':
        return ChronyTracking(False, leap, reference_id, reference, stratum or None)
    return ChronyTracking(
        True, leap, reference_id, reference, stratum, -correction_s, last_s, rms_s, frequency,
        residual, skew, root_delay_s, root_dispersion_s, interval_s,
        abs(correction_s) + root_dispersion_s + root_delay_s / 2)


def read_ptp(sockets: tuple[str, ...] = PTP_SOCKETS) -> PtpTracking:
    """Ask the first of ptp4l's management sockets that exists, with pmc; raises Absent."""
    path = next((path for path in sockets if Path(path).exists()), None)
    if path is None:
        raise Absent(f'ptp4l: not running, no socket at {" or ".join(sockets)}')
    try:
        with tempfile.TemporaryDirectory() as folder:
            # pmc's own end of the socket goes where any user may write.
            output = _run('pmc', [
                '-u', '-b', '0', '-s', path, '-i', f'{folder}/pmc', 'GET TIME_STATUS_NP',
                'GET CURRENT_DATA_SET', 'GET PORT_DATA_SET'], 'ptp4l')
    except OSError as error:
        raise Absent(f'ptp4l: no temporary folder for the socket of pmc: '
                     f'{error.strerror or error}') from None
    try:
        return parse_ptp(output)
    except ValueError as error:
        raise Absent(f'ptp4l: {error}') from None


def parse_ptp(text: str) -> PtpTracking:
    """
    Read pmc's answers to TIME_STATUS_NP, CURRENT_DATA_SET and PORT_DATA_SET.

    Raises ValueError when the first two are not among them.
    """
    values: dict[str, str] = {}
    port_states = []
    for line in text.splitlines():
        name, _, value = line.strip().partition(' ')
        if name == 'portState':
            port_states.append(value.strip())
        else:
            values[name] = value.strip()
    try:
        present = values['gmPresent'] == 'true'
        offset_s = float(values['master_offset']) * 1e-9
        path_delay_s = float(values['meanPathDelay']) * 1e-9
        master = values['gmIdentity']
    except (KeyError, ValueError):
        raise ValueError('no answer that gives its state (no permission, or another PTP '
                         'domain than 0)') from None
    if not present:
        return PtpTracking(False, tuple(port_states), None, None, None)
    return PtpTracking('SLAVE' in port_states, tuple(port_states), master, offset_s, path_delay_s)


def _run(program: str, arguments: list[str], daemon: str) -> str:
    """Output of a program; a missing one, a failure or silence raises Absent."""
    folders = [*os.environ.get('PATH', '').split(os.pathsep), *SYSTEM_FOLDERS]
    path = shutil.which(program, path=os.pathsep.join(filter(None, folders)))
    if path is None:
        raise Absent(f'{daemon}: {program} is not installed')
    try:
        done = subprocess.run([path, *arguments], stdin=subprocess.DEVNULL, capture_output=True,
                              text=True, errors='replace', timeout=TIMEOUT_S,
                              env={**os.environ, 'LC_ALL': 'C'})
    except subprocess.TimeoutExpired:
        raise Absent(f'{daemon}: no answer within {TIMEOUT_S:g} s') from None
    except OSError as error:
        raise Absent(f'{daemon}: {program} cannot be run: {error.strerror}') from None
    if done.returncode != 0:
        said = (done.stdout + done.stderr).strip() or f'exit code {done.returncode}'
        raise Absent(f'{daemon}: not running or not reachable ({program}: {said})')
    return done.stdout


class HostClockWatch:
    """
    Reads the host's clock every `period_s` on a thread of its own until `close`.

    Raises ValueError for a period below 1 s.
    """

    def __init__(self, period_s: float = 10.0) -> None:
        """Start; the first reading begins at once."""
        if not period_s >= 1.0:
            raise ValueError(f'period {period_s} s: expected 1 s or more')
        self._period_s = period_s
        self._latest: tuple[HostClock, float] | None = None
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name='host_clock', daemon=True)
        self._thread.start()

    def latest(self) -> HostClock | None:
        """
        Newest reading; None before the first is complete. Never blocks.

        None as well once it is older than `OUTDATED_PERIODS`: nothing reads any more.
        """
        if self._latest is None:
            return None
        reading, at_s = self._latest
        return reading if time.monotonic() - at_s <= OUTDATED_PERIODS * self._period_s else None

    def close(self, timeout_s: float = 3.0) -> bool:
        """Stop and wait at most `timeout_s`; returns whether the thread has ended."""
        self._stop.set()
        self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def _run(self) -> None:
        """Read until closed."""
        while True:
            self._latest = read_host_clock(), time.monotonic()
            if self._stop.wait(self._period_s):
                return
