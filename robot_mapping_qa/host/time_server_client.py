# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
UDP client of the unit's time server, on a thread of its own.

Name resolution can block for many seconds, so socket work never happens on the caller's thread:
a node's timer only picks up what has come in. Replies are stamped by the kernel where it offers
that (socket(7), SO_TIMESTAMPNS), so a busy interpreter does not show as network delay.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
import ipaddress
import re
import selectors
import socket
import struct
import threading
import time

from robot_mapping_qa.timing.two_way import Refused, Sample, TwoWayExchange, TwoWayFigures

# asm-generic/socket.h; Python 3.10 has no name for it. The message has the same number.
_SO_TIMESTAMPNS = 35
_TIMESPEC = struct.Struct('@ll')
_DATAGRAM_BYTES = 512
_LABEL = '[A-Za-z0-9_]([A-Za-z0-9_-]{0,61}[A-Za-z0-9_])?'
# RFC 1123 section 2.1 with the underscore of many a robot; the resolver encodes no other label.
_HOST_NAME = re.compile(rf'{_LABEL}(\.{_LABEL})*\.?')


@dataclass(frozen=True, slots=True)
class Address:
    """Host (name, IPv4 or IPv6 address without brackets) and UDP port."""

    host: str
    port: int

    def __str__(self) -> str:
        """`host:port`, an IPv6 host in brackets."""
        return f'[{self.host}]:{self.port}' if ':' in self.host else f'{self.host}:{self.port}'


@dataclass(frozen=True, slots=True)
class NoReply:
    """A poll that brought nothing: host time (ns) and a sentence for a person."""

    at_ns: int
    text: str


def parse_address(text: str) -> Address:
    """
    Read `host:port`; an IPv6 address stands in brackets, `[fd00::2]:123`.

    Raises ValueError that says what was found and what was expected.
    """
    expected = f'address {text!r}: expected host:port, such as unit:123 or [fd00::2]:123'
    if text.startswith('['):
        host, bracket, port = text[1:].partition(']:')
        if not bracket:
            raise ValueError(f'{expected}; no "]:" behind the IPv6 address')
        try:
            ipaddress.IPv6Address(host)
        except ValueError:
            raise ValueError(f'{expected}; {host!r} is no IPv6 address') from None
    else:
        host, colon, port = text.rpartition(':')
        if not colon:
            raise ValueError(f'{expected}; the port is missing')
        if ':' in host:
            raise ValueError(f'{expected}; an IPv6 address needs brackets')
        if not _HOST_NAME.fullmatch(host):
            raise ValueError(f'{expected}; {host!r} is no host name')
        if re.fullmatch(r'[0-9.]+', host):
            try:
                ipaddress.IPv4Address(host)
            except ValueError:
                raise ValueError(f'{expected}; {host!r} is no IPv4 address') from None
    if not re.fullmatch(r'[0-9]{1,5}', port) or not 1 <= int(port) <= 65535:
        raise ValueError(f'{expected}; port {port!r} is not 1 to 65535')
    return Address(host, int(port))


def clock_precision_s() -> float:
    """Time to read the host's clock: least step between two readings, RFC 5905 section 7.3."""
    steps: list[int] = []
    last_ns = time.time_ns()
    while len(steps) < 100:
        now_ns = time.time_ns()
        if now_ns > last_ns:
            steps.append(now_ns - last_ns)
        last_ns = now_ns
    return min(steps) * 1e-9


class TimeServerClient:
    """
    Polls one time server in the background from construction until `close`.

    address: `host:port`, see `parse_address`.
    poll_interval_s, max_delay_s, max_root_distance_s: see `TwoWayExchange`.

    Raises ValueError for a malformed address or a value out of range. An unreachable server is
    no error: it shows in `take_events` and in the reach register.
    """

    def __init__(self, address: str, poll_interval_s: float = 2.0, *, max_delay_s: float = 1.0,
                 max_root_distance_s: float = 1.0) -> None:
        """Start polling; the first request goes out at once."""
        self.address = parse_address(address)
        self._exchange = TwoWayExchange(
            poll_interval_s, host_precision_s=clock_precision_s(), max_delay_s=max_delay_s,
            max_root_distance_s=max_root_distance_s)
        self._lock = threading.Lock()
        # Bounded: a caller that stops listening must not make the process grow.
        self._events: deque[Sample | Refused | NoReply] = deque(maxlen=64)
        self._socket: socket.socket | None = None
        self._attempts = 0
        self._closing = False
        self._waker, self._wake = socket.socketpair()
        self._thread = threading.Thread(target=self._run, name='time_server', daemon=True)
        self._thread.start()

    def take_events(self) -> list[Sample | Refused | NoReply]:
        """Everything since the last call, oldest first (the newest 64); never blocks on I/O."""
        with self._lock:
            events = list(self._events)
            self._events.clear()
        return events

    def figures(self) -> TwoWayFigures | None:
        """Present output of the clock filter; None before the first reply or after loss."""
        with self._lock:
            return self._exchange.figures(time.time_ns())

    @property
    def reach(self) -> int:
        """8-bit reachability register; 0 when the last eight polls brought nothing."""
        with self._lock:
            return self._exchange.reach

    @property
    def poll_interval_s(self) -> float | None:
        """Present poll interval; None once the server has forbidden further requests."""
        with self._lock:
            return self._exchange.poll_interval_s

    def close(self, timeout_s: float = 1.0) -> bool:
        """
        Stop polling and wait at most `timeout_s` for the thread; a second call is harmless.

        Returns whether the thread has ended. It may not when a name is being resolved; it then
        ends after that by itself and never keeps the process alive.
        """
        if not self._closing:
            self._closing = True
            self._waker.close()
        self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def __enter__(self) -> TimeServerClient:
        """Return the client itself."""
        return self

    def __exit__(self, *_: object) -> None:
        """Close the client."""
        self.close()

    def _run(self) -> None:
        """Poll until closed; the monotonic clock paces it, so a clock step does not."""
        due_s = time.monotonic()
        try:
            while not self._closing:
                interval_s = self.poll_interval_s
                wait_s = None if interval_s is None else due_s - time.monotonic()
                if interval_s is not None and wait_s is not None and wait_s <= 0.0:
                    self._poll()
                    due_s = time.monotonic() + interval_s
                else:
                    self._receive(wait_s)
                    changed_s = self.poll_interval_s
                    if changed_s is not None and changed_s != interval_s:
                        due_s = time.monotonic() + changed_s
        finally:
            self._disconnect()
            self._wake.close()

    def _poll(self) -> None:
        """Send one request, after noting that the last one went unanswered."""
        with self._lock:
            unanswered, lost = self._exchange.awaiting, self._exchange.reach == 0
        if unanswered:
            self._note(f'no usable reply from {self.address} within the poll interval')
        if unanswered and lost:
            # The unit may have come back under another address.
            self._disconnect()
        if self._socket is None:
            try:
                self._socket = _connect(self.address, self._attempts)
            except (OSError, UnicodeError) as error:
                # The second is the resolver's for a name that it cannot encode.
                self._attempts += 1
                with self._lock:
                    self._exchange.miss()
                self._note(f'{self.address}: {getattr(error, "strerror", None) or error}')
                return
        with self._lock:
            # Read last of all, so that nothing of ours counts as network delay.
            request = self._exchange.request(time.time_ns())
        try:
            self._socket.send(request)
        except OSError as error:
            self._fail(error)

    def _receive(self, wait_s: float | None) -> None:
        """Wait for a datagram, for `wait_s` or for `close`, whichever is first."""
        with selectors.DefaultSelector() as selector:
            selector.register(self._wake, selectors.EVENT_READ)
            if self._socket is not None:
                selector.register(self._socket, selectors.EVENT_READ)
            ready = [key.fileobj for key, _ in selector.select(wait_s)]
        if self._socket not in ready:
            return
        try:
            data, ancillary, _, _ = self._socket.recvmsg(
                _DATAGRAM_BYTES, socket.CMSG_SPACE(_TIMESPEC.size))
        except BlockingIOError:
            return  # Announced and then dropped by the kernel: a bad checksum.
        except OSError as error:
            self._fail(error)
            return
        at_ns = _kernel_stamp_ns(ancillary) or time.time_ns()
        with self._lock:
            self._events.append(self._exchange.reply(data, at_ns))

    def _note(self, text: str) -> None:
        """Queue a poll without a reply for the caller."""
        with self._lock:
            self._events.append(NoReply(time.time_ns(), text))

    def _fail(self, error: OSError) -> None:
        """Note a socket error, such as a refused port, and start anew at the next poll."""
        with self._lock:
            self._exchange.abandon()
        self._note(f'{self.address}: {error.strerror or error}')
        self._disconnect()

    def _disconnect(self) -> None:
        """Drop the socket; the next one goes to the name's next address."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None
            self._attempts += 1


def _connect(address: Address, attempt: int) -> socket.socket:
    """
    Resolve, and connect so that the kernel drops datagrams from anyone else.

    A name may have several addresses (IPv6 and IPv4) of which one answers: `attempt` walks them.
    """
    found = socket.getaddrinfo(address.host, address.port, type=socket.SOCK_DGRAM)
    family, kind, protocol, _, target = found[attempt % len(found)]
    connection = socket.socket(family, kind, protocol)
    try:
        connection.setblocking(False)
        try:
            connection.setsockopt(socket.SOL_SOCKET, _SO_TIMESTAMPNS, 1)
        except OSError:
            pass  # Not offered here: replies are stamped when the thread wakes.
        connection.connect(target)
    except OSError:
        connection.close()
        raise
    return connection


def _kernel_stamp_ns(ancillary: list[tuple[int, int, bytes]]) -> int | None:
    """Arrival time that the kernel put beside a datagram, ns since the Unix epoch."""
    for level, kind, data in ancillary:
        if (level, kind) == (socket.SOL_SOCKET, _SO_TIMESTAMPNS) and len(data) == _TIMESPEC.size:
            seconds, ns = _TIMESPEC.unpack(data)
            return seconds * 1_000_000_000 + ns
    return None
