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
from robot_mapping_qa.capture.ledger import Capture, VERDICTS
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


class LedgerContent(NamedTuple):
    """The captures of a ledger in the order of their first rows, and how many rows were cut."""

    captures: list[Capture]
    broken_rows: int


class LedgerFile:
    """A ledger that grows; every `append` is one write, which a kill of the process keeps."""

    def __init__(self, folder: Path) -> None:
        """Open or begin the ledger of a folder; raises `LedgerError`."""
        self.path = folder / CAPTURES_FILE
        try:
            folder.mkdir(parents=True, exist_ok=True)
            self.known = read_ledger(self.path) if self.path.exists() else LedgerContent([], 0)
            self._file = os.open(self.path, os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o644)
            if os.fstat(self._file).st_size == 0:
                self._write([CAPTURE_COLUMNS])
            elif not self.path.read_bytes().endswith(b'\n'):
                # The end of a row was lost with the power: what follows must not hang on to it.
                os.write(self._file, b'\n')
        except OSError as error:
            raise LedgerError(f'{self.path}: cannot be written: {error.strerror}') from error

    def append(self, captures: Iterable[Capture]) -> None:
        """Add rows; raises OSError where the disk is full."""
        self._write(map(capture_row, captures))

    def close(self) -> None:
        """See the rows onto the medium."""
        os.fsync(self._file)
        os.close(self._file)

    def _write(self, rows: Iterable[Sequence]) -> None:
        text = io.StringIO()
        _write_rows(text, rows)
        data = text.getvalue().encode()
        while data:
            data = data[os.write(self._file, data):]


def finish_ledger(folder: Path, limits: GateLimits) -> list[RedoPlace]:
    """
    Leave one row a capture in a live ledger, write ``redo.csv``, and return its places.

    Also for a ledger whose node was killed. Raises `LedgerError` or OSError; then the ledger is
    as it was.
    """
    captures = read_ledger(folder / CAPTURES_FILE).captures
    places = redo_places(captures, limits.redo_distance_m, limits.redo_angle_rad,
                         limits.redo_merge_m)
    write_captures(captures, folder)
    write_redo(places, folder)
    return places


def read_ledger(path: Path) -> LedgerContent:
    """Return the captures of a ``captures.csv``; raises `LedgerError` where it is none."""
    latest: dict[str, Capture] = {}
    broken = 0
    try:
        with path.open(encoding='utf-8', errors='replace', newline='') as file:
            rows = csv.reader(file)
            columns = next(rows, [])
            if tuple(columns) != CAPTURE_COLUMNS:
                raise LedgerError(f'{path}: is not a ledger of captures: its first line is '
                                  f'{",".join(columns)[:60]!r}')
            for row in rows:
                try:
                    capture = _capture_of(dict(zip(CAPTURE_COLUMNS, row, strict=True)))
                except (ValueError, KeyError):
                    broken += 1
                else:
                    latest[capture.name] = capture
    except OSError as error:
        raise LedgerError(f'{path}: cannot be read: {error.strerror}') from error
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
        *((None,) * 4 if turn is None else (f'{part:.5f}' for part in turn)),
        *((None,) * len(PARTS) if capture.shares is None else
          (f'{share:.4f}' for share in capture.shares)))


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
    return tuple(f'{value:.4f}' for value in position_m)


def _write_table(path: Path, columns: Sequence[str], rows: Iterable[Sequence]) -> None:
    """Write a table that appears complete or not at all."""
    scratch = path.with_name(f'.{path.name}.{os.getpid()}')
    with scratch.open('w', encoding='utf-8', newline='') as file:
        _write_rows(file, [columns])
        _write_rows(file, rows)
    scratch.replace(path)


def _write_rows(file: io.TextIOBase, rows: Iterable[Sequence]) -> None:
    csv.writer(file, lineterminator='\n').writerows(
        [_field(value) for value in row] for row in rows)


def _field(value: object) -> object:
    """Return six significant digits of a measured figure: below any error it has."""
    return f'{value:.6g}' if isinstance(value, float) else value
