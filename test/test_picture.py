# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
Pictures of every usual encoding come out in grey, and what is no picture is refused in words.

The references are the serializer of `rosbags` and the grey of Pillow (ITU-R BT.601 luma).
"""

from io import BytesIO

import numpy as np
from PIL import Image
import pytest
from robot_mapping_qa.messages.factory import make_header, RosbagsFactory
from robot_mapping_qa.messages.picture import (
    PICTURE_READERS, read_compressed_image, read_image)
from robot_mapping_qa.messages.serialized import MalformedMessage, read_stamp
from robot_mapping_qa.pose.image_measures import spread_windows
from rosbags.typesys import get_typestore, Stores

STORE = get_typestore(Stores.ROS2_JAZZY)
FACTORY = RosbagsFactory(STORE)
STAMP_NS = 1_795_597_457_224_057_257
RNG = np.random.default_rng(4)
ROWS, COLUMNS = 70, 90
COLOURS = RNG.integers(0, 256, (ROWS, COLUMNS, 3), dtype=np.uint8)
GREY = np.asarray(Image.fromarray(COLOURS).convert('L'))


def image(pixels, encoding, padding=0, big=False, frame='camera', **fields):
    """Return serialized bytes of an Image with ``padding`` bytes behind each row."""
    raw = np.ascontiguousarray(pixels).view(np.uint8).reshape(len(pixels), -1)
    raw = np.pad(raw, ((0, 0), (0, padding)), constant_values=7)
    values = {'height': pixels.shape[0], 'width': pixels.shape[1], 'step': raw.shape[1],
              'is_bigendian': int(big), 'data': raw.ravel(), **fields}
    return serialized(FACTORY.make(
        'sensor_msgs/msg/Image', header=make_header(FACTORY, STAMP_NS, frame), encoding=encoding,
        **values))


def compressed(contents, said):
    return serialized(FACTORY.make(
        'sensor_msgs/msg/CompressedImage', header=make_header(FACTORY, STAMP_NS, 'camera'),
        format=said, data=np.frombuffer(contents, dtype=np.uint8)))


def serialized(message, little_endian=True):
    return bytes(STORE.serialize_cdr(message, message.__msgtype__, little_endian=little_endian))


def file_of(pixels, kind, **options):
    buffer = BytesIO()
    Image.fromarray(pixels).save(buffer, kind, **options)
    return buffer.getvalue()


def with_alpha(pixels):
    return np.dstack([pixels, RNG.integers(0, 256, pixels.shape[:2], dtype=np.uint8)])


def mosaic_of(colours, order):
    """Return what a sensor behind a colour mosaic sees of colours that fill 2 x 2 pixels each."""
    wide = colours.repeat(2, axis=0).repeat(2, axis=1)
    mosaic = np.empty(wide.shape[:2], dtype=wide.dtype)
    for place, colour in enumerate(order):
        rows, columns = slice(place // 2, None, 2), slice(place % 2, None, 2)
        mosaic[rows, columns] = wide[rows, columns, 'rgb'.index(colour)]
    return mosaic


def assert_grey(picture, expected=GREY, within=1):
    assert picture.shape == expected.shape
    assert picture.dtype == expected.dtype
    assert np.abs(picture.astype(int) - expected).max() <= within


@pytest.mark.parametrize('padding', [0, 3])
@pytest.mark.parametrize('frame', ['', 'abc', 'front_camera_optical_frame'])
def test_colours_of_every_order_and_any_padding_of_the_rows(frame, padding):
    for encoding, pixels in {
            'rgb8': COLOURS, 'bgr8': COLOURS[..., ::-1], 'rgba8': with_alpha(COLOURS),
            'bgra8': with_alpha(COLOURS[..., ::-1])}.items():
        data = image(pixels, encoding, padding, frame=frame)
        assert_grey(read_image(data))
        assert read_stamp(data) == STAMP_NS


@pytest.mark.parametrize('encoding', ['mono8', '8UC1'])
def test_grey_pictures_are_not_copied(encoding):
    data = image(GREY, encoding, padding=5)
    picture = read_image(data)
    assert np.array_equal(picture, GREY)
    assert np.shares_memory(picture, np.frombuffer(data, dtype=np.uint8))


@pytest.mark.parametrize('encoding', ['mono16', '16UC1'])
@pytest.mark.parametrize('big', [False, True])
def test_16_bits_of_either_byte_order_and_rows_of_an_odd_length(encoding, big):
    deep = RNG.integers(0, 65536, (31, 17), dtype=np.uint16)
    picture = read_image(image(deep.astype('>u2' if big else '<u2'), encoding, 1, big))
    assert np.array_equal(picture, deep)
    assert picture.dtype.isnative


def test_luma_is_taken_out_of_yuv():
    colour = RNG.integers(0, 256, GREY.shape, dtype=np.uint8)
    for encoding in ('yuv422', 'uyvy'):
        assert np.array_equal(read_image(image(np.dstack([colour, GREY]), encoding)), GREY)
    for encoding in ('yuv422_yuy2', 'yuyv'):
        assert np.array_equal(read_image(image(np.dstack([GREY, colour]), encoding)), GREY)


@pytest.mark.parametrize('order', ['rggb', 'bggr', 'gbrg', 'grbg'])
def test_a_colour_mosaic_gives_the_grey_of_each_of_its_cells(order):
    mosaic = mosaic_of(COLOURS, order)
    assert_grey(read_image(image(mosaic, f'bayer_{order}8')))
    # An odd row and column at the end have no cell.
    assert_grey(read_image(image(np.pad(mosaic, ((0, 1), (0, 1))), f'bayer_{order}8')))
    for big in (False, True):
        deep = (mosaic.astype(np.uint16) * 257).astype('>u2' if big else '<u2')
        assert_grey(read_image(image(deep, f'bayer_{order}16', big=big)),
                    GREY.astype(np.uint16) * 257, within=257)


def test_compressed_pictures_colour_and_grey():
    # What a publisher of compressed pictures writes into the field (sensor_msgs).
    for said in ('bgr8; jpeg compressed bgr8', 'jpeg', ''):
        # Colours that are all inside the range: at its ends Pillow clips them before it mixes.
        smooth = np.asarray(Image.fromarray(64 + COLOURS // 2).resize((640, 480)))
        contents = file_of(smooth, 'JPEG', quality=95)
        expected = np.asarray(Image.open(BytesIO(contents)).convert('L'))
        assert_grey(read_compressed_image(compressed(contents, said)), expected, within=2)
    for pixels in (COLOURS, with_alpha(COLOURS)):
        assert_grey(read_compressed_image(
            compressed(file_of(pixels, 'PNG'), 'rgb8; png compressed bgr8')))
    assert_grey(read_compressed_image(compressed(file_of(GREY, 'PNG'), 'mono8; png compressed ')))
    deep = RNG.integers(0, 65536, (31, 17), dtype=np.uint16)
    picture = read_compressed_image(compressed(file_of(deep, 'PNG'), 'mono16; png compressed '))
    assert picture.dtype == np.uint16
    assert np.array_equal(picture, deep)


def test_a_colour_mosaic_that_was_compressed_as_if_it_were_grey():
    contents = file_of(mosaic_of(COLOURS, 'grbg'), 'PNG')
    assert_grey(read_compressed_image(compressed(contents, 'bayer_grbg8; png compressed ')))
    # One that was turned to colour before has no mosaic any more.
    contents = file_of(COLOURS, 'PNG')
    assert_grey(read_compressed_image(compressed(contents, 'bayer_grbg8; png compressed bgr8')))


def test_a_selection_gives_the_same_pixels_as_the_whole_picture():
    for data in (image(COLOURS, 'rgb8'), image(GREY, 'mono8', 2),
                 image(mosaic_of(COLOURS, 'rggb'), 'bayer_rggb8')):
        assert np.array_equal(read_image(data, spread_windows), spread_windows(read_image(data)))


def test_messages_in_either_cdr_byte_order_and_with_bytes_behind_them():
    message = FACTORY.make(
        'sensor_msgs/msg/Image', header=make_header(FACTORY, STAMP_NS, 'camera'), height=ROWS,
        width=COLUMNS, encoding='mono8', is_bigendian=0, step=COLUMNS, data=GREY.ravel())
    for little_endian in (True, False):
        data = serialized(message, little_endian) + b'\0\0\0'
        assert np.array_equal(PICTURE_READERS['sensor_msgs/msg/Image'](data), GREY)


@pytest.mark.parametrize('fields, text', [
    ({'step': COLUMNS - 1}, 'rows of 89 bytes .step., expected at least 90 for 90 pixels'),
    ({'step': 0}, 'rows of 0 bytes'),
    ({'step': 4_000_000_000}, '6300 bytes of pixels, expected 280000000000: 70 rows of 40'),
    ({'height': ROWS + 1}, '6300 bytes of pixels, expected 6390: 71 rows of 90'),
    ({'height': 0}, 'picture of 90 x 0 pixels, expected at least 1 x 1'),
    ({'width': 0}, 'picture of 0 x 70 pixels'),
    ({'width': 4_000_000_000}, 'expected at least 4000000000 for 4000000000 pixels'),
    ({'data': np.empty(0, dtype=np.uint8)}, '0 bytes of pixels, expected 6300'),
    ({'encoding': '32FC1'}, "encoding '32FC1', expected one of mono8, .*rgb8, .*bayer_rggb8"),
    ({'encoding': ''}, "encoding '', expected one of"),
    ({'encoding': 'rgb8'}, 'rows of 90 bytes .step., expected at least 270'),
    ({'encoding': 'mono16'}, 'rows of 90 bytes .step., expected at least 180'),
])
def test_pictures_that_contradict_themselves_are_refused_in_words(fields, text):
    with pytest.raises(MalformedMessage, match=text):
        read_image(image(GREY, **{'encoding': 'mono8', **fields}))


def test_a_mosaic_of_one_pixel_is_refused():
    with pytest.raises(MalformedMessage, match='1 x 1 pixels, expected at least 2 x 2'):
        read_image(image(GREY[:1, :1], 'bayer_rggb8'))


def test_compressed_pictures_that_are_none_are_refused_in_words():
    jpeg, png = (file_of(COLOURS, kind) for kind in ('JPEG', 'PNG'))
    for contents, said, text in (
            (b'', 'jpeg', "0 bytes are no JPEG or PNG picture .format 'jpeg'."),
            (b'nonsense' * 20, 'jpeg', '160 bytes are no JPEG or PNG picture'),
            (file_of(COLOURS, 'TIFF'), 'rgb8; tiff compressed ', 'no JPEG or PNG picture'),
            (jpeg[:len(jpeg) // 2], 'jpeg', 'cannot be decoded'),
            (png[:len(png) // 2], 'png', 'cannot be decoded'),
            (png, '16UC1; compressedDepth png', 'is a depth picture')):
        with pytest.raises(MalformedMessage, match=text):
            read_compressed_image(compressed(contents, said))


def test_a_small_file_that_unpacks_into_a_huge_picture_is_refused():
    contents = bytearray(file_of(np.zeros((8, 8), dtype=np.uint8), 'JPEG'))
    # JPEG (ITU-T T.81, B.2.2): start of frame, length, precision, then height and width.
    place = contents.index(b'\xff\xc0') + 5
    contents[place:place + 4] = (9000).to_bytes(2, 'big') * 2
    with pytest.raises(MalformedMessage, match='9000 x 9000 pixels, expected at most 64 million'):
        read_compressed_image(compressed(bytes(contents), 'jpeg'))


def test_every_cut_is_refused():
    for read, data in ((read_image, image(GREY[:4, :5], 'mono8')),
                       (read_compressed_image, compressed(file_of(GREY, 'JPEG'), 'jpeg'))):
        for length in range(len(data)):
            with pytest.raises(MalformedMessage):
                read(data[:length])


def test_random_damage_ends_in_a_refusal_or_a_picture_and_nothing_else():
    generator = np.random.default_rng(12)
    small = COLOURS[:16, :16]
    refused = 0
    for read, data in ((read_image, image(small, 'rgb8')),
                       (read_compressed_image, compressed(file_of(small, 'JPEG'), 'jpeg')),
                       (read_compressed_image, compressed(file_of(small, 'PNG'), 'png'))):
        for _ in range(1500):
            broken = np.frombuffer(data, dtype=np.uint8).copy()
            # Half of the time in the fields before the pixels.
            end = len(broken) if generator.integers(2) else 80
            places = generator.integers(0, end, size=generator.integers(1, 8))
            broken[places] = generator.integers(0, 256, size=len(places))
            try:
                assert read(broken.tobytes()).ndim == 2
            except MalformedMessage:
                refused += 1
    assert refused > 1000
