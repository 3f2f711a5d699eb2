# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
The points of a sensor_msgs/PointCloud2 straight from its serialized bytes.

Encoding as in `serialized`. A cloud describes its own layout: named fields at offsets within a
point of ``point_step`` bytes, ``width`` points to a row of ``row_step`` bytes, ``height`` rows, in
a byte order of its own (sensor_msgs/PointCloud2.msg, PointField.msg). Every one of these numbers
is checked against the others before a point is read.
"""

from __future__ import annotations

import struct

import numpy as np

from robot_mapping_qa.messages.serialized import MalformedMessage, read_header

_ORIGIN = 4
_STAMP_BYTES = 8
# An empty name, offset, datatype and count, without padding.
_LEAST_FIELD_BYTES = 13
_AXES = ('x', 'y', 'z')
_KINDS = {7: 'f4', 8: 'f8'}
"""PointField.FLOAT32 and FLOAT64."""


class _Cursor:
    """Reads one value after the other from CDR bytes."""

    def __init__(self, data: bytes) -> None:
        self._data = data
        order = '<' if data[1] else '>'
        self._word, self._byte = struct.Struct(order + 'I'), struct.Struct('B')
        self.offset = _ORIGIN

    @property
    def left(self) -> int:
        return len(self._data) - self.offset

    def word(self, name: str) -> int:
        """Return a uint32."""
        self.offset = _ORIGIN + -(-(self.offset - _ORIGIN) // 4) * 4
        return self._read(self._word, name)

    def byte(self, name: str) -> int:
        return self._read(self._byte, name)

    def skip(self, size: int, name: str) -> int:
        """Return the offset of a block of bytes and go behind it."""
        if size > self.left:
            raise MalformedMessage(f'{name} of {size} bytes in a message with {self.left} left')
        self.offset += size
        return self.offset - size

    def text(self, name: str) -> bytes:
        """Return a string as bytes, without the closing NUL."""
        size = self.word(name)
        start = self.skip(size, name)
        return bytes(self._data[start:start + size]).rstrip(b'\0')

    def _read(self, form: struct.Struct, name: str) -> int:
        try:
            value, = form.unpack_from(self._data, self.offset)
        except struct.error:
            raise MalformedMessage(f'{len(self._data)} bytes end before the {name}') from None
        self.offset += form.size
        return value


def read_points(data: bytes) -> np.ndarray:
    """
    Return the points (n, 3) of a serialized PointCloud2 in its own frame, m.

    Points with a coordinate that is not finite are left out, whatever ``is_dense`` says. The
    array is float32 if x, y and z are, else float64. Stamp and frame: `serialized.read_header`.
    Raises `MalformedMessage` for bytes that are cut, without x, y and z as float32 or float64, or
    whose sizes contradict each other.
    """
    read_header(data)
    cursor = _Cursor(data)
    cursor.skip(_STAMP_BYTES, 'stamp')
    cursor.text('frame name')
    height, width = cursor.word('height'), cursor.word('width')
    fields = _read_fields(cursor)
    order = '>' if cursor.byte('byte order') else '<'
    point_step, row_step = cursor.word('point step'), cursor.word('row step')
    size = cursor.word('size of the points')
    start = cursor.skip(size, 'points')
    cursor.byte('density flag')

    if size != height * row_step:
        raise MalformedMessage(
            f'{size} bytes of points, expected {height * row_step}: {height} rows of {row_step}')
    if width * point_step > row_step:
        raise MalformedMessage(f'rows of {row_step} bytes, expected at least '
                               f'{width * point_step}: {width} points of {point_step}')
    if not height * width:
        return np.empty((0, 3), np.float32)
    formats = [_format(fields, axis, point_step, order) for axis in _AXES]
    layout = np.dtype({'names': _AXES, 'formats': [kind for kind, _ in formats],
                       'offsets': [offset for _, offset in formats], 'itemsize': point_step})
    raw = np.ndarray((height, width), layout, data, start, (row_step, point_step))
    points = np.empty((height, width, 3), np.result_type(*(kind for kind, _ in formats)))
    for column, axis in enumerate(_AXES):
        points[..., column] = raw[axis]
    points = points.reshape(-1, 3)
    # A sum is finite only if its terms are; that asks each point once, not three times. One of
    # finite terms overflows only beyond 1e38 m, which is no measurement either.
    with np.errstate(over='ignore', invalid='ignore'):
        finite = np.isfinite(points @ np.ones(3, points.dtype))
    return points if finite.all() else points[finite]


def _read_fields(cursor: _Cursor) -> dict[str, tuple[int, int, int]]:
    """Return offset, datatype and count of every field by its name."""
    count = cursor.word('number of fields')
    if count * _LEAST_FIELD_BYTES > cursor.left:
        raise MalformedMessage(f'{count} fields in a message with {cursor.left} bytes left')
    fields = {}
    for _ in range(count):
        name = cursor.text('field name').decode('utf-8', 'replace')
        offset = cursor.word('field offset')
        kind = cursor.byte('field datatype')
        fields[name] = offset, kind, cursor.word('field count')
    return fields


def _format(fields: dict[str, tuple[int, int, int]], axis: str, point_step: int, order: str,
            ) -> tuple[np.dtype, int]:
    """Return the type and the offset of a coordinate."""
    if axis not in fields:
        raise MalformedMessage(
            f'fields {", ".join(sorted(fields)) or "missing"}, expected x, y and z among them')
    offset, kind, count = fields[axis]
    if kind not in _KINDS:
        raise MalformedMessage(
            f'field {axis} of datatype {kind}, expected 7 (float32) or 8 (float64)')
    form = np.dtype(order + _KINDS[kind])
    # Some writers leave the count of a single value at 0.
    if count > 1:
        raise MalformedMessage(f'field {axis} with {count} values a point, expected 1')
    if offset + form.itemsize > point_step:
        raise MalformedMessage(f'field {axis} ends at byte {offset + form.itemsize} of a point, '
                               f'expected at most {point_step}')
    return form, offset
