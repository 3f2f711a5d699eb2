# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
Reading of an MCAP file what is needed, and no more.

A recorder closes a chunk with the message that fills it: a picture of megabytes ends its chunk.
The index (mcap.dev/spec) says where each message lies, so that a chunk is unpacked up to the last
message that is needed, and of that one no further than it is needed. `rosbags`, which reads
everything, gives the same messages in the same order.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
import heapq
import io
from pathlib import Path
import struct
from typing import BinaryIO, Iterable, Iterator, Mapping, NamedTuple, Sequence
import zlib

from lz4.frame import decompress as unpack_lz4
from robot_mapping_qa.bag.truncated import MAGIC

LARGE_BYTES = 65536
"""Messages from this size on are not copied: each is a view of its chunk."""

_RECORD = struct.Struct('<BQ')
_FOOTER = struct.Struct('<BQQQI8s')
_CHANNEL = struct.Struct('<HHI')
_CHUNK_INDEX = struct.Struct('<QQQQI')
_CHUNK_HEAD_BYTES = 24
_SIZES = struct.Struct('<QQ')
_INDEX_HEAD = struct.Struct('<BQHI')
_ENTRY = struct.Struct('<QQ')
_MESSAGE = struct.Struct('<BQHIQQ')
_MESSAGE_CODE, _CHANNEL_CODE, _CHUNK_INDEX_CODE = 0x05, 0x04, 0x08


class McapError(ValueError):
    """A file whose records contradict each other."""


class _Chunk(NamedTuple):
    """Where a chunk, and behind it its message index, lie in the file."""

    first_ns: int
    last_ns: int
    start: int
    length: int
    index_bytes: int
    compression: str
    packed_bytes: int
    bytes: int
    channels: frozenset[int]


class IndexedMcap:
    """An MCAP file with its index in memory; close it after use."""

    def __init__(self, path: Path) -> None:
        """
        Read the index.

        Raises OSError, `McapError` where there is none that is complete, or ImportError.
        """
        # It comes with `mcap`, which may be missing on a robot: see `mcap_file`.
        from zstandard import ZstdDecompressor
        self._file: BinaryIO = path.open('rb')
        try:
            self._channels, self._chunks = _index(self._file)
        except BaseException:
            self._file.close()
            raise
        self._unpack_zstd = ZstdDecompressor()
        self.start_ns = self._chunks[0].first_ns
        """Log time of the first message."""
        self.back_ns = _back_ns(sorted(self._chunks, key=lambda chunk: chunk.start))
        """By how much log times go back at most, from one chunk of the file to a later one."""

    def close(self) -> None:
        """Close the file."""
        self._file.close()

    def messages(self, wanted: Mapping[str, int | None]) -> Iterator[tuple[str, int, bytes]]:
        """
        Yield topic, log time in ns and bytes of the messages of some topics, by log time.

        ``wanted`` says how many bytes of each message of a topic are needed, None for all: no
        more are given. Raises `McapError`, or what the unpacking raises, where it is damaged.
        """
        topics = {number: topic for number, topic in self._channels.items() if topic in wanted}
        limits = {number: wanted[topic] for number, topic in topics.items()}
        chunks = [chunk for chunk in self._chunks if not chunk.channels.isdisjoint(topics)]
        waiting: list[tuple] = []
        for number, chunk in enumerate(chunks, start=1):
            waiting += self._messages_of(chunk, limits)
            # By time; what has the same time stays in the order of the file.
            waiting.sort()
            ready = len(waiting) if number == len(chunks) else bisect_left(
                waiting, (chunks[number].first_ns,))
            for log_ns, _, _, channel, data in waiting[:ready]:
                yield topics[channel], log_ns, data
            del waiting[:ready]

    def _messages_of(self, chunk: _Chunk, limits: Mapping[int, int | None]) -> list[tuple]:
        """Return log time, place of the chunk, place in it, channel, and bytes."""
        self._file.seek(chunk.start + chunk.length)
        entries = _entries(self._file.read(chunk.index_bytes))
        ends = sorted(place for _, place, _ in entries)
        ends.append(chunk.bytes)
        entries = [entry for entry in entries if entry[2] in limits]
        if not entries:
            return []
        data = self._unpacked(chunk, max(
            ends[bisect_right(ends, place)] if (limit := limits[channel]) is None
            else min(place + _MESSAGE.size + limit, chunk.bytes)
            for _, place, channel in entries))
        found = []
        for log_ns, place, channel in entries:
            code, length, own_channel, _, own_ns, _ = _MESSAGE.unpack_from(data, place)
            begin, end = place + _MESSAGE.size, place + _RECORD.size + length
            if code != _MESSAGE_CODE or own_channel != channel or own_ns != log_ns or end > \
                    chunk.bytes:
                raise McapError('a message is not where the index says')
            limit = limits[channel]
            if limit is not None:
                end = min(end, begin + limit)
            found.append((log_ns, chunk.start, place, channel, data[begin:end]
                          if end - begin < LARGE_BYTES else memoryview(data)[begin:end]))
        return found

    def _unpacked(self, chunk: _Chunk, needed: int) -> bytes:
        """Return at least so many bytes from the beginning of a chunk's records."""
        self._file.seek(chunk.start + _RECORD.size + _CHUNK_HEAD_BYTES)
        checksum, text_bytes = struct.unpack('<II', self._file.read(8))
        self._file.seek(text_bytes + 8, io.SEEK_CUR)
        if not chunk.compression:
            data = self._file.read(needed)
        elif chunk.compression == 'lz4':
            data = unpack_lz4(self._file.read(chunk.packed_bytes))
        else:
            packed = io.BytesIO(self._file.read(chunk.packed_bytes))
            data = self._unpack_zstd.stream_reader(packed).read(needed)
        if len(data) < needed:
            raise McapError('a chunk is shorter than the index says')
        if checksum and len(data) == chunk.bytes and zlib.crc32(data) != checksum:
            raise McapError('the checksum of a chunk is wrong')
        return data


def by_time(parts: Sequence[IndexedMcap],
            needed: Mapping[str, int | None]) -> Iterator[tuple[str, int, bytes]]:
    """Yield the messages of a bag's parts by log time, which overlap where it was split."""
    if len(parts) == 1:
        return parts[0].messages(needed)

    def of(part: IndexedMcap) -> Iterator[tuple[str, int, bytes]]:
        # Merging asks every part for its first message: none is unpacked before its time.
        yield '', part.start_ns, b''
        yield from part.messages(needed)
    merged = heapq.merge(*map(of, parts), key=lambda message: message[1])
    return (message for message in merged if message[0])


def _index(file: BinaryIO) -> tuple[dict[int, str], list[_Chunk]]:
    """Return the topics by channel, and the chunks by the time of their first message."""
    size = file.seek(0, io.SEEK_END)
    if size < _FOOTER.size:
        raise McapError('the file is too short')
    file.seek(size - _FOOTER.size)
    code, _, start, _, _, magic = _FOOTER.unpack(file.read(_FOOTER.size))
    if code != 0x02 or magic != MAGIC or not 0 < start <= size:
        raise McapError('the file has no index')
    file.seek(start)
    channels: dict[int, str] = {}
    chunks: list[_Chunk] = []
    summary = memoryview(file.read(size - _FOOTER.size - start))
    place = 0
    while place < len(summary):
        code, length = _RECORD.unpack_from(summary, place)
        record = summary[place + _RECORD.size:place + _RECORD.size + length]
        place += _RECORD.size + length
        if code == _CHANNEL_CODE:
            number, _, text_bytes = _CHANNEL.unpack_from(record)
            begin = _CHANNEL.size
            channels[number] = bytes(record[begin:begin + text_bytes]).decode()
        elif code == _CHUNK_INDEX_CODE:
            chunks.append(_chunk(record))
    if not chunks or not all(chunk.channels <= channels.keys() for chunk in chunks):
        raise McapError('the index is not complete')
    chunks.sort(key=lambda chunk: (chunk.first_ns, chunk.start))
    return channels, chunks


def _back_ns(chunks: Iterable[_Chunk]) -> int:
    back_ns = newest_ns = 0
    for chunk in chunks:
        back_ns = max(back_ns, newest_ns - chunk.first_ns)
        newest_ns = max(newest_ns, chunk.last_ns)
    return back_ns


def _chunk(record: memoryview) -> _Chunk:
    first_ns, last_ns, start, length, map_bytes = _CHUNK_INDEX.unpack_from(record)
    place = _CHUNK_INDEX.size
    channels = frozenset(number for number, _ in struct.iter_unpack(
        '<HQ', record[place:place + map_bytes]))
    place += map_bytes
    index_bytes, text_bytes = struct.unpack_from('<QI', record, place)
    place += 12
    compression = bytes(record[place:place + text_bytes]).decode()
    if compression not in ('', 'lz4', 'zstd') or not channels:
        raise McapError('chunks of this kind are not known, or have no message index')
    packed_bytes, unpacked_bytes = _SIZES.unpack_from(record, place + text_bytes)
    return _Chunk(first_ns, last_ns, start, length, index_bytes, compression, packed_bytes,
                  unpacked_bytes, channels)


def _entries(index: bytes) -> list[tuple[int, int, int]]:
    """Return log time, place and channel of every message of a chunk."""
    entries: list[tuple[int, int, int]] = []
    view = memoryview(index)
    place = 0
    while place < len(view):
        _, length, channel, entry_bytes = _INDEX_HEAD.unpack_from(view, place)
        begin = place + _INDEX_HEAD.size
        entries += [(log_ns, offset, channel) for log_ns, offset in _ENTRY.iter_unpack(
            view[begin:begin + entry_bytes])]
        place += _RECORD.size + length
    return entries
