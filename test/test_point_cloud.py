# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Points out of serialized clouds, against the serializer of `rosbags` as the reference."""

import struct

import numpy as np
import pytest
from robot_mapping_qa.messages.factory import make_header, RosbagsFactory
from robot_mapping_qa.messages.point_cloud import read_points
from robot_mapping_qa.messages.serialized import MalformedMessage
from rosbags.typesys import get_typestore, Stores

STORE = get_typestore(Stores.ROS2_JAZZY)
FACTORY = RosbagsFactory(STORE)
FLOAT32, FLOAT64, UINT16 = 7, 8, 4
"""sensor_msgs/PointField.msg."""


def points(count, seed=1):
    return np.random.default_rng(seed).normal(scale=20.0, size=(count, 3))


def packed(values, form='<f4', step=22, offsets=(0, 4, 8)):
    """Lay out points (n, 3) as a driver does, with other bytes between the coordinates."""
    layout = np.dtype({'names': ['x', 'y', 'z'], 'formats': [form] * 3, 'offsets': list(offsets),
                       'itemsize': step})
    raw = np.random.default_rng(2).integers(0, 256, len(values) * step).astype(np.uint8)
    view = raw.view(layout)
    for axis, column in zip('xyz', values.T):
        view[axis] = column
    return raw


def field(name, offset, datatype=FLOAT32, count=1):
    return FACTORY.make('sensor_msgs/msg/PointField', name=name, offset=offset,
                        datatype=datatype, count=count)


def xyz(datatype=FLOAT32, offsets=(0, 4, 8)):
    return [field(name, offset, datatype) for name, offset in zip('xyz', offsets)]


def cloud(values, little_endian=True, frame='lidar', **changes):
    data = changes.pop('data', None)
    if data is None:
        data = packed(values)
    settings = {'height': 1, 'width': len(values), 'is_bigendian': False, 'is_dense': True,
                'fields': [*xyz(), field('ring', 20, UINT16)], 'point_step': 22,
                'row_step': len(data), 'data': data}
    settings.update(changes)
    message = FACTORY.make('sensor_msgs/msg/PointCloud2',
                           header=make_header(FACTORY, 1_700_000_000_123_456_789, frame),
                           **settings)
    return bytes(STORE.serialize_cdr(message, message.__msgtype__, little_endian=little_endian))


@pytest.mark.parametrize('little_endian', [True, False])
@pytest.mark.parametrize('big_endian_points', [False, True])
@pytest.mark.parametrize('form, datatype, offsets, step', [
    ('f4', FLOAT32, (0, 4, 8), 12), ('f4', FLOAT32, (0, 4, 8), 22),
    ('f4', FLOAT32, (16, 4, 0), 32),
    ('f8', FLOAT64, (0, 8, 16), 24), ('f8', FLOAT64, (1, 17, 9), 26)])
@pytest.mark.parametrize('frame', ['', 'a', 'lidar', 'räder'])
def test_points_of_every_layout_and_byte_order(
        form, datatype, offsets, step, big_endian_points, little_endian, frame):
    values = points(57).astype(form)
    data = packed(values, ('>' if big_endian_points else '<') + form, step, offsets)
    read = read_points(cloud(
        values, little_endian, frame, data=data, is_bigendian=big_endian_points,
        fields=xyz(datatype, offsets), point_step=step))
    assert read.dtype == np.dtype(form)
    assert np.array_equal(read, values)


def test_coordinates_of_mixed_size():
    values = points(5)
    layout = np.dtype({'names': ['x', 'y', 'z'], 'formats': ['<f8', '<f4', '<f4'],
                       'offsets': [0, 8, 12], 'itemsize': 16})
    raw = np.zeros(5, layout)
    for axis, column in zip('xyz', values.T):
        raw[axis] = column
    read = read_points(cloud(
        values, data=raw.view(np.uint8), point_step=16,
        fields=[field('x', 0, FLOAT64), field('y', 8), field('z', 12)]))
    assert read.dtype == float
    assert np.array_equal(read[:, 0], values[:, 0])
    assert np.array_equal(read[:, 1:], values[:, 1:].astype(np.float32))


def test_an_organized_cloud_with_padded_rows_and_beams_without_return():
    height, width, padding = 16, 25, 10
    values = points(height * width).astype(np.float32)
    values[::7] = np.nan
    values[3, 2], values[4, 0] = np.inf, -np.inf
    rows = packed(values).reshape(height, -1)
    data = np.hstack([rows, np.full((height, padding), 255, np.uint8)]).ravel()
    read = read_points(cloud(values, data=data, height=height, width=width,
                             row_step=len(data) // height, is_dense=False))
    assert np.array_equal(read, values[np.isfinite(values).all(axis=1)])
    assert len(read) == height * width - 58 - 2


def test_a_cloud_that_calls_itself_dense_may_still_hold_nan():
    values = points(10).astype(np.float32)
    values[4, 1] = np.nan
    assert len(read_points(cloud(values, is_dense=True))) == 9


@pytest.mark.parametrize('values, changes', [
    (points(0), {}),
    (points(0), {'height': 0}),
    (points(0), {'fields': [], 'point_step': 0, 'row_step': 0}),
    (np.full((8, 3), np.nan), {})])
def test_a_cloud_without_points_is_empty(values, changes):
    assert read_points(cloud(values, **changes)).shape == (0, 3)


@pytest.mark.parametrize('changes, text', [
    ({'fields': xyz()[:2]}, 'fields x, y, expected x, y and z among them'),
    ({'fields': []}, 'fields missing, expected x, y and z'),
    ({'fields': [*xyz()[:2], field('z', 8, UINT16)]},
     r'field z of datatype 4, expected 7 \(float32\) or 8 \(float64\)'),
    ({'fields': [*xyz()[:2], field('z', 8, count=3)]}, 'field z with 3 values a point'),
    ({'fields': [*xyz()[:2], field('z', 19)]}, 'field z ends at byte 23 of a point, .* most 22'),
    ({'fields': [*xyz()[:2], field('z', 2 ** 32 - 1)]}, 'field z ends at byte 4294967299'),
    ({'width': 41}, 'rows of 880 bytes, expected at least 902: 41 points of 22'),
    ({'height': 2}, '880 bytes of points, expected 1760: 2 rows of 880'),
    ({'height': 0}, '880 bytes of points, expected 0'),
    ({'row_step': 0}, '880 bytes of points, expected 0'),
    ({'width': 2 ** 32 - 1, 'height': 2 ** 32 - 1}, '880 bytes of points'),
    ({'point_step': 0}, 'field x ends at byte 4 of a point, expected at most 0')])
def test_missing_fields_and_sizes_that_contradict_each_other_are_named(changes, text):
    with pytest.raises(MalformedMessage, match=text):
        read_points(cloud(points(40), **changes))


def test_a_count_of_fields_or_bytes_beyond_the_message_is_refused_at_once():
    data = bytearray(cloud(points(3), frame='abc'))
    fields_at = 4 + 8 + 4 + 4 + 8
    assert struct.unpack_from('<I', data, fields_at) == (4,)
    struct.pack_into('<I', data, fields_at, 2 ** 32 - 1)
    with pytest.raises(MalformedMessage, match='4294967295 fields in a message with'):
        read_points(bytes(data))


def test_every_cut_is_refused_with_a_sentence():
    data = cloud(points(3))
    for length in range(len(data)):
        with pytest.raises(MalformedMessage):
            read_points(data[:length])
    assert len(read_points(data + b'\0\0\0')) == 3


def test_random_bytes_end_in_a_refusal_or_points_and_nothing_else():
    generator = np.random.default_rng(5)
    data = np.frombuffer(cloud(points(4)), np.uint8)
    refused = 0
    for _ in range(3000):
        broken = data.copy()
        places = generator.integers(0, 160, size=generator.integers(1, 5))
        broken[places] = generator.integers(0, 256, size=len(places))
        try:
            read = read_points(broken.tobytes())
            assert read.shape[1] == 3 and np.isfinite(read).all()
        except MalformedMessage:
            refused += 1
    assert refused > 1500


def test_the_bytes_may_come_as_a_view():
    values = points(6).astype(np.float32)
    assert np.array_equal(read_points(memoryview(cloud(values))), values)
