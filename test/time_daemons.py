# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Time servers for the tests: one of our own that misbehaves on demand, and a real chronyd."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
import getpass
import os
from pathlib import Path
import shutil
import socket
import struct
import subprocess
import threading
import time

SEARCH_PATH = os.pathsep.join([os.environ.get('PATH', ''), '/usr/sbin', '/sbin'])
# Written out here on purpose: the tests do not borrow the codec that they check.
HEADER = struct.Struct('>BBbb4s4s4sQQQQ')
UNIX_EPOCH_S = 2_208_988_800


def stamp(unix_ns: int) -> int:
    """32.32 fixed-point seconds since 1900, truncated."""
    return ((unix_ns << 32) // 1_000_000_000 + (UNIX_EPOCH_S << 32)) & 0xFFFF_FFFF_FFFF_FFFF


def reply_to(request: bytes, receive_ns: int, transmit_ns: int, *, leap: int = 0,
             version: int = 4, mode: int = 4, stratum: int = 2, precision: int = -20,
             root_delay: int = 0, root_dispersion: int = 0, reference: bytes = b'\x0a\0\0\1',
             origin: int | None = None) -> bytes:
    """Server's reply; root delay and dispersion in 2**-16 s; by default what is expected."""
    asked = struct.unpack_from('>Q', request, 40)[0]
    return HEADER.pack(
        leap << 6 | version << 3 | mode, stratum, 1, precision, struct.pack('>I', root_delay),
        struct.pack('>I', root_dispersion), reference, stamp(receive_ns - 10**9),
        asked if origin is None else origin, stamp(receive_ns), stamp(transmit_ns))


Answer = Callable[[bytes, int], list[bytes]]


class ScriptedServer:
    """
    UDP server on loopback that hands every request to `answer(request, received_ns)`.

    What `answer` returns is sent back, one datagram each; it may also wait before it returns.
    """

    def __init__(self, answer: Answer) -> None:
        self._answer = answer
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._socket.bind(('127.0.0.1', 0))
        self._socket.settimeout(0.05)
        self.address = '127.0.0.1:{}'.format(self._socket.getsockname()[1])
        self.requests = 0
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def __enter__(self) -> ScriptedServer:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join(2.0)
        self._socket.close()

    def _run(self) -> None:
        while not self._stop.is_set():
            try:
                request, source = self._socket.recvfrom(512)
            except TimeoutError:
                continue
            received_ns = time.time_ns()
            self.requests += 1
            for datagram in self._answer(request, received_ns):
                self._socket.sendto(datagram, source)


def free_udp_port() -> int:
    """A UDP port that was free a moment ago."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.bind(('127.0.0.1', 0))
        return probe.getsockname()[1]


@contextmanager
def chronyd(folder: Path, *lines: str) -> Iterator[tuple[int, int]]:
    """
    Run a real chronyd that leaves the host's clock alone; gives its NTP and command ports.

    `lines` are added to a configuration that serves loopback only.
    """
    port, command_port = free_udp_port(), free_udp_port()
    config = folder / 'chrony.conf'
    config.write_text('\n'.join([
        f'port {port}', f'cmdport {command_port}', 'bindaddress 127.0.0.1',
        'bindcmdaddress 127.0.0.1', f'bindcmdaddress {folder}/chronyd.sock', 'allow 127.0.0.1',
        f'pidfile {folder}/chronyd.pid', *lines, '']))
    os.chmod(folder, 0o750)  # chronyd refuses a socket in a folder that others can write.
    program = shutil.which('chronyd', path=SEARCH_PATH)
    process = subprocess.Popen(
        [program, '-U', '-x', '-d', '-u', getpass.getuser(), '-f', str(config)],
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
    try:
        _wait_for_port(port, process)
        yield port, command_port
    finally:
        process.terminate()
        process.communicate(timeout=5.0)


def _wait_for_port(port: int, process: subprocess.Popen) -> None:
    """Ask until the server answers; fails with its own words when it ends instead."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.connect(('127.0.0.1', port))
        probe.settimeout(0.05)
        for _ in range(100):
            if process.poll() is not None:
                raise RuntimeError(f'chronyd ended: {process.stdout.read()}')
            try:
                probe.send(HEADER.pack(0x23, 0, 0, 0, bytes(4), bytes(4), bytes(4), 0, 0, 0, 1))
                probe.recv(512)
                return
            except ConnectionRefusedError:
                time.sleep(0.02)
            except TimeoutError:
                pass
    raise RuntimeError('chronyd did not answer within 5 s')
