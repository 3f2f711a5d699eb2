# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
NTP packet layout and timestamp formats, RFC 5905 sections 6 and 7.3.

The package has its own codec, and not ntplib, because ntplib keeps timestamps as float seconds
since 1900, which a double resolves to half a microsecond only, and times here are integer
nanoseconds. Its one call also owns the socket and blocks until the reply or the timeout, so
neither the origin timestamp check nor a kernel receive stamp could be added from outside.
"""

from __future__ import annotations

from dataclasses import dataclass
import struct

HEADER_BYTES = 48
VERSION = 4
MODE_CLIENT = 3
MODE_SERVER = 4
LEAP_UNSYNCHRONIZED = 3

_HEADER = struct.Struct('>BBbbII4sQQQQ')
# Seconds from 1900-01-01 (NTP prime epoch) to 1970-01-01 (Unix), RFC 5905 figure 4.
_UNIX_EPOCH_S = 2_208_988_800
_NS = 1_000_000_000
_ERA_S = 1 << 32


def to_timestamp(unix_ns: int) -> int:
    """
    64-bit NTP timestamp (32.32 fixed point, era dropped) of a Unix time in ns.

    The fraction is rounded to the nearest 2**-32 s (0.23 ns), so `from_timestamp` gives the
    nanosecond back exactly.
    """
    seconds, ns = divmod(unix_ns, _NS)
    fraction = ((ns << 32) + _NS // 2) // _NS
    return ((seconds + _UNIX_EPOCH_S) % _ERA_S) << 32 | fraction


def from_timestamp(timestamp: int, near_ns: int) -> int:
    """
    Unix time in ns of a 64-bit NTP timestamp, nearest nanosecond.

    A timestamp carries no era (RFC 5905 section 6), so the one within 68 years of `near_ns` is
    meant; that keeps the arithmetic right across the rollover of 2036-02-07.
    """
    seconds = (timestamp >> 32) - _UNIX_EPOCH_S
    ns = ((timestamp & 0xFFFFFFFF) * _NS + (1 << 31)) >> 32
    unix_ns = seconds * _NS + ns
    era_ns = _ERA_S * _NS
    return unix_ns + (near_ns - unix_ns + era_ns // 2) // era_ns * era_ns


@dataclass(frozen=True)
class NtpPacket:
    """
    Header of an NTP packet, RFC 5905 section 7.3 (figure 8).

    `root_delay_s` and `root_dispersion_s` are seconds; `precision` is log2 seconds; the four
    timestamps are raw 64-bit values, 0 meaning unknown; `reference_id` is the four raw bytes.
    """

    leap: int
    version: int
    mode: int
    stratum: int
    poll: int
    precision: int
    root_delay_s: float
    root_dispersion_s: float
    reference_id: bytes
    reference: int
    origin: int
    receive: int
    transmit: int

    def encode(self) -> bytes:
        """48 bytes in network order; raises struct.error when a field does not fit."""
        return _HEADER.pack(
            self.leap << 6 | self.version << 3 | self.mode,
            self.stratum, self.poll, self.precision,
            round(self.root_delay_s * 65536), round(self.root_dispersion_s * 65536),
            self.reference_id, self.reference, self.origin, self.receive, self.transmit)

    @staticmethod
    def decode(data: bytes) -> NtpPacket:
        """
        Read the header; extension fields and a MAC behind it are ignored.

        Raises ValueError when `data` is shorter than a header.
        """
        if len(data) < HEADER_BYTES:
            raise ValueError(f'{len(data)} bytes, an NTP header has {HEADER_BYTES}')
        (first, stratum, poll, precision, root_delay, root_dispersion, reference_id,
         reference, origin, receive, transmit) = _HEADER.unpack_from(data)
        return NtpPacket(
            first >> 6, first >> 3 & 7, first & 7, stratum, poll, precision,
            root_delay / 65536, root_dispersion / 65536, reference_id,
            reference, origin, receive, transmit)


def client_request(transmit: int) -> bytes:
    """
    Client request that carries only version, mode and the transmit timestamp.

    Every other field is zero: servers use none of them in client mode (RFC 4330 section 5).
    """
    return NtpPacket(0, VERSION, MODE_CLIENT, 0, 0, 0, 0.0, 0.0, bytes(4),
                     0, 0, 0, transmit).encode()


def reference_text(stratum: int, reference_id: bytes) -> str:
    """
    Reference identifier for a person, RFC 5905 section 7.3.

    Stratum 0 and 1 carry up to four ASCII letters (kiss code, kind of reference clock); higher
    strata an IPv4 address or the hash of another one, shown as dotted numbers.
    """
    letters = reference_id.rstrip(b'\0')
    if stratum <= 1 and letters and all(33 <= byte <= 126 for byte in letters):
        return letters.decode('ascii')
    return '.'.join(str(byte) for byte in reference_id)
