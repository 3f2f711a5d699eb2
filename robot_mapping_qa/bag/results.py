# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""From a bag to a folder of results, complete or not at all."""

from __future__ import annotations

import errno
import json
import os
from pathlib import Path
import shutil
import sys
from typing import Any, Callable, Iterable, Mapping, NamedTuple, Sequence

from robot_mapping_qa.bag.ahead import Ahead, contents_of, WORTH_IT_S
from robot_mapping_qa.bag.assessment import Assessment
from robot_mapping_qa.bag.ledger_file import (
    CAPTURES_FILE, REDO_FILE, write_captures, write_redo)
from robot_mapping_qa.bag.operator_acts import OPERATOR
from robot_mapping_qa.bag.quality_bag import QUALITY_FOLDER, QualityBag
from robot_mapping_qa.bag.reading import Recording
from robot_mapping_qa.bag.recorder import RecordingError
from robot_mapping_qa.bag.report import REPORT_FILE, write_report
from robot_mapping_qa.bag.several import cores
from robot_mapping_qa.bag.summary import summarize, SUMMARY_FILE, write_summary
from robot_mapping_qa.capture.redo import RedoPlace
from robot_mapping_qa.configuration import Configuration
from robot_mapping_qa.messages.topics import CAPTURE_ALLOWED, EVENTS
from tqdm import tqdm

_OUR_NAMES = {SUMMARY_FILE, CAPTURES_FILE, REDO_FILE, REPORT_FILE, QUALITY_FOLDER}


class OutputError(ValueError):
    """An output folder that cannot be used; the text tells the user why."""


class Outcome(NamedTuple):
    """
    What came out of a bag.

    ``warnings`` are sentences about the bag itself, ``without_pictures`` the capture streams of
    which there was no picture.
    """

    summary: dict[str, Any]
    redo: list[RedoPlace]
    warnings: list[str]
    report: Path
    without_pictures: Sequence[str] = ()


def assess(bag: str | Path, configuration: Configuration, folder: str | Path,
           settings: Mapping[str, str] | None = None, progress: bool = False,
           wanted: Callable[[], bool] = lambda: True, workers: int | None = None) -> Outcome:
    """
    Assess a bag and write everything into the new folder.

    ``settings`` names, for the report, the files that the configuration came from; ``wanted`` is
    asked before the result is put in its place. With more than one of ``workers`` (None: as many
    as there are cores) clouds and pictures are read in a second process; the results are the same.
    Raises `BagError`, `OutputError` or OSError; then, and on Ctrl-C, nothing is left behind and a
    former output in ``folder`` stays as it was.
    """
    folder = Path(folder).resolve()
    with Recording(bag, configuration.streams, configuration.cameras,
                   [OPERATOR]) as recording, \
            _Output(folder) as output, \
            Ahead(contents_of(configuration) if (workers or cores()) > 1 else {},
                  WORTH_IT_S) as ahead:
        quality = QualityBag(output.scratch / QUALITY_FOLDER)
        assessment = Assessment(configuration, recording.start_ns, quality, ahead.work)
        for stream, log_ns, data in _shown(
                ahead.messages(recording.messages()), recording.watched_count, progress):
            assessment.take(stream, log_ns, data)
        assessment.finish(recording.end_ns)
        quality.close()
        if assessment.unreadable_acts:
            recording.warnings.append(
                f'{recording.path}: {assessment.unreadable_acts} messages on {EVENTS.name} cannot '
                'be read: what a person told the live nodes by them is not done again')
        summary = summarize(assessment, recording.message_count)
        places = assessment.redo()
        write_summary(summary, output.scratch)
        write_captures(assessment.captures, output.scratch)
        write_redo(places, output.scratch)
        write_report(output.scratch, assessment, summary, places, recording.warnings,
                     {'Bag': str(recording.path), **(settings or {})},
                     recording.has_messages_on(CAPTURE_ALLOWED.name))
        if not wanted():
            raise KeyboardInterrupt
        output.keep()
        return Outcome(summary, places, recording.warnings, folder / REPORT_FILE,
                       assessment.without_pictures)


def _shown(messages: Iterable, count: int, progress: bool) -> Iterable:
    if not progress:
        return messages
    return tqdm(messages, total=count, desc='assessing', unit=' messages', unit_scale=True,
                leave=False, file=sys.stderr)


class _Output:
    """A folder that appears complete or not at all."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._kept = False
        if folder.exists() and not _is_ours(folder):
            raise OutputError(
                f'{folder}: exists and is not, or not only, a former output of this tool; it is '
                'left as it is, name another folder')
        try:
            # The process number keeps two runs apart; a folder of that name is of a dead one.
            self.scratch = folder.with_name(f'.{folder.name}.{os.getpid()}.unfinished')
            shutil.rmtree(self.scratch, ignore_errors=True)
            self.scratch.mkdir(parents=True)
        except OSError as error:
            raise OutputError(f'{folder}: cannot be written: {error.strerror}') from error

    def __enter__(self) -> _Output:
        return self

    def keep(self) -> None:
        """Put the finished folder in its place."""
        former = None
        if self.folder.exists():
            former = self.scratch.with_suffix('.former')
            self.folder.rename(former)
        try:
            self.scratch.rename(self.folder)
        except BaseException:
            if former is not None:
                former.rename(self.folder)
            raise
        self._kept = True
        if former is not None:
            shutil.rmtree(former)

    def __exit__(self, _kind: object, error: BaseException | None, _trace: object) -> None:
        if self._kept:
            return
        shutil.rmtree(self.scratch, ignore_errors=True)
        cause = error if isinstance(error, OSError) else getattr(error, '__cause__', None)
        if isinstance(cause, OSError) and cause.errno in (errno.ENOSPC, errno.EDQUOT):
            raise OutputError(
                f'{self.folder}: no space left on the disk; nothing was written') from error
        if isinstance(error, RecordingError):
            # Nobody but us knows the folder under its first name.
            raise OutputError(str(error).replace(str(self.scratch), str(self.folder))) from error


def _is_ours(folder: Path) -> bool:
    """Return whether the folder is empty or holds a former output of this tool and no more."""
    if not folder.is_dir():
        return False
    names = {path.name for path in folder.iterdir()}
    if not names:
        return True
    if names - _OUR_NAMES:
        return False
    try:
        summary = json.loads((folder / SUMMARY_FILE).read_text(encoding='utf-8'))
    except (OSError, ValueError):
        return False
    return isinstance(summary, dict) and 'schema' in summary
