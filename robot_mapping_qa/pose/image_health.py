# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Whether a camera's pictures are good for anything, judged on samples."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from robot_mapping_qa.pose.image_limits import ImageLimits
from robot_mapping_qa.pose.image_measures import (
    picture_figures, PictureFigures, spread_windows)
from robot_mapping_qa.restart import RESTART_NS
from robot_mapping_qa.verdicts import Condition, Severity

# Depths that cameras put into 16 bits.
_DEPTHS = (10, 12, 14, 16)
# With more of the picture clipped than this, two pictures are equal without being the same.
_TELLS_NOTHING = 0.99

_KINDS = ('unreadable', 'frozen', 'too_dark', 'too_bright', 'blurred', 'textureless')
"""What can be wrong, the cause before its consequences: a black picture has no texture either."""

_OF_A_CAPTURE_CAMERA = {
    'unreadable': Severity.HARD, 'frozen': Severity.HARD, 'too_dark': Severity.SOFT,
    'too_bright': Severity.SOFT, 'blurred': Severity.SOFT, 'textureless': Severity.NOTICE}
"""A plain wall may be what is inspected."""

_NO_FIGURES: dict[str, float | None] = {
    'dark_share': None, 'bright_share': None, 'sharpness': None, 'texture': None}


@dataclass(slots=True)
class _Trouble:
    """
    Bad samples in a row.

    ``what`` of the newest and of the worst one is the sentence without its subject; ``badness``
    grows with it and compares samples of one kind only.
    """

    what: str
    badness: float = 0.0
    worst: str = ''
    samples: int = 0
    onset_ns: int = 0

    def follow(self, earlier: _Trouble | None, before_ns: int) -> None:
        """Go on from the sample before, or begin at its time."""
        self.samples, self.onset_ns, self.worst = 1, before_ns, self.what
        if earlier is not None:
            self.samples, self.onset_ns = earlier.samples + 1, earlier.onset_ns
            if earlier.badness >= self.badness:
                self.badness, self.worst = earlier.badness, earlier.worst


class ImageHealthMonitor:
    """
    Follows one camera.

    Ask `wants` before a picture is decoded, and give it to `add` if so. ``captures`` says whether
    its pictures are the inspection data: if not, its conditions are notices only, as what the
    unit can do without the camera depends on the motion (`pose.motion`).

    ``significant_bits`` is the depth of 16-bit pictures; None learns it from the largest value
    seen (10, 12, 14 or 16 bits), which takes a dark start for a lesser depth.

    ``*_ns`` are host time, but ``stamp_ns``.
    """

    def __init__(self, name: str, limits: ImageLimits, captures: bool,
                 significant_bits: int | None = None) -> None:
        self.name = name
        self.limits = limits
        self._captures = captures
        self._is_depth_known = significant_bits is not None
        self._bits = significant_bits or _DEPTHS[0]
        self._period_ns = round(1e9 / limits.sample_rate_hz)
        self._samples = 0
        self._forget()

    def _forget(self) -> None:
        self._sampled_ns: int | None = None
        self._stamp_ns = 0
        self._previous: np.ndarray | None = None
        self._figures = _NO_FIGURES
        self._troubles: dict[str, _Trouble] = {}

    def wants(self, receive_ns: int) -> bool:
        """Return whether a picture received now should be decoded and given to `add`."""
        if self._sampled_ns is None:
            return True
        waited_ns = receive_ns - self._sampled_ns
        return waited_ns >= self._period_ns or waited_ns < -RESTART_NS

    def add(self, picture: np.ndarray, stamp_ns: int, receive_ns: int,
            figures: PictureFigures | None = None) -> None:
        """
        Take a grey picture (rows, columns), or `spread_windows` of it, uint8 or uint16.

        ``figures`` are its `picture_figures` if they are known already.
        It counts as a repetition only if its stamp is later than that of the sample before: the
        same message sent twice is not a question of the picture.
        """
        self._restart_if_time_went_back(receive_ns)
        # A copy, which does not keep the whole message in the memory.
        windows = np.array(spread_windows(picture) if picture.ndim == 2 else picture)
        if figures is None:
            figures = picture_figures(self._to_grey_levels(windows), self.limits)
        self._figures = figures._asdict()
        found = self._troubles_of(figures)
        if self._repeats(windows, stamp_ns):
            found['frozen'] = _Trouble('is frozen')
        self._previous, self._stamp_ns = windows, stamp_ns
        self._note(found, _KINDS, receive_ns)

    def malformed(self, receive_ns: int, why: str) -> None:
        """Take note of a wanted picture that could not be read."""
        self._restart_if_time_went_back(receive_ns)
        # It says nothing of light and focus: what was wrong with them before stays so.
        self._figures = _NO_FIGURES
        self._note({'unreadable': _Trouble(f'sends pictures that cannot be read: {why}')},
                   ('unreadable',), receive_ns)

    def conditions(self, now_ns: int) -> list[Condition]:
        """
        Return what is wrong with the camera: nothing, or its first cause.

        The onset is the time of the sample before the first bad one: in between nobody looked.
        Silence is not a condition here, as it is watched with the stream's time.
        """
        kind = None if self.is_stale(now_ns) else self._first_cause()
        if kind is None:
            return []
        severity = _OF_A_CAPTURE_CAMERA[kind] if self._captures else Severity.NOTICE
        trouble = self._troubles[kind]
        return [Condition(f'{self.name}/{kind}', self._sentence(kind), severity,
                          trouble.onset_ns, f'{self.name} {trouble.worst}')]

    def problem(self, now_ns: int) -> str | None:
        """Return in a sentence why the unit cannot rely on the camera, None if it can."""
        if self._sampled_ns is None:
            return f'no picture of {self.name} yet'
        if self.is_stale(now_ns):
            silent_s = (now_ns - self._sampled_ns) * 1e-9
            return f'no picture of {self.name} for {silent_s:.1f} s'
        kind = self._first_cause()
        return None if kind is None else self._sentence(kind)

    @property
    def sampled_ns(self) -> int | None:
        """When the newest sample was received, None before the first."""
        return self._sampled_ns

    def is_stale(self, now_ns: int) -> bool:
        """Return whether nothing is known of the camera: no sample yet, or none of late."""
        return self._sampled_ns is None or (
            now_ns - self._sampled_ns > self.limits.stale_s * 1e9)

    def figures(self, now_ns: int) -> dict[str, float | None]:
        """
        Return the figures of the newest sample, None each where unknown or out of date.

        ``dark_share`` and ``bright_share`` of the pixels are clipped, ``texture`` is the share of
        cells with a corner to track; ``sharpness`` as `image_measures.sharpness`. ``samples`` is
        the number of pictures looked at since the start.
        """
        figures = _NO_FIGURES if self.is_stale(now_ns) else self._figures
        return {**figures, 'samples': self._samples}

    def _troubles_of(self, figures: PictureFigures) -> dict[str, _Trouble]:
        """Return what is wrong with the figures of a picture."""
        limits = self.limits
        dark, bright, sharp, texture = figures
        found: dict[str, _Trouble] = {}
        if dark > limits.dark_share_limit:
            found['too_dark'] = _Trouble(
                f'is too dark ({100.0 * dark:.0f} % of the picture is black)', dark)
        if bright > limits.bright_share_limit:
            found['too_bright'] = _Trouble(
                f'is overexposed ({100.0 * bright:.0f} % of the picture is white)', bright)
        if sharp is not None and sharp < limits.sharpness_limit:
            found['blurred'] = _Trouble(
                f'is blurred (sharpness {sharp:.2f}, needed {limits.sharpness_limit:.2f})',
                1.0 - sharp)
        if texture is not None and texture < limits.texture_limit:
            found['textureless'] = _Trouble(
                f'shows too little to track (corners in {100.0 * texture:.0f} % of the picture, '
                f'needed {100.0 * limits.texture_limit:.0f} %)', 1.0 - texture)
        return found

    def _to_grey_levels(self, windows: np.ndarray) -> np.ndarray:
        if windows.dtype == np.uint8:
            return windows.astype(np.float32)
        if not self._is_depth_known:
            needed = int(windows.max()).bit_length()
            self._bits = next(bits for bits in _DEPTHS if bits >= max(needed, self._bits))
        return windows * np.float32(255.0 / (2 ** self._bits - 1))

    def _repeats(self, windows: np.ndarray, stamp_ns: int) -> bool:
        """Return whether a picture is that of the sample before, pixel for pixel."""
        if self._previous is None or stamp_ns <= self._stamp_ns:
            return False
        dark, bright = self._figures['dark_share'], self._figures['bright_share']
        if (dark or 0.0) + (bright or 0.0) > _TELLS_NOTHING:
            return False
        # The noise of a sensor makes any two pictures differ, also of a scene at rest.
        return np.array_equal(windows, self._previous)

    def _note(self, found: dict[str, _Trouble], looked_for: tuple[str, ...],
              receive_ns: int) -> None:
        before_ns = receive_ns if self._sampled_ns is None else self._sampled_ns
        for kind in looked_for:
            earlier = self._troubles.pop(kind, None)
            if kind in found:
                found[kind].follow(earlier, before_ns)
                self._troubles[kind] = found[kind]
        self._samples += 1
        self._sampled_ns = receive_ns

    def _first_cause(self) -> str | None:
        return next((kind for kind in _KINDS if kind in self._troubles
                     and self._troubles[kind].samples >= self.limits.bad_samples), None)

    def _sentence(self, kind: str) -> str:
        trouble = self._troubles[kind]
        sentence = f'{self.name} {trouble.what}'
        if kind == 'frozen' and self._sampled_ns is not None:
            lasted_s = (self._sampled_ns - trouble.onset_ns) * 1e-9
            sentence += f': the same picture for {lasted_s:.1f} s'
        return sentence

    def _restart_if_time_went_back(self, receive_ns: int) -> None:
        if self._sampled_ns is not None and receive_ns < self._sampled_ns - RESTART_NS:
            self._forget()
