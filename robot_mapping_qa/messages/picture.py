# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
Pictures in grey, straight from serialized messages.

A raw picture is a view of the message's bytes until it is known which part of it is wanted: only
that part is turned to grey. Grey is the luma of ITU-R BT.601, as most software makes it.
"""

from __future__ import annotations

from dataclasses import dataclass
from io import BytesIO
import struct
from typing import Callable, Sequence

import numpy as np
from PIL import Image, UnidentifiedImageError
from robot_mapping_qa.messages.serialized import MalformedMessage, read_header

Selection = Callable[[np.ndarray], np.ndarray]
"""Takes a part of a picture (rows, columns), as a view or a copy."""

_ORIGIN = 4
_FRAME_LENGTH = 12
_MOST_PIXELS = 64_000_000
# 0.299, 0.587 and 0.114 in 256ths: 16 bits hold the weighted sum of values of 8.
_RED, _GREEN, _BLUE = 77, 150, 29
_LUMA = {'r': _RED, 'g': _GREEN, 'b': _BLUE, 'a': 0}


@dataclass(frozen=True, slots=True)
class _Encoding:
    """Bytes a value, and the weights of the values of a pixel or of a 2 x 2 colour mosaic."""

    depth: int
    weights: tuple[int, ...]
    is_mosaic: bool = False


def _encodings() -> dict[str, _Encoding]:
    """Return what can be read of the encodings of sensor_msgs (image_encodings.hpp)."""
    known = {
        'mono8': _Encoding(1, (256,)), '8UC1': _Encoding(1, (256,)),
        'mono16': _Encoding(2, (256,)), '16UC1': _Encoding(2, (256,))}
    # Luma and colour in turn.
    known.update(dict.fromkeys(('yuv422', 'uyvy'), _Encoding(1, (0, 256))))
    known.update(dict.fromkeys(('yuv422_yuy2', 'yuyv'), _Encoding(1, (256, 0))))
    for order in ('rgb', 'bgr', 'rgba', 'bgra'):
        known[f'{order}8'] = _Encoding(1, tuple(_LUMA[colour] for colour in order))
    for order in ('rggb', 'bggr', 'gbrg', 'grbg'):
        # Two of the four values are green.
        weights = tuple(_LUMA[colour] // order.count(colour) for colour in order)
        for depth in (1, 2):
            known[f'bayer_{order}{8 * depth}'] = _Encoding(depth, weights, is_mosaic=True)
    return known


_ENCODINGS = _encodings()


class _Fields:
    """The fields of a serialized message behind its header, one after another."""

    def __init__(self, data: bytes) -> None:
        # Refuses what is no CDR message with a header.
        read_header(data)
        self._data = data
        self._order = '<' if data[1] else '>'
        self._offset = _FRAME_LENGTH
        self.skip(self.number())

    def skip(self, count: int) -> None:
        self._offset += count

    def byte(self) -> int:
        """Read a uint8."""
        self._need(1, 'end within the fields')
        self._offset += 1
        return self._data[self._offset - 1]

    def number(self) -> int:
        """Read a uint32."""
        self._offset = _ORIGIN + -(-(self._offset - _ORIGIN) // 4) * 4
        self._need(4, 'end within the fields')
        value, = struct.unpack_from(f'{self._order}I', self._data, self._offset)
        self._offset += 4
        return value

    def text(self, what: str) -> str:
        """Read a string."""
        length = self.number()
        self._need(length, f'end within the {what} of {length} bytes')
        begin = self._offset
        self._offset += length
        try:
            # The length counts the closing NUL; some writers send 0 for an empty string.
            return bytes(self._data[begin:max(begin, self._offset - 1)]).decode('utf-8')
        except UnicodeDecodeError:
            raise MalformedMessage(f'{what} is not UTF-8') from None

    def array(self) -> tuple[int, int]:
        """Return offset and length of a sequence of uint8, to the end of which bytes are there."""
        length = self.number()
        self._need(length, f'end within the {length} bytes of the picture')
        return self._offset, length

    def _need(self, count: int, otherwise: str) -> None:
        if self._offset + count > len(self._data):
            raise MalformedMessage(f'{len(self._data)} bytes {otherwise}')


def _whole(picture: np.ndarray) -> np.ndarray:
    return picture


def read_image(data: bytes, select: Selection = _whole) -> np.ndarray:
    """
    Return a sensor_msgs/Image in grey: ``select`` of (rows, columns), uint8 or uint16.

    The encodings are mono8, mono16, rgb8, bgr8, rgba8, bgra8, those of bayer of 8 and 16 bits,
    8UC1, 16UC1, yuv422 (uyvy) and yuv422_yuy2 (yuyv). A colour mosaic gives a picture of half its
    size, one pixel for each 2 x 2 of the mosaic. Of mono8 the result is a view of ``data``.

    Raises `MalformedMessage` where the bytes are cut or contradict themselves, and for another
    encoding.
    """
    fields = _Fields(data)
    height, width = fields.number(), fields.number()
    name = fields.text('encoding')
    order = '>' if fields.byte() else '<'
    step = fields.number()
    offset, length = fields.array()
    encoding = _ENCODINGS.get(name)
    if encoding is None:
        raise MalformedMessage(f'encoding {name!r}, expected one of {", ".join(_ENCODINGS)}')
    least = 2 if encoding.is_mosaic else 1
    if min(height, width) < least:
        raise MalformedMessage(
            f'picture of {width} x {height} pixels, expected at least {least} x {least}')
    channels = 1 if encoding.is_mosaic else len(encoding.weights)
    pixel = channels * encoding.depth
    if step < width * pixel:
        raise MalformedMessage(
            f'rows of {step} bytes (step), expected at least {width * pixel} for {width} pixels '
            f'of {name}')
    if length != height * step:
        raise MalformedMessage(
            f'{length} bytes of pixels, expected {height * step}: {height} rows of {step}')
    values = np.ndarray((height, width, channels), f'{order}u{encoding.depth}', data, offset,
                        (step, pixel, encoding.depth))
    planes = _mosaic_planes(values[..., 0]) if encoding.is_mosaic else [
        values[..., channel] for channel in range(channels)]
    return _grey(planes, encoding.weights, select)


def read_compressed_image(data: bytes, select: Selection = _whole) -> np.ndarray:
    """
    Return a sensor_msgs/CompressedImage, JPEG or PNG, in grey as `read_image`.

    The contents count, not what the field ``format`` says of them. It only tells a colour mosaic
    that was compressed as if it were grey. Raises `MalformedMessage`, also for a depth picture.
    """
    fields = _Fields(data)
    said = fields.text('format')
    offset, length = fields.array()
    if 'compressedDepth' in said:
        raise MalformedMessage(f'format {said!r} is a depth picture, expected a camera picture')
    picture, is_grey = _decoded(data[offset:offset + length], said)
    # The field begins with the encoding before compression (sensor_msgs/CompressedImage).
    encoding = _ENCODINGS.get(said.partition(';')[0].strip())
    if encoding is not None and encoding.is_mosaic and is_grey and min(picture.shape) >= 2:
        return _grey(_mosaic_planes(picture), encoding.weights, select)
    return select(picture)


PICTURE_READERS = {
    'sensor_msgs/msg/Image': read_image,
    'sensor_msgs/msg/CompressedImage': read_compressed_image,
}
"""Readers of the message types that carry a picture."""


def _decoded(contents: bytes, said: str) -> tuple[np.ndarray, bool]:
    """Return a compressed picture in grey, and whether it was without colours before."""
    try:
        image = Image.open(BytesIO(contents), formats=('JPEG', 'PNG'))
        if image.width * image.height > _MOST_PIXELS:
            raise MalformedMessage(
                f'picture of {image.width} x {image.height} pixels, expected at most '
                f'{_MOST_PIXELS // 1_000_000} million')
        is_grey = image.mode == 'L' or image.mode.startswith('I')
        # The JPEG decoder then leaves the colours out: half the time.
        image.draft('L', image.size)
        if image.mode.startswith('I'):
            return np.asarray(image).astype(np.uint16), is_grey
        return np.asarray(image.convert('L')), is_grey
    except MalformedMessage:
        raise
    except UnidentifiedImageError:
        raise MalformedMessage(
            f'{len(contents)} bytes are no JPEG or PNG picture (format {said!r})') from None
    except Exception as error:
        # Damaged bytes raise whatever the place in the decoder brings about.
        raise MalformedMessage(f'picture (format {said!r}) cannot be decoded: {error}') from error


def _mosaic_planes(values: np.ndarray) -> list[np.ndarray]:
    """Return the four planes of a 2 x 2 colour mosaic; an odd row or column is left out."""
    rows, columns = (size // 2 * 2 for size in values.shape)
    return [values[row:rows:2, column:columns:2] for row in (0, 1) for column in (0, 1)]


def _grey(planes: Sequence[np.ndarray], weights: Sequence[int], select: Selection) -> np.ndarray:
    """Return the weighted mean of what is selected of the planes; weights in 256ths."""
    native = planes[0].dtype.newbyteorder('=')
    if len(planes) == 1:
        return select(planes[0]).astype(native, copy=False)
    wide = np.uint16 if native.itemsize == 1 else np.uint32
    # Half of 256, to round.
    total = np.full(select(planes[0]).shape, 128, dtype=wide)
    for plane, weight in zip(planes, weights):
        if weight:
            total += np.multiply(select(plane), weight, dtype=wide)
    return (total >> 8).astype(native)
