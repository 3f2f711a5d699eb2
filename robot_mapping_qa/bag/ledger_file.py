# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
``captures.csv``: one row a capture, written at once offline and row by row live.

A live ledger only ever grows while the run goes on, so that a kill or a power cut takes nothing
back: a capture whose verdict changes gets another row, and of several rows of one capture the
last one counts. `finish_ledger` leaves that one only, and adds ``redo.csv``.
"""

from __future__ import annotations

import csv
import io
import os
from pathlib import Path
from typing import Iterable, NamedTuple, Sequence

from robot_mapping_qa.capture.budget import PARTS
from robot_mapping_qa.capture.ledger import Capture, KnownHold, VERDICTS
from robot_mapping_qa.capture.limits import GateLimits
from robot_mapping_qa.capture.redo import redo_places, RedoPlace
from robot_mapping_qa.pose.quaternion import vector

CAPTURES_FILE = 'captures.csv'
REDO_FILE = 'redo.csv'

CAPTURE_COLUMNS = (
    'capture', 'stamp_ns', 'x', 'y', 'z', 'sigma_position_m', 'sigma_rotation_rad',
    'time_error_s', 'point_error_m', 'verdict', 'reasons',
    'path_m', 'qx', 'qy', 'qz', 'qw', *(f'share_{part}' for part in PARTS))
REDO_COLUMNS = ('x', 'y', 'z', 'path_from_m', 'path_to_m', 'captures', 'reasons')


class LedgerError(ValueError):
    """A ledger that cannot be read or written; the text tells the user why."""


MOST_UNWRITTEN = 16_000_000
"""Bytes that wait for a full disk: some 60,000 rows, an hour of a camera at 15 Hz."""


class LedgerContent(NamedTuple):
    """The captures of a ledger in the order of their first rows, and how many rows were cut."""

    captures: list[Capture]
    broken_rows: int


class FinishedLedger(NamedTuple):
    """The places to visit again, and how many rows were cut and are left out."""

    places: list[RedoPlace]
    broken_rows: int


class LedgerFile:
    """
    A ledger that grows; every `append` is one write, which a kill of the process keeps.

    What a full disk does not take waits in memory, up to `MOST_UNWRITTEN` bytes.
    """

    def __init__(self, folder: Path) -> None:
        """Open or begin the ledger of a folder; raises `LedgerError`."""
        self.path = folder / CAPTURES_FILE
        self.lost_rows = 0
        """Rows that the disk did not take until too many waited."""
        self._unwritten = bytearray()
        try:
            folder.mkdir(parents=True, exist_ok=True)
            self.known = read_ledger(self.path) if self.path.exists() else LedgerContent([], 0)
            self._file = os.open(self.path, os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o644)
            if os.fstat(self._file).st_size == 0:
                self._write(_lines([CAPTURE_COLUMNS]))
            elif not self.path.read_bytes().endswith(b'\n'):
                # The end of a row was lost with the power: what follows must not hang on to it.
                self._write(b'\n')
        except OSError as error:
            raise LedgerError(f'{self.path}: cannot be written: {error.strerror}') from error

    def append(self, captures: Sequence[Capture]) -> None:
        """
        Add rows behind those that wait for the disk.

        Raises OSError where the disk is full: the rows wait for the next call, or are lost if
        too many do.
        """
        rows = _lines(map(capture_row, captures))
        try:
            self._write()
        finally:
            if len(self._unwritten) + len(rows) > MOST_UNWRITTEN:
                # The newest ones, as the first may be on the disk in part.
                self.lost_rows += len(captures)
            else:
                self._unwritten += rows
        self._write()

    @property
    def waiting_rows(self) -> int:
        """Rows that wait for the disk."""
        return self._unwritten.count(b'\n')

    @property
    def size(self) -> int:
        """Bytes of the ledger, with those that wait."""
        return os.fstat(self._file).st_size + len(self._unwritten)

    def read_back(self, start: int, end: int) -> tuple[list[Capture], int]:
        """
        Return the captures of the whole rows between two offsets in the file, and where they end.

        Of several rows of one capture the last one. Raises OSError.
        """
        with self.path.open('rb') as file:
            file.seek(start)
            data = file.read(end - start)
        whole = data[:data.rfind(b'\n') + 1]
        text = io.StringIO(whole.decode('utf-8', 'replace'), newline='')
        return _captures_of(csv.reader(text)).captures, start + len(whole)

    def close(self) -> None:
        """See the rows onto the medium."""
        os.fsync(self._file)
        os.close(self._file)

    def _write(self, data: bytes = b'') -> None:
        # What is left of a write is the end of a row: the next one begins there.
        self._unwritten += data
        while self._unwritten:
            del self._unwritten[:os.write(self._file, self._unwritten)]


def check_folder(folder: Path) -> None:
    """
    Raise `LedgerError` where a folder holds anything that is no ledger's, such as a bag.

    It need not be there yet. A ledger's own files are those of a finished one, and what is left
    of one that was being written.
    """
    own = (CAPTURES_FILE, REDO_FILE)
    try:
        names = sorted(os.listdir(folder)) if folder.is_dir() else []
    except OSError as error:
        raise LedgerError(f'{folder}: cannot be read: {error.strerror}') from error
    strange = [name for name in names if name not in own
               and not name.startswith(tuple(f'.{each}.' for each in own))]
    if strange:
        more = f' and {len(strange) - 1} more' * (len(strange) > 1)
        raise LedgerError(f'{folder}: found {strange[0]}{more} in it, expected a folder of the '
                          "ledger's own: a new one, an empty one, or that of a ledger")


def finish_ledger(folder: Path, limits: GateLimits,
                  holds: Sequence[KnownHold] = ()) -> FinishedLedger:
    """
    Leave one row a capture in a live ledger and write ``redo.csv``.

    ``holds`` are those that are known. Also for a ledger whose node was killed. Raises
    `LedgerError` or OSError; then the ledger is as it was.
    """
    captures, broken_rows = read_ledger(folder / CAPTURES_FILE)
    places = redo_places(captures, limits.redo_distance_m, limits.redo_angle_rad,
                         limits.redo_merge_m, holds)
    write_captures(captures, folder)
    write_redo(places, folder)
    return FinishedLedger(places, broken_rows)


def read_ledger(path: Path) -> LedgerContent:
    """Return the captures of a ``captures.csv``; raises `LedgerError` where it is none."""
    try:
        with path.open(encoding='utf-8', errors='replace', newline='') as file:
            rows = csv.reader(file)
            columns = next(rows, [])
            if tuple(columns) != CAPTURE_COLUMNS:
                raise LedgerError(f'{path}: is not a ledger of captures: its first line is '
                                  f'{",".join(columns)[:60]!r}')
            return _captures_of(rows)
    except OSError as error:
        raise LedgerError(f'{path}: cannot be read: {error.strerror}') from error


def _captures_of(rows: Iterable[list[str]]) -> LedgerContent:
    latest: dict[str, Capture] = {}
    broken = 0
    for row in rows:
        try:
            capture = _capture_of(dict(zip(CAPTURE_COLUMNS, row, strict=True)))
        except (ValueError, KeyError):
            broken += 1
        else:
            latest[capture.name] = capture
    return LedgerContent(list(latest.values()), broken)


def write_captures(captures: Iterable[Capture], folder: Path) -> None:
    """Write ``captures.csv`` into the folder; an empty field means unknown."""
    _write_table(folder / CAPTURES_FILE, CAPTURE_COLUMNS, map(capture_row, captures))


def write_redo(places: Iterable[RedoPlace], folder: Path) -> None:
    """Write ``redo.csv`` into the folder; an empty field means unknown."""
    _write_table(folder / REDO_FILE, REDO_COLUMNS, (
        (*_coordinates(place.position_m), f'{place.path_from_m:.3f}', f'{place.path_to_m:.3f}',
         place.captures,
         '; '.join(place.reasons)) for place in places))


def capture_row(capture: Capture) -> tuple:
    """Return the fields of a capture in the order of the columns."""
    turn = capture.quaternion
    return (
        capture.name, capture.stamp_ns, *_coordinates(capture.position_m),
        capture.sigma_position_m, capture.sigma_rotation_rad, capture.time_error_s,
        capture.point_error_m, capture.verdict, '; '.join(capture.reasons),
        f'{capture.path_m:.3f}',
        *((None,) * 4 if turn is None else (_fixed(part, 5) for part in turn)),
        *((None,) * len(PARTS) if capture.shares is None else
          (_fixed(share, 4) for share in capture.shares)))


def _capture_of(row: dict[str, str]) -> Capture:
    """Return the capture of a row; ValueError where a field is not what it should be."""
    def known(*names: str) -> tuple[float, ...] | None:
        return tuple(float(row[name]) for name in names) if row[names[0]] else None

    def one(name: str) -> float | None:
        return float(row[name]) if row[name] else None
    stream, _, number = row['capture'].rpartition('/')
    if row['verdict'] not in VERDICTS:
        raise ValueError(row['verdict'])
    stamp_ns = int(row['stamp_ns'])
    position_m, turn = known('x', 'y', 'z'), known('qx', 'qy', 'qz', 'qw')
    return Capture(
        stream, int(number), stamp_ns, stamp_ns,
        None if position_m is None else vector(position_m),
        None if turn is None else (turn[0], turn[1], turn[2], turn[3]), float(row['path_m']),
        one('sigma_position_m'), one('sigma_rotation_rad'), one('time_error_s'),
        one('point_error_m'), row['verdict'],
        tuple(row['reasons'].split('; ')) if row['reasons'] else (),
        known(*(f'share_{part}' for part in PARTS)))


def _coordinates(position_m: Sequence[float] | None) -> tuple:
    # A tenth of a millimetre, also in map coordinates of millions of metres.
    if position_m is None:
        return (None, None, None)
    return tuple(_fixed(value, 4) for value in position_m)


def _fixed(value: float, digits: int) -> str:
    # Adding zero takes the minus off what is nothing but zeros.
    return f'{round(value, digits) + 0.0:.{digits}f}'


def _write_table(path: Path, columns: Sequence[str], rows: Iterable[Sequence]) -> None:
    """Write a table that appears complete or not at all."""
    scratch = path.with_name(f'.{path.name}.{os.getpid()}')
    try:
        with scratch.open('w', encoding='utf-8', newline='') as file:
            _write_rows(file, [columns])
            _write_rows(file, rows)
        scratch.replace(path)
    finally:
        # Where the disk is full, half a table would fill it further.
        scratch.unlink(missing_ok=True)


def _lines(rows: Iterable[Sequence]) -> bytes:
    text = io.StringIO()
    _write_rows(text, rows)
    return text.getvalue().encode()


def _write_rows(file: io.TextIOBase, rows: Iterable[Sequence]) -> None:
    csv.writer(file, lineterminator='\n').writerows(
        [_field(value) for value in row] for row in rows)


def _field(value: object) -> object:
    """Return six significant digits of a measured figure: below any error it has."""
    return f'{value:.6g}' if isinstance(value, float) else value
