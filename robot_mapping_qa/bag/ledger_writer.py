# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The live ledger with its file: rows that reach the disk, and come back where that is needed."""

from __future__ import annotations

from pathlib import Path

from robot_mapping_qa.bag.ledger_file import (
    check_folder, finish_ledger, FinishedLedger, LedgerFile, newest_rows)
from robot_mapping_qa.capture.ledger import Capture
from robot_mapping_qa.capture.live_ledger import LiveLedger, LOOK_BACK_NS
from robot_mapping_qa.configuration import Configuration
from robot_mapping_qa.views import capture_views

READ_BACK = 100_000
"""Bytes that are read back in one call: some 400 rows, so that pictures need not wait."""


class LedgerWriter:
    """
    Writes what a `LiveLedger` finds out; see there for what to tell ``ledger``.

    ``rows`` counts the rows since the start, ``broken_rows`` those that an earlier process left
    cut and that are left out.
    """

    def __init__(self, folder: Path, configuration: Configuration, now_ns: int) -> None:
        """Begin the ledger of a folder or go on with it; raises `LedgerError` or OSError."""
        check_folder(folder)
        self._folder = folder
        self._limits = configuration.gate
        self.rows = 0
        self.file = LedgerFile(folder)
        self.ledger = LiveLedger(
            configuration.point_error_limit_m, capture_views(configuration),
            configuration.pose.stale_s, configuration.pose_stream.name)
        newest = newest_rows(self.file.path, now_ns - LOOK_BACK_NS, now_ns)
        self.broken_rows = self.file.cut_rows + newest.broken_rows
        self.ledger.go_on(newest.numbers, newest.captures, now_ns)
        # Where the rows of the present hold begin, and the stretch that is being read back. An
        # earlier process knew of other holds: only what it wrote last of a capture counts.
        self._held_from = self.file.size
        self._back: tuple[int, int] | None = None

    def write(self, now_ns: int, at_end: bool = False) -> None:
        """Write what is new at ``now_ns``; raises OSError as `LedgerFile.append`."""
        if self.ledger.wants_rows_back():
            begin = self._held_from if self._back is None else min(self._held_from, self._back[0])
            self._back = begin, self.file.size
        self._append(self.ledger.take_news(now_ns, at_end))
        if self._back is not None:
            start, end = self._back
            captures, start = self.file.read_back(
                start, end if at_end else min(end, start + READ_BACK))
            self._back = (start, end) if start < end else None
            self._append(self.ledger.judge_again(captures))
        if not self.ledger.is_held:
            self._held_from = self.file.size

    def _append(self, captures: list[Capture]) -> None:
        self.rows += len(captures)
        self.file.append(captures)

    def close(self) -> FinishedLedger:
        """
        Write ``redo.csv`` and leave one row a capture; after a `write` with ``at_end``.

        Raises `LedgerError` or OSError; then the ledger is as it was written.
        """
        self.file.close()
        return finish_ledger(self._folder, self._limits, self.ledger.known_holds())
