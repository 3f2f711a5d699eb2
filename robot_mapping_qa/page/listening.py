# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Opening the page's port: for this computer alone, or for the network where it is guarded."""

from __future__ import annotations

from ipaddress import ip_address
import socket


class ListeningError(ValueError):
    """An address or port that cannot be used; the text begins with the parameter's name."""


def open_port(address: str, port: int, guarded: bool) -> socket.socket:
    """
    Return a listening socket; ``port`` 0 takes a free one.

    Raises `ListeningError` where the address is none, is open to others while the page is not
    ``guarded`` by a token, or is taken.
    """
    try:
        parsed = ip_address(address)
    except ValueError:
        raise ListeningError(
            f'listen_address: found {address!r}, expected an IP address of this computer such as '
            '127.0.0.1, or 0.0.0.0 for all') from None
    if not parsed.is_loopback and not guarded:
        raise ListeningError(
            f'listen_address: found {address}, which others can reach; expected token_file '
            'beside it, or 127.0.0.1')
    family = socket.AF_INET6 if parsed.version == 6 else socket.AF_INET
    listener = socket.socket(family, socket.SOCK_STREAM)
    try:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind((address, port))
        listener.listen(32)
    except OSError as error:
        listener.close()
        raise ListeningError(
            f'port: {port} of {address} cannot be used: {error.strerror}') from None
    return listener
