# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Dark, overexposed, blurred, textureless and frozen pictures are found, good ones pass."""

import re

import numpy as np
import pytest
from robot_mapping_qa.pose.image_health import ImageHealthMonitor
from robot_mapping_qa.pose.image_limits import ImageLimits
from robot_mapping_qa.pose.image_measures import (
    clipped_shares, corner_sigmas_px, noise_levels, sharpness, smallest_eigenvalues,
    spread_windows)
from robot_mapping_qa.rig.camera import wall_texture
from robot_mapping_qa.verdicts import Severity
from scipy import ndimage

S = 1_000_000_000
START_NS = 1_700_000_000 * S
PERIOD_NS = 250_000_000
DELAY_NS = 30_000_000
NAME = 'front_camera'
RNG = np.random.default_rng(7)
WALL = wall_texture(480, 640, RNG).astype(float)


def seen(scene, noise=2.0):
    """Return a picture of a scene as a camera of 8 bits with noise gives it."""
    noisy = scene + noise * RNG.standard_normal(scene.shape)
    return np.clip(np.round(noisy), 0, 255).astype(np.uint8)


def good():
    return seen(WALL)


def dark():
    return seen(0.1 * WALL)


def overexposed():
    return seen(4.0 * WALL)


def smeared():
    """Return what is seen while the picture moves by 15 px sideways."""
    return seen(ndimage.uniform_filter1d(WALL, 15, axis=1))


def out_of_focus():
    return seen(ndimage.gaussian_filter(WALL, 3.0))


def plain():
    """Return a smooth wall, lit from one side."""
    return seen(np.broadcast_to(np.linspace(90.0, 150.0, 640), (480, 640)))


class Camera:
    """A monitor that is given a picture each quarter of a second, 30 ms after its stamp."""

    def __init__(self, captures=True, bits=None, **limits):
        self.monitor = ImageHealthMonitor(NAME, ImageLimits(**limits), captures, bits)
        self.now_ns = START_NS

    def sees(self, *pictures):
        for picture in pictures:
            self.now_ns += PERIOD_NS
            assert self.monitor.wants(self.now_ns)
            self.monitor.add(picture, self.now_ns - DELAY_NS, self.now_ns)
        return self

    @property
    def kinds(self):
        return [condition.kind for condition in self.monitor.conditions(self.now_ns)]

    @property
    def condition(self):
        condition, = self.monitor.conditions(self.now_ns)
        return condition

    @property
    def problem(self):
        return self.monitor.problem(self.now_ns)

    @property
    def figures(self):
        return self.monitor.figures(self.now_ns)


def test_good_pictures_pass_and_have_all_figures():
    camera = Camera().sees(*(good() for _ in range(6)))
    assert camera.kinds == []
    assert camera.problem is None
    figures = camera.figures
    assert figures['samples'] == 6
    assert figures['dark_share'] < 0.02
    assert figures['bright_share'] < 0.02
    assert figures['sharpness'] > 0.5
    assert figures['texture'] > 0.9


@pytest.mark.parametrize('bad, kind, text', [
    (dark, 'too_dark', r'is too dark \(\d\d % of the picture is black\)'),
    (overexposed, 'too_bright', r'is overexposed \(\d\d % of the picture is white\)'),
    (smeared, 'blurred', r'is blurred \(sharpness 0\.[123]\d, needed 0\.43\)'),
    (out_of_focus, 'blurred', r'is blurred \(sharpness 0\.[123]\d, needed 0\.43\)'),
    (plain, 'textureless', r'shows too little to track \(corners in \d % .* needed 20 %\)'),
])
def test_two_bad_pictures_are_found_not_one_and_it_is_over_with_the_next_good_one(
        bad, kind, text):
    camera = Camera().sees(good(), good(), bad())
    assert camera.kinds == []
    camera.sees(good(), bad())
    assert camera.kinds == []
    last_good_ns = camera.now_ns - PERIOD_NS
    camera.sees(bad())
    assert camera.kinds == [kind]
    assert camera.problem == camera.condition.text
    assert re.fullmatch(f'{NAME} {text}', camera.condition.text)
    # Between the samples nobody looked: it may have begun right after the good one.
    assert camera.condition.onset_ns == last_good_ns
    camera.sees(bad(), good())
    assert camera.kinds == []
    assert camera.problem is None


def test_the_same_picture_again_and_again_is_found_from_when_it_was_new():
    last = good()
    camera = Camera().sees(good(), last)
    new_ns = camera.now_ns
    camera.sees(last)
    assert camera.kinds == []
    camera.sees(last)
    assert camera.condition.key == f'{NAME}/frozen'
    assert camera.condition.text == f'{NAME} is frozen: the same picture for 0.5 s'
    assert camera.condition.onset_ns == new_ns
    camera.sees(*[last] * 6)
    assert camera.problem == f'{NAME} is frozen: the same picture for 2.0 s'
    assert camera.condition.for_the_record == f'{NAME} is frozen'
    assert camera.sees(good()).kinds == []


def test_a_scene_at_rest_is_not_frozen_as_the_noise_differs():
    assert Camera().sees(*(seen(WALL, noise=0.5) for _ in range(6))).kinds == []


def test_a_black_picture_is_dark_and_not_frozen():
    black = np.zeros((480, 640), dtype=np.uint8)
    camera = Camera().sees(*[black] * 5)
    assert camera.condition.text == f'{NAME} is too dark (100 % of the picture is black)'
    assert camera.figures['sharpness'] is None


def test_a_message_that_is_sent_again_and_again_is_not_a_frozen_camera():
    camera = Camera().sees(good())
    picture, stamp_ns = good(), camera.now_ns
    for _ in range(6):
        camera.now_ns += PERIOD_NS
        camera.monitor.add(picture, stamp_ns, camera.now_ns)
    assert camera.kinds == []
    assert camera.problem is None


def test_what_closes_the_gate_for_an_inspection_camera_is_only_shown_for_an_aiding_one():
    repeated = good()
    for pictures, severity in (
            ((dark(), dark()), Severity.SOFT), ((overexposed(), overexposed()), Severity.SOFT),
            ((smeared(), smeared()), Severity.SOFT), ([repeated] * 3, Severity.HARD),
            # A plain wall may be what is inspected.
            ((plain(), plain()), Severity.NOTICE)):
        assert Camera(captures=True).sees(*pictures).condition.severity is severity
        assert Camera(captures=False).sees(*pictures).condition.severity is Severity.NOTICE


def test_low_contrast_is_not_taken_for_blur():
    faint = 120.0 + 0.25 * (WALL - 120.0)
    camera = Camera().sees(*(seen(faint, noise=1.0) for _ in range(4)))
    assert camera.figures['sharpness'] > 0.45
    assert 'blurred' not in camera.kinds


def test_what_is_kept_of_a_trouble_is_its_worst_moment():
    camera = Camera().sees(dark(), np.zeros((480, 640), dtype=np.uint8), dark())
    assert '100 %' not in camera.condition.text
    assert camera.condition.for_the_record == (
        f'{NAME} is too dark (100 % of the picture is black)')


@pytest.mark.parametrize('noise', [1.0, 3.0, 6.0, 9.0])
def test_noise_is_taken_neither_for_sharpness_nor_for_texture(noise):
    flat = Camera().sees(seen(np.full((480, 640), 120.0), noise)).figures
    assert flat['texture'] == 0.0
    assert flat['sharpness'] is None
    # A lamp that is too weak for the speed: the gain goes up, and the picture is smeared.
    smear = ndimage.uniform_filter1d(WALL, 15, axis=1)
    assert Camera().sees(seen(smear, noise), seen(smear, noise)).kinds in (
        ['blurred'], ['textureless'])
    assert Camera().sees(seen(WALL, noise), seen(WALL, noise)).kinds == []


def test_noise_is_measured():
    for noise in (1.0, 4.0, 9.0):
        levels = noise_levels(spread_windows(seen(np.full((480, 640), 120.0), noise)).astype(
            np.float32))
        assert levels.shape == (6, 8)
        # Immerkaer 1996; rounding to whole levels adds a variance of 1/12.
        assert levels.mean() == pytest.approx((noise ** 2 + 1 / 12) ** 0.5, rel=0.02)


def test_blur_is_measured_at_the_full_resolution_of_a_large_picture():
    wall = wall_texture(1080, 1920, np.random.default_rng(2)).astype(float)
    assert Camera().sees(seen(wall)).figures['sharpness'] > 0.55
    assert Camera().sees(seen(ndimage.uniform_filter1d(wall, 9, axis=0))).figures[
        'sharpness'] < 0.4


def test_texture_is_the_share_of_the_picture_that_has_some():
    scene = np.full((480, 640), 120.0)
    # Two of six rows of cells.
    scene[:160] = WALL[:160]
    assert Camera().sees(seen(scene)).figures['texture'] == pytest.approx(2 / 6, abs=0.03)


def test_light_and_reading_are_told_before_what_follows_from_them():
    camera = Camera().sees(dark(), dark())
    assert camera.figures['texture'] < 0.2
    assert camera.kinds == ['too_dark']
    for _ in range(2):
        camera.now_ns += PERIOD_NS
        camera.monitor.malformed(camera.now_ns, 'encoding 32FC1, expected one of mono8')
    assert camera.condition.text == (
        f'{NAME} sends pictures that cannot be read: encoding 32FC1, expected one of mono8')
    assert camera.condition.severity is Severity.HARD
    assert camera.figures['dark_share'] is None
    assert camera.sees(good()).kinds == []


def test_deep_pictures_are_judged_like_those_of_8_bits():
    for bits in (10, 12, 16):
        def deep(picture):
            return np.round(picture / 255.0 * (2 ** bits - 1)).astype(np.uint16)
        camera = Camera().sees(deep(good()), deep(good()))
        assert camera.kinds == []
        shallow = Camera().sees(good()).figures
        for key in ('dark_share', 'bright_share', 'sharpness', 'texture'):
            assert camera.figures[key] == pytest.approx(shallow[key], abs=0.02)
        # The brightest pixel so far has told the depth.
        assert camera.sees(deep(dark()), deep(dark())).kinds == ['too_dark']
        # Where the depth is given, a camera that is in the dark from the start is seen to be.
        assert Camera(bits=bits).sees(deep(dark()), deep(dark())).kinds == ['too_dark']


@pytest.mark.parametrize('rows, columns', [(1, 1), (5, 700), (15, 15), (31, 33), (121, 163)])
def test_pictures_of_any_size_give_the_figures_that_they_can(rows, columns):
    camera = Camera().sees(good()[:rows, :columns] if columns < 640 else
                           np.tile(good()[:rows], 2)[:, :columns])
    assert camera.figures['dark_share'] is not None
    assert (camera.figures['texture'] is None) is (min(rows, columns) < 16)
    assert (camera.figures['sharpness'] is None) is (min(rows, columns) < 16)


def test_only_as_many_pictures_are_wanted_as_configured():
    monitor = ImageHealthMonitor(NAME, ImageLimits(sample_rate_hz=2.0), captures=True)
    picture, wanted = good(), []
    for number in range(60):
        receive_ns = START_NS + round(number / 15.0 * S)
        if monitor.wants(receive_ns):
            wanted.append(number)
            monitor.add(picture, receive_ns - DELAY_NS, receive_ns)
    assert wanted == [0, 8, 16, 24, 32, 40, 48, 56]
    # A bag that is played again from its start.
    assert monitor.wants(START_NS)


def test_a_camera_that_is_not_seen_cannot_be_relied_on():
    camera = Camera()
    assert camera.problem == f'no picture of {NAME} yet'
    camera.sees(good())
    now_ns = camera.now_ns + 1_400_000_000
    assert camera.monitor.problem(now_ns) is None
    now_ns = camera.now_ns + 3_200_000_000
    assert camera.monitor.problem(now_ns) == f'no picture of {NAME} for 3.2 s'
    # Silence is the business of the stream's time.
    assert camera.monitor.conditions(now_ns) == []
    assert camera.monitor.figures(now_ns)['sharpness'] is None


def test_time_that_starts_again_starts_the_judgement_again():
    camera = Camera().sees(dark(), dark())
    camera.now_ns = START_NS - 100 * S
    assert camera.sees(dark()).kinds == []
    assert camera.sees(dark()).kinds == ['too_dark']


def test_windows_lie_in_the_middle_of_their_cells_and_need_no_copy():
    picture = np.arange(480 * 640).reshape(480, 640)
    windows = spread_windows(picture)
    assert windows.shape == (6, 8, 48, 48)
    assert windows.base is not None
    # Cells of 80 x 80: the margin is 16.
    assert np.array_equal(windows[2, 3], picture[176:224, 256:304])
    assert spread_windows(picture[:100, :70]).shape == (3, 2, 33, 35)


def test_sharpness_is_that_of_scikit_image():
    # Squares of 8 px with a margin, so that both ways to go on beyond the border are the same.
    picture = np.full((160, 192), 128.0)
    picture[24:-24, 24:-24] = np.random.default_rng(5).integers(
        0, 256, (14, 18)).repeat(8, axis=0).repeat(8, axis=1)
    # skimage.measure.blur_effect of scikit-image 0.26.0 for this picture.
    for sigma_px, blur in ((0, 0.18181818181818524), (1, 0.40735318310553914),
                           (2, 0.5646838889250937), (3, 0.6748119284496976)):
        blurred = ndimage.gaussian_filter(picture, sigma_px).astype(np.float32)
        assert 1.0 - sharpness(blurred) == pytest.approx(blur, abs=1e-6)


def test_eigenvalues_are_those_of_numpy_and_gradients_those_of_scipy():
    picture = WALL[:60, :80].astype(np.float32)
    down, across = (ndimage.sobel(picture, axis) / 8.0 for axis in (0, 1))
    found = smallest_eigenvalues(picture)
    assert found.shape == (13, 18)
    for row, column in np.ndindex(found.shape):
        patch = (slice(1 + 4 * row, 9 + 4 * row), slice(1 + 4 * column, 9 + 4 * column))
        gradients = np.stack([across[patch].ravel(), down[patch].ravel()])
        expected = np.linalg.eigvalsh(gradients @ gradients.T)[0]
        assert found[row, column] == pytest.approx(expected, rel=1e-3, abs=1e-2)


def test_corners_can_be_tracked_and_edges_and_plains_cannot():
    # Shi and Tomasi 1994, section 4: two large eigenvalues, one, or none.
    corner, edge = np.zeros((2, 48, 48), dtype=np.float32)
    corner[20:, 20:] = edge[:, 20:] = 100.0
    sigmas = corner_sigmas_px(np.stack([corner, edge, np.zeros_like(edge)]), pixel_noise=2.0)
    assert sigmas[0] < 0.05
    assert np.isinf(sigmas[1:]).all()


def test_corner_sigma_is_how_far_the_tracked_place_scatters():
    # Lucas and Kanade 1981: least squares for the shift between two pictures of a shaded corner.
    y, x = np.mgrid[-4:4, -4:4] + 0.5
    patch = 12.0 * np.tanh(x + 0.4 * y) + 9.0 * np.tanh(y - 0.2 * x)
    scene = np.pad(patch, 4, mode='edge')
    down, across = (ndimage.sobel(scene, axis)[4:-4, 4:-4].ravel() / 8.0 for axis in (0, 1))
    noise = 2.0
    pictures = noise * np.random.default_rng(3).standard_normal((2, 4000, 64))
    shifts = np.linalg.lstsq(np.stack([across, down], axis=1), (pictures[0] - pictures[1]).T,
                             rcond=None)[0]
    worst_px = np.sqrt(np.linalg.eigvalsh(np.cov(shifts))[-1])
    # The first patch begins at (1, 1), the next one 4 px on: there the corner has to lie.
    window = np.pad(scene, ((1, 0), (1, 0)), mode='edge').astype(np.float32)
    eigenvalue = smallest_eigenvalues(window)[1, 1]
    assert np.sqrt(2.0) * noise / np.sqrt(eigenvalue) == pytest.approx(worst_px, rel=0.03)


def test_clipped_shares_count_both_ends():
    levels = np.arange(256, dtype=np.float32).reshape(16, 16)
    assert clipped_shares(levels, 16.0, 250.0) == (17 / 256, 6 / 256)
