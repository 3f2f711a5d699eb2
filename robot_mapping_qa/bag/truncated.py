# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
Reading an MCAP file whose end is missing, as a recorder that was killed leaves it.

The format (mcap.dev/spec) is a chain of records, each an operation code and a length; an index
at the end says where they are. Where the end is missing, the records that are complete are kept
and an index for them is put behind them, in memory: the file itself is not touched.
"""

from __future__ import annotations

import io
from pathlib import Path
import struct
from typing import BinaryIO, IO

MAGIC = b'\x89MCAP0\r\n'

_RECORD = struct.Struct('<BQ')
_CHUNK_HEAD = struct.Struct('<QQQII')
_LENGTH = struct.Struct('<Q')
_INDEX_HEAD = struct.Struct('<HI')
_FOOTER, _MESSAGE, _CHUNK, _MESSAGE_INDEX = 0x02, 0x05, 0x06, 0x07
_CHUNK_INDEX, _STATISTICS, _DATA_END = 0x08, 0x0B, 0x0F
_INDEX_ENTRY_BYTES = 16


def is_truncated_mcap(path: Path) -> bool:
    """Return whether the file begins as an MCAP file and does not end as one."""
    with path.open('rb') as file:
        if file.read(len(MAGIC)) != MAGIC:
            return False
        file.seek(-len(MAGIC), io.SEEK_END)
        return file.read() != MAGIC


class TruncatedMcap:
    """
    A truncated MCAP file in the guise of a path to a complete one.

    It has what `rosbags` asks of a path. ``lost_bytes`` counts what could not be kept.
    """

    suffix = '.mcap'

    def __init__(self, path: Path) -> None:
        """Find the complete records; OSError where the file cannot be read."""
        self.path = path
        self._kept, self._tail = _complete_part(path)
        self.lost_bytes = path.stat().st_size - self._kept

    def __str__(self) -> str:
        """Return the path of the file itself, for messages."""
        return str(self.path)

    @property
    def stem(self) -> str:
        """The name of the file without its suffix."""
        return self.path.stem

    def exists(self) -> bool:
        """Return whether the file is there."""
        return self.path.exists()

    def is_dir(self) -> bool:
        """Return False: it is one file."""
        return False

    def open(self, mode: str = 'rb') -> BinaryIO:
        """Open the complete records with the index behind them, for reading."""
        return io.BufferedReader(
            _Joined(self.path.open(mode), self._kept, self._tail), io.DEFAULT_BUFFER_SIZE * 8)


class _Joined(io.RawIOBase):
    """The first bytes of a file followed by bytes from memory."""

    def __init__(self, file: IO[bytes], kept: int, tail: bytes) -> None:
        super().__init__()
        self._file, self._kept, self._tail = file, kept, tail
        self._position = 0

    def readable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def tell(self) -> int:
        return self._position

    def seek(self, offset: int, whence: int = io.SEEK_SET) -> int:
        base = {io.SEEK_SET: 0, io.SEEK_CUR: self._position,
                io.SEEK_END: self._kept + len(self._tail)}[whence]
        self._position = max(0, base + offset)
        return self._position

    def readinto(self, buffer) -> int:
        if self._position < self._kept:
            self._file.seek(self._position)
            data = self._file.read(min(len(buffer), self._kept - self._position))
        else:
            start = self._position - self._kept
            data = self._tail[start:start + len(buffer)]
        buffer[:len(data)] = data
        self._position += len(data)
        return len(data)

    def close(self) -> None:
        self._file.close()
        super().close()


def _record(code: int, content: bytes) -> bytes:
    return _RECORD.pack(code, len(content)) + content


class _ChunkIndex:
    """The index entry of one chunk, filled while its message indexes are met."""

    def __init__(self, file: BinaryIO, start: int, length: int) -> None:
        self.start, self.length = start, _RECORD.size + length
        self.first_ns, self.last_ns, self.size, _, text_length = _CHUNK_HEAD.unpack(
            file.read(_CHUNK_HEAD.size))
        self.compression = file.read(text_length)
        self.compressed_size, = _LENGTH.unpack(file.read(_LENGTH.size))
        self.indexes: dict[int, int] = {}
        self.counts: dict[int, int] = {}
        self.index_bytes = 0

    def take_index(self, file: BinaryIO, offset: int, length: int) -> None:
        channel, size = _INDEX_HEAD.unpack(file.read(_INDEX_HEAD.size))
        self.indexes[channel] = offset
        self.counts[channel] = size // _INDEX_ENTRY_BYTES
        self.index_bytes += _RECORD.size + length

    def record(self) -> bytes:
        offsets = b''.join(struct.pack('<HQ', *item) for item in self.indexes.items())
        return _record(_CHUNK_INDEX, b''.join((
            struct.pack('<QQQQI', self.first_ns, self.last_ns, self.start, self.length,
                        len(offsets)),
            offsets, struct.pack('<QI', self.index_bytes, len(self.compression)),
            self.compression, struct.pack('<QQ', self.compressed_size, self.size))))


def _complete_part(path: Path) -> tuple[int, bytes]:
    """Return how many bytes to keep and the closing records to put behind them."""
    size = path.stat().st_size
    chunks: list[_ChunkIndex] = []
    loose_messages = False
    with path.open('rb') as file:
        position = len(MAGIC)
        while position + _RECORD.size <= size:
            file.seek(position)
            code, length = _RECORD.unpack(file.read(_RECORD.size))
            if position + _RECORD.size + length > size or code in (0, _DATA_END, _FOOTER):
                break
            if code == _CHUNK:
                chunks.append(_ChunkIndex(file, position, length))
            elif code == _MESSAGE_INDEX and chunks:
                chunks[-1].take_index(file, position, length)
            elif code == _MESSAGE:
                loose_messages = True
            position += _RECORD.size + length
    if chunks and not chunks[-1].indexes:
        # Its messages cannot be found without their index, which followed it.
        position = chunks.pop().start
    data_end = _record(_DATA_END, struct.pack('<I', 0))
    if loose_messages or not chunks:
        # Without an index a reader goes through the records one by one.
        summary, summary_start = b'', 0
    else:
        summary_start = position + len(data_end)
        summary = b''.join(chunk.record() for chunk in chunks) + _statistics(chunks)
    footer = _record(_FOOTER, struct.pack('<QQI', summary_start, 0, 0))
    return position, data_end + summary + footer + MAGIC


def _statistics(chunks: list[_ChunkIndex]) -> bytes:
    counts: dict[int, int] = {}
    for chunk in chunks:
        for channel, count in chunk.counts.items():
            counts[channel] = counts.get(channel, 0) + count
    by_channel = b''.join(struct.pack('<HQ', *item) for item in counts.items())
    # Schemas and channels stay inside the chunks, where the reader looks for them.
    return _record(_STATISTICS, struct.pack(
        '<QHIIIIQQI', sum(counts.values()), 0, len(counts), 0, 0, len(chunks),
        min(chunk.first_ns for chunk in chunks), max(chunk.last_ns for chunk in chunks),
        len(by_channel)) + by_channel)
