# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Who may see the page and who may hold the gate, and whether a request is the page's own."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
import hashlib
import hmac
from ipaddress import ip_address, IPv6Address
from pathlib import Path
from typing import Iterable, Mapping, Sequence
from urllib.parse import urlsplit

RIGHTS = ('look', 'hold')
"""The words of a token file that say what a token is for."""

LEAST_LENGTH = 16
"""Shorter tokens can be guessed over a network: 16 letters of base64 are 96 bits."""

OWN_NAMES = frozenset(('localhost', '127.0.0.1', '::1'))
"""How this computer calls itself; a page of another host cannot have these in its address."""

_COOKIE_PURPOSE = b'robot_mapping_qa page cookie'


class Right(IntEnum):
    """What a visitor may do; each includes those below it."""

    NOTHING = 0
    LOOK = 1
    HOLD = 2


class TokenFileError(ValueError):
    """A file of tokens that is refused; the text says why, without any token in it."""


@dataclass(frozen=True, slots=True)
class Tokens:
    """The tokens that are known, each with its right; none means that none is asked for."""

    rights: Mapping[str, Right]

    def right_of_token(self, token: str) -> Right:
        """Return the right of a token that a visitor gave."""
        return self._right({known: known for known in self.rights}, token)

    def right_of_cookie(self, value: str) -> Right:
        """Return the right of a cookie that a visitor has."""
        return self._right({known: self.cookie(known) for known in self.rights}, value)

    def _right(self, secrets: Mapping[str, str], given: str) -> Right:
        """Compare with every secret in full, so that the time taken tells nothing of them."""
        right = Right.NOTHING
        for token, secret in secrets.items():
            if hmac.compare_digest(secret.encode(), given.encode(errors='replace')):
                right = self.rights[token]
        return right

    @staticmethod
    def cookie(token: str) -> str:
        """
        Return the cookie for a token: the same after a restart, so that a tablet stays known.

        The token cannot be found from it (HMAC, RFC 2104).
        """
        return hmac.new(token.encode(), _COOKIE_PURPOSE, hashlib.sha256).hexdigest()


def read_tokens(path: Path) -> Tokens:
    """
    Read a file with one 'RIGHT TOKEN' a line; RIGHT is 'look' or 'hold'.

    Empty lines and those that begin with # count for nothing. Raises `TokenFileError`, also
    where others than the owner can read the file.
    """
    try:
        if path.stat().st_mode & 0o077:
            raise TokenFileError(f'{path} can be read by others than its owner: chmod 600 {path}')
        # Editors may begin a file with a mark of the encoding, which nobody sees.
        lines = path.read_text(encoding='utf-8-sig').splitlines()
    except OSError as error:
        raise TokenFileError(f'{path} cannot be read: {error.strerror}') from error
    except UnicodeDecodeError:
        raise TokenFileError(f'{path} is not a text file') from None
    rights: dict[str, Right] = {}
    for number, line in enumerate(lines, start=1):
        words = line.split()
        if not words or words[0].startswith('#'):
            continue
        if len(words) != 2 or words[0] not in RIGHTS:
            raise TokenFileError(f"{path}, line {number}: expected 'look TOKEN' or 'hold TOKEN', "
                                 f'found {_told(words)}')
        if len(words[1]) < LEAST_LENGTH or not words[1].isascii():
            found = str(len(words[1])) if words[1].isascii() else 'others among them'
            raise TokenFileError(
                f'{path}, line {number}: expected a token of {LEAST_LENGTH} ASCII characters or '
                f'more, found {found}; \'python3 -c "import secrets; '
                'print(secrets.token_urlsafe())"\' gives one')
        rights[words[1]] = Right[words[0].upper()]
    if not rights:
        raise TokenFileError(f'{path} holds no token')
    return Tokens(rights)


def _told(words: Sequence[str]) -> str:
    """Return what is wrong with the words of a line, of which each may be a secret but a right."""
    if len(words) != 2:
        return f'{len(words)} word{"s" * (len(words) > 1)}'
    first, second = words
    if second in RIGHTS:
        return 'them the other way round'
    # A word such as admin is a mistake that must be seen; what could be a token is not shown.
    return (f'{first!r} in front' if len(first) < LEAST_LENGTH and first.isalpha()
            else 'another word in front')


def host_name(host: str) -> str | None:
    """Return the name or address of a Host header without its port, None where it is neither."""
    try:
        return urlsplit(f'//{host}').hostname
    except ValueError:
        return None


def is_our_name(name: str, local_address: str, further_names: Iterable[str]) -> bool:
    """
    Return whether a name in a Host header can only mean this computer.

    A foreign page whose name was made to lead here (DNS rebinding) comes with that name. So a
    name counts only where it was configured; an address counts where the connection came in on
    it, ``local_address``.
    """
    if name in OWN_NAMES or name in further_names:
        return True
    try:
        local = ip_address(local_address.partition('%')[0])
        if isinstance(local, IPv6Address):
            # A listener on :: takes IPv4, too.
            local = local.ipv4_mapped or local
        return ip_address(name) == local
    except ValueError:
        return False


def is_same_origin(headers: Mapping[str, str]) -> bool:
    """
    Return whether the page itself made a request, as far as the browser says.

    Browsers send Origin (RFC 6454) with what another site's page may not do unasked, and newer
    ones Sec-Fetch-Site (W3C Fetch Metadata) with everything.
    """
    if headers.get('Sec-Fetch-Site', 'same-origin') not in ('same-origin', 'none'):
        return False
    origin = headers.get('Origin')
    try:
        return origin is None or urlsplit(origin).netloc == headers.get('Host')
    except ValueError:
        # No address at all, as 'http://[': it is not this page's.
        return False
