# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
``captures.csv``: one row a capture, written at once offline and row by row live.

A live ledger only ever grows while the run goes on, so that a kill or a power cut takes nothing
back: a capture whose verdict changes gets another row, and of several rows of one capture the
last one counts. `finish_ledger` adds ``redo.csv`` and leaves that row only.
"""

from __future__ import annotations

import csv
import io
from itertools import chain
import os
from pathlib import Path
from typing import Iterable, Iterator, NamedTuple, Sequence

from robot_mapping_qa.capture.budget import PARTS
from robot_mapping_qa.capture.ledger import Capture, KnownHold, VERDICTS
from robot_mapping_qa.capture.limits import GateLimits
from robot_mapping_qa.capture.redo import redo_places, RedoPlace

CAPTURES_FILE = 'captures.csv'
REDO_FILE = 'redo.csv'

CAPTURE_COLUMNS = (
    'capture', 'stamp_ns', 'x', 'y', 'z', 'sigma_position_m', 'sigma_rotation_rad',
    'time_error_s', 'point_error_m', 'verdict', 'reasons',
    'path_m', 'qx', 'qy', 'qz', 'qw', *(f'share_{part}' for part in PARTS))
_COLUMNS_LINE = ','.join(CAPTURE_COLUMNS)
REDO_COLUMNS = ('x', 'y', 'z', 'path_from_m', 'path_to_m', 'captures', 'reasons')


class LedgerError(ValueError):
    """A ledger that cannot be read or written; the text tells the user why."""


MOST_UNWRITTEN = 16_000_000
"""Bytes that wait for a full disk: some 60,000 rows, an hour of a camera at 15 Hz."""

_LOOK_BYTES = 65_536
"""So much of the end is looked through at a time for the last whole row."""


class LedgerContent(NamedTuple):
    """The captures of a ledger in the order of their first rows, and how many rows were cut."""

    captures: list[Capture]
    broken_rows: int


class NewestRows(NamedTuple):
    """
    What whoever goes on with a ledger has to know of it.

    ``numbers`` has the highest number of each stream, ``captures`` those of a span of time in the
    order of their first rows; ``broken_rows`` counts what is no row.
    """

    numbers: dict[str, int]
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
        self.cut_rows = 0
        """One where the last row was cut: it is taken off, and what follows stands alone."""
        self._unwritten = bytearray()
        try:
            folder.mkdir(parents=True, exist_ok=True)
            whole = 0
            if self.path.exists() and self.path.stat().st_size:
                whole, self.cut_rows = _whole_part(self.path)
            self._file = os.open(self.path, os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o644)
            if self.cut_rows:
                os.ftruncate(self._file, whole)
            if not whole:
                self._write(_lines([CAPTURE_COLUMNS]).encode())
        except OSError as error:
            raise LedgerError(f'{self.path}: cannot be written: {error.strerror}') from error

    def append(self, captures: Sequence[Capture]) -> None:
        """
        Add rows behind those that wait for the disk.

        Raises OSError where the disk is full: the rows wait for the next call, or are lost if
        too many do.
        """
        rows = _lines(map(capture_row, captures)).encode()
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
        rows, _ = _latest_of(io.StringIO(whole.decode('utf-8', 'replace'), newline='\n'))
        return [capture for _, capture in rows], start + len(whole)

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
    Write ``redo.csv`` and leave one row a capture in a live ledger.

    ``holds`` are those that are known. In that order, and each table complete or not at all:
    whoever is killed meanwhile leaves a ledger that counts. Raises `LedgerError` or OSError.
    """
    rows, broken_rows = _latest_rows(folder / CAPTURES_FILE)
    places = redo_places([capture for _, capture in rows], limits.redo_distance_m,
                         limits.redo_angle_rad, limits.redo_merge_m, holds)
    write_redo(places, folder)
    # As they were read: to make them anew takes as long as all the rest.
    _write_file(folder / CAPTURES_FILE, chain([_COLUMNS_LINE + '\n'], (row for row, _ in rows)))
    return FinishedLedger(places, broken_rows)


def read_ledger(path: Path) -> LedgerContent:
    """Return the captures of a ``captures.csv``; raises `LedgerError` where it is none."""
    rows, broken_rows = _latest_rows(path)
    return LedgerContent([capture for _, capture in rows], broken_rows)


def _latest_rows(path: Path) -> tuple[list[tuple[str, Capture]], int]:
    """Return the text of each capture's last row and what it says, and how many are broken."""
    try:
        with path.open(encoding='utf-8', errors='replace', newline='\n') as file:
            _check_columns(path, next(file, '').rstrip('\n'))
            return _latest_of(file)
    except OSError as error:
        raise LedgerError(f'{path}: cannot be read: {error.strerror}') from error


def _latest_of(lines: Iterable[str]) -> tuple[list[tuple[str, Capture]], int]:
    latest: dict[str, tuple[str, Capture]] = {}
    broken = 0
    text: list[str] = []

    def noted() -> Iterator[str]:
        for line in lines:
            text.append(line)
            yield line
    # A row may go over several lines, where a text in it does.
    for row in csv.reader(noted()):
        try:
            latest[row[0]] = ''.join(text).rstrip('\n') + '\n', _capture_of(row)
        except (ValueError, IndexError):
            broken += 1
        text.clear()
    return list(latest.values()), broken


def newest_rows(path: Path, from_ns: int, to_ns: int) -> NewestRows:
    """
    Read the newest of a ledger: the captures stamped after ``from_ns`` and up to ``to_ns``.

    Of the others only name and stamp are looked at, as the pictures do not wait until a whole
    ledger is read. Raises `LedgerError`.
    """
    numbers: dict[str, int] = {}
    newest: dict[str, str] = {}
    broken = 0
    try:
        with path.open(encoding='utf-8', errors='replace', newline='\n') as file:
            next(file, None)
            for line in file:
                try:
                    name, stamp_ns, _ = line.split(',', 2)
                    stream, number = name.split('/')
                    numbers[stream] = max(numbers.get(stream, 0), int(number))
                    if from_ns < int(stamp_ns) <= to_ns:
                        newest[name] = line
                except ValueError:
                    broken += 1
    except OSError as error:
        raise LedgerError(f'{path}: cannot be read: {error.strerror}') from error
    rows, broken_too = _latest_of(newest.values())
    return NewestRows(numbers, [capture for _, capture in rows], broken + broken_too)


def _whole_part(path: Path) -> tuple[int, int]:
    """
    Return how many bytes of a ledger are whole rows, and how many rows behind them are cut.

    A last row that lacks nothing but its end counts as cut, too. Raises `LedgerError` where it
    is no ledger, and OSError.
    """
    with path.open('rb') as file:
        first = file.readline(len(_COLUMNS_LINE) + 1)
        _check_columns(path, first.decode('utf-8', 'replace').rstrip('\n'))
        file.seek(-1, os.SEEK_END)
        if file.read() == b'\n':
            return file.tell(), 0
        begin, end = file.tell(), -1
        while begin and end < 0:
            begin, behind = max(0, begin - _LOOK_BYTES), begin
            file.seek(begin)
            end = file.read(behind - begin).rfind(b'\n')
    return begin + end + 1, 1


def _check_columns(path: Path, line: str) -> None:
    if line != _COLUMNS_LINE:
        raise LedgerError(
            f'{path}: is not a ledger of captures: its first line is {line[:60]!r}')


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
        capture.point_error_m, capture.verdict,
        # A row is a line: a ledger that goes on is read by lines.
        '; '.join(' '.join(reason.split()) for reason in capture.reasons),
        f'{capture.path_m:.3f}',
        *((None,) * 4 if turn is None else (_fixed(part, 5) for part in turn)),
        *((None,) * len(PARTS) if capture.shares is None else
          (_fixed(share, 4) for share in capture.shares)))


def _capture_of(row: Sequence[str]) -> Capture:
    """Return the capture of a row; ValueError where a field is not what it should be."""
    (name, stamp, x, y, z, sigma_m, sigma_rad, time_error, point_error, verdict, reasons,
     path_m, qx, qy, qz, qw, *shares) = row
    if len(shares) != len(PARTS) or verdict not in VERDICTS:
        raise ValueError(f'found {len(row)} fields and verdict {verdict!r}')
    stream, _, number = name.rpartition('/')
    stamp_ns = int(stamp)
    return Capture(
        stream, int(number), stamp_ns, stamp_ns,
        (float(x), float(y), float(z)) if x else None,
        (float(qx), float(qy), float(qz), float(qw)) if qx else None, float(path_m),
        _one(sigma_m), _one(sigma_rad), _one(time_error), _one(point_error), verdict,
        tuple(reasons.split('; ')) if reasons else (),
        tuple(map(float, shares)) if shares[0] else None)


def _one(field: str) -> float | None:
    return float(field) if field else None


def _coordinates(position_m: Sequence[float] | None) -> tuple:
    # A tenth of a millimetre, also in map coordinates of millions of metres.
    if position_m is None:
        return (None, None, None)
    return tuple(_fixed(value, 4) for value in position_m)


def _fixed(value: float, digits: int) -> str:
    # Adding zero takes the minus off what is nothing but zeros.
    return f'{round(value, digits) + 0.0:.{digits}f}'


def _write_table(path: Path, columns: Sequence[str], rows: Iterable[Sequence]) -> None:
    _write_file(path, (_lines([row]) for row in chain([columns], rows)))


def _write_file(path: Path, lines: Iterable[str]) -> None:
    """Write a table that appears complete or not at all."""
    scratch = path.with_name(f'.{path.name}.{os.getpid()}')
    try:
        with scratch.open('w', encoding='utf-8', newline='') as file:
            file.writelines(lines)
            file.flush()
            # Else a power cut soon after leaves neither the table nor what it took the place of.
            os.fsync(file.fileno())
        scratch.replace(path)
    finally:
        # Where the disk is full, half a table would fill it further.
        scratch.unlink(missing_ok=True)


def _lines(rows: Iterable[Sequence]) -> str:
    text = io.StringIO()
    csv.writer(text, lineterminator='\n').writerows(
        [_field(value) for value in row] for row in rows)
    return text.getvalue()


def _field(value: object) -> object:
    """Return six significant digits of a measured figure: below any error it has."""
    return f'{value:.6g}' if isinstance(value, float) else value
