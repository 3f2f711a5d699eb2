# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
Two-way time exchange with a time server: offset, delay and dispersion after RFC 5905.

One exchange gives four times: T1 request sent (host clock), T2 request received and T3 reply sent
(server clock), T4 reply received (host clock). Then (RFC 5905 section 8)

    offset     = ((T2 - T1) + (T3 - T4)) / 2        server's clock minus the host's
    delay      = (T4 - T1) - (T3 - T2)
    dispersion = server precision + host precision + PHI (T4 - T1)

The path may be asymmetric by any share of the delay, so the offset is known to within
delay / 2 + dispersion and no better, however often it repeats. Nothing here reads a clock or a
socket: times and datagrams come in, verdicts go out.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, replace
from enum import Enum
from math import sqrt

from robot_mapping_qa.timing.ntp_packet import client_request, LEAP_UNSYNCHRONIZED, MODE_SERVER
from robot_mapping_qa.timing.ntp_packet import from_timestamp, NtpPacket
from robot_mapping_qa.timing.ntp_packet import reference_text, to_timestamp

PHI = 15e-6
"""Frequency tolerance that dispersion grows with, s/s (RFC 5905 figure 1)."""
STAGES = 8
"""Length of the clock filter's shift register (RFC 5905 section 10)."""
MAX_DISPERSION_S = 16.0
"""MAXDISP of RFC 5905 figure 1: dispersion of an empty stage."""
MIN_POLL_S = 1.0
MAX_POLL_S = 1024.0
"""Back-off stops here: about a quarter of an hour (common practice, no source)."""
STEP_RATE = 500e-6
"""Fastest drift between two clocks that is not called a step: the Linux kernel's limit on
frequency correction (adjtimex(2)), s/s."""
_ANCHORS = 32
_MAX_STRATUM = 15
_VERSIONS = (3, 4)
_STOP_CODES = {'DENY': 'access denied by the server', 'RSTR': 'access denied by local policy'}


class Cause(str, Enum):
    """Why a reply is refused; the text beside it is for a person."""

    SHORT = 'short packet'
    MODE = 'wrong mode'
    VERSION = 'wrong version'
    DUPLICATE = 'duplicate'
    ORIGIN = 'wrong origin timestamp'
    KISS = "kiss-o'-death"
    UNSYNCHRONIZED = 'unsynchronized leap indicator'
    STRATUM = 'unusable stratum'
    TIMESTAMPS = 'impossible server timestamps'
    DELAY = 'implausible delay'
    ROOT_DISTANCE = 'root distance too large'


@dataclass(frozen=True, slots=True)
class Refused:
    """A reply that gave no measurement: when (host, ns), why, and a sentence for a person."""

    at_ns: int
    cause: Cause
    text: str


@dataclass(frozen=True, slots=True)
class Sample:
    """
    One accepted exchange.

    `at_ns` is the host time of the reply (T4); `dispersion_s` is the value at that time;
    `root_distance_s` is the server's own distance to its reference (root delay / 2 + root
    dispersion). `step_s` is the jump between the two clocks since the sample before, None when
    the two samples agree.
    """

    at_ns: int
    offset_s: float
    delay_s: float
    dispersion_s: float
    stratum: int
    leap: int
    reference: str
    root_distance_s: float
    step_s: float | None = None

    @property
    def bound_s(self) -> float:
        """Largest possible error of the offset at `at_ns`: delay / 2 + dispersion."""
        return self.delay_s / 2 + self.dispersion_s


@dataclass(frozen=True, slots=True)
class TwoWayFigures:
    """
    State of the clock filter at one host time.

    offset_s: server's clock minus the host's, from the sample of least delay of the last eight,
        measured at `at_ns` (host time, ns).
    bound_s: largest error of offset_s: delay_s / 2 + dispersion_s. A bound, not a deviation.
    sigma_s: standard uncertainty of offset_s, bound_s / sqrt(3): nothing is known of the path's
        asymmetry but its limits, hence a rectangular distribution (JCGM 100 section 4.3.7).
    dispersion_s: of that sample, grown to the host time asked for. It grows at PHI, or at the
        drift that the samples themselves prove where that is faster (`drift`, s/s).
    filter_dispersion_s, jitter_s: peer dispersion and peer jitter of RFC 5905 section 10. Empty
        stages count 16 s in the first, so it falls as the filter fills. Jitter is the root mean
        square difference from the chosen sample, None with fewer than two samples.
    root_distance_s: distance to the server's own reference: its root delay / 2 + root dispersion,
        plus bound_s. Says how good its time is, not how well it is known here.
    reach: 8-bit register, newest poll in the lowest bit, 1 where a valid reply came.
    """

    at_ns: int
    offset_s: float
    sigma_s: float
    bound_s: float
    delay_s: float
    dispersion_s: float
    drift: float
    filter_dispersion_s: float
    jitter_s: float | None
    stratum: int
    leap: int
    reference: str
    root_distance_s: float
    reach: int
    samples: int


class TwoWayExchange:
    """
    Requests, replies and clock filter of one server; the caller owns the socket and the clock.

    poll_interval_s: wanted time between requests, 1 s to 1024 s.
    host_precision_s: time it takes to read the host's clock (RFC 5905 section 7.3).
    max_delay_s: a longer round trip is refused.
    max_root_distance_s: a server farther from its reference is refused (MAXDIST, RFC 5905
        figure 1).

    Raises ValueError for a value out of range.
    """

    def __init__(self, poll_interval_s: float = 2.0, *, host_precision_s: float = 1e-6,
                 max_delay_s: float = 1.0, max_root_distance_s: float = 1.0) -> None:
        """Start with an empty filter and nothing asked."""
        if not MIN_POLL_S <= poll_interval_s <= MAX_POLL_S:
            raise ValueError(f'poll interval {poll_interval_s} s: expected {MIN_POLL_S:g} s to '
                             f'{MAX_POLL_S:g} s')
        for name, value in (('host precision', host_precision_s), ('largest delay', max_delay_s),
                            ('largest root distance', max_root_distance_s)):
            if not value > 0.0:
                raise ValueError(f'{name} {value} s: expected more than zero')
        self._poll_s = poll_interval_s
        self._precision_s = host_precision_s
        self._max_delay_s = max_delay_s
        self._max_root_distance_s = max_root_distance_s
        self._stages: deque[Sample | None] = deque(maxlen=STAGES)
        # Best sample of each past filling of the filter: a drift of tens of ppm shows in minutes,
        # not within the few seconds that the filter spans.
        self._anchors: deque[Sample] = deque(maxlen=_ANCHORS)
        self._accepted = 0
        self._sent: tuple[int, int] | None = None
        self._answered: int | None = None
        self._reach = 0
        self._stopped = False

    @property
    def poll_interval_s(self) -> float | None:
        """Time to leave between requests, longer after RATE; None after DENY or RSTR."""
        return None if self._stopped else self._poll_s

    @property
    def reach(self) -> int:
        """8-bit reachability register, RFC 5905 section 13."""
        return self._reach

    @property
    def awaiting(self) -> bool:
        """Whether the last request is still without a usable reply or a kiss code."""
        return self._sent is not None

    def request(self, t1_ns: int) -> bytes:
        """
        Datagram to send at host time `t1_ns` (ns since the Unix epoch).

        Raises RuntimeError once the server has forbidden further requests.
        """
        if self._stopped:
            raise RuntimeError('the server has forbidden further requests')
        self._shift()
        transmit = to_timestamp(t1_ns)
        self._sent = (transmit, t1_ns)
        return client_request(transmit)

    def miss(self) -> None:
        """Count a poll for which no request could be sent (no route, unknown name)."""
        self._shift()
        self._sent = None

    def abandon(self) -> None:
        """Await no reply to the last request any more: the network has reported it undelivered."""
        self._sent = None

    def reply(self, data: bytes, t4_ns: int) -> Sample | Refused:
        """
        Judge a datagram that arrived at host time `t4_ns` and take it into the filter.

        Checks follow RFC 5905 section 8 and its packet sanity tests (appendix A.5.1). A kiss code
        counts only with the right origin timestamp: anyone can forge one without (RFC 8633).
        """
        checked = self._check(data, t4_ns)
        if isinstance(checked, Refused):
            return checked
        newest = next((stage for stage in reversed(self._stages) if stage), None)
        if newest:
            change_s = checked.offset_s - newest.offset_s
            apart_s = max(0, checked.at_ns - newest.at_ns) * 1e-9
            if abs(change_s) > checked.bound_s + newest.bound_s + STEP_RATE * apart_s:
                # What was measured before the step is no longer true of either clock.
                self._forget()
                checked = replace(checked, step_s=change_s)
        self._stages.append(checked)
        self._reach |= 1
        self._accepted += 1
        if self._accepted % STAGES == 0:
            self._anchors.append(min(filter(None, self._stages), key=_delay))
        return checked

    def figures(self, now_ns: int) -> TwoWayFigures | None:
        """Output of the filter at host time `now_ns`; None before the first or after loss."""
        samples = [stage for stage in self._stages if stage]
        if not samples:
            return None
        samples.sort(key=_delay)
        best = samples[0]
        drift = max([PHI] + [_proven_drift(best, other)
                             for other in (*samples[1:], *self._anchors)])
        grown = [sample.dispersion_s + drift * max(0, now_ns - sample.at_ns) * 1e-9
                 for sample in samples]
        padded = grown + [MAX_DISPERSION_S] * (STAGES - len(grown))
        jitter_s = None
        if len(samples) > 1:
            squares = sum((best.offset_s - other.offset_s) ** 2 for other in samples[1:])
            jitter_s = max(sqrt(squares / (len(samples) - 1)), self._precision_s)
        bound_s = best.delay_s / 2 + grown[0]
        return TwoWayFigures(
            at_ns=best.at_ns, offset_s=best.offset_s, sigma_s=bound_s / sqrt(3.0),
            bound_s=bound_s, delay_s=best.delay_s, dispersion_s=grown[0], drift=drift,
            filter_dispersion_s=sum(d / 2 ** (i + 1) for i, d in enumerate(padded)),
            jitter_s=jitter_s, stratum=best.stratum, leap=best.leap, reference=best.reference,
            root_distance_s=best.root_distance_s + bound_s, reach=self._reach,
            samples=len(samples))

    def _shift(self) -> None:
        """Begin a poll: make room in the reachability register, let old samples age out."""
        self._reach = self._reach << 1 & 0xFF
        if self._reach & 0b111 == 0 and self._stages:
            # Three polls without a valid reply: the filter takes an empty stage, section 10.1.
            self._stages.append(None)
        if self._reach == 0:
            self._forget()

    def _forget(self) -> None:
        """Drop every measurement: nothing says that the clocks are still the same."""
        self._stages.clear()
        self._anchors.clear()

    def _check(self, data: bytes, t4_ns: int) -> Sample | Refused:
        """Everything a reply must pass before it may touch the filter."""
        try:
            packet = NtpPacket.decode(data)
        except ValueError as error:
            return Refused(t4_ns, Cause.SHORT, str(error))
        if packet.mode != MODE_SERVER:
            return Refused(t4_ns, Cause.MODE, f'mode {packet.mode}, a server replies with 4')
        if packet.version not in _VERSIONS:
            return Refused(t4_ns, Cause.VERSION, f'NTP version {packet.version}, expected 3 or 4')
        if packet.origin and packet.origin == self._answered:
            return Refused(t4_ns, Cause.DUPLICATE, 'this request has been answered already')
        if self._sent is None or packet.origin != self._sent[0]:
            return Refused(t4_ns, Cause.ORIGIN,
                           'answers no outstanding request: late, replayed or forged')
        self._answered, t1_ns = self._sent
        self._sent = None
        return self._kiss(packet, t4_ns) or self._measure(packet, t1_ns, t4_ns)

    def _kiss(self, packet: NtpPacket, t4_ns: int) -> Refused | None:
        """Obey a kiss code, RFC 5905 section 7.4; also other replies without a time."""
        if packet.stratum == 0:
            code = reference_text(0, packet.reference_id)
            if not code.isalnum():
                return Refused(t4_ns, Cause.STRATUM,
                               'stratum 0: the server has no time to give and names no reason')
            if code in _STOP_CODES:
                self._stopped = True
                text = f'{code}: {_STOP_CODES[code]}; no more requests are sent'
            elif code == 'RATE':
                self._poll_s = min(2 * self._poll_s, MAX_POLL_S)
                text = f'RATE: asked too often; now every {self._poll_s:g} s'
            else:
                text = f'{code}: the server gives no time now'
            return Refused(t4_ns, Cause.KISS, text)
        if packet.leap == LEAP_UNSYNCHRONIZED:
            return Refused(t4_ns, Cause.UNSYNCHRONIZED,
                           "leap indicator 3: the server's clock is not synchronized")
        if packet.stratum > _MAX_STRATUM:
            return Refused(t4_ns, Cause.STRATUM,
                           f'stratum {packet.stratum}: 1 to 15 is usable, 16 is unsynchronized')
        return None

    def _measure(self, packet: NtpPacket, t1_ns: int, t4_ns: int) -> Sample | Refused:
        """Offset, delay and dispersion of a reply that is the server's word, section 8."""
        if packet.receive == 0 or packet.transmit == 0:
            return Refused(t4_ns, Cause.TIMESTAMPS, 'receive or transmit timestamp is missing')
        t2_ns = from_timestamp(packet.receive, t4_ns)
        t3_ns = from_timestamp(packet.transmit, t2_ns)
        if t3_ns < t2_ns:
            return Refused(t4_ns, Cause.TIMESTAMPS,
                           f'sent {(t2_ns - t3_ns) * 1e-9:.6f} s before the request came in')
        delay_s = ((t4_ns - t1_ns) - (t3_ns - t2_ns)) * 1e-9
        dispersion_s = (2.0 ** packet.precision + self._precision_s
                        + PHI * max(0, t4_ns - t1_ns) * 1e-9)
        if delay_s < -dispersion_s:
            return Refused(t4_ns, Cause.DELAY, f'round trip of {delay_s:.6f} s is negative: a '
                           'clock was stepped during the exchange')
        if delay_s > self._max_delay_s:
            return Refused(t4_ns, Cause.DELAY, f'round trip of {delay_s:.6f} s, at most '
                           f'{self._max_delay_s:g} s is used')
        # Clocks of unequal rate on a fast path can give a slightly negative delay (A.5.1.1).
        delay_s = max(delay_s, self._precision_s)
        server_distance_s = packet.root_delay_s / 2 + packet.root_dispersion_s
        root_distance_s = server_distance_s + delay_s / 2 + dispersion_s
        if root_distance_s > self._max_root_distance_s:
            return Refused(t4_ns, Cause.ROOT_DISTANCE, f'root distance {root_distance_s:.3f} s, '
                           f'at most {self._max_root_distance_s:g} s is used')
        return Sample(
            at_ns=t4_ns, offset_s=((t2_ns - t1_ns) + (t3_ns - t4_ns)) / 2 * 1e-9,
            delay_s=delay_s, dispersion_s=dispersion_s, stratum=packet.stratum,
            leap=packet.leap, reference=reference_text(packet.stratum, packet.reference_id),
            root_distance_s=server_distance_s)


def _delay(sample: Sample) -> float:
    return sample.delay_s


def _proven_drift(one: Sample, other: Sample) -> float:
    """
    Least drift, s/s, that explains why two samples differ by more than both their bounds.

    PHI is what a disciplined clock keeps. A free-running one drifts faster, and a bound grown at
    PHI would then claim too much. Over a slow network the proof takes some minutes.
    """
    apart_s = abs(one.at_ns - other.at_ns) * 1e-9
    excess_s = abs(one.offset_s - other.offset_s) - one.bound_s - other.bound_s
    return excess_s / apart_s if apart_s > 0.0 else 0.0
