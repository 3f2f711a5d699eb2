# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""How far the covariance that a pose stream reports can be used, over time."""

from __future__ import annotations

from collections import Counter
from math import isfinite

import numpy as np

from robot_mapping_qa.pose.consistency import Inflation
from robot_mapping_qa.pose.covariance_check import check_covariance, PlaceholderWatch
from robot_mapping_qa.pose.limits import PoseLimits
from robot_mapping_qa.verdicts import Condition, Event, Severity

_SEVERITIES = {'invalid': Severity.HARD, 'missing': Severity.NOTICE,
               'placeholder': Severity.NOTICE, 'optimistic': Severity.NOTICE}
# A state that held for less than this share of the messages does not name the whole run.
_SHARE_THAT_COUNTS = 0.01


class CovarianceTrust:
    """
    State of the reported covariance: 'trusted', 'missing', 'placeholder', 'optimistic', 'invalid'.

    After a bad covariance the state stays until good ones have come for the limits'
    ``fault_hold_s``, so that neither a verdict misses it nor events pile up. An invalid
    covariance is a fault of the unit (hard). The others are notices: the estimate takes the place
    of a missing one or a placeholder, and an optimistic one is inflated.
    """

    def __init__(self, name: str, limits: PoseLimits) -> None:
        self._name = name
        self._limits = limits
        self._counts: Counter[str] = Counter()
        self.restart()

    def restart(self) -> None:
        """Forget the state; the counts over the run stay."""
        self._watch = PlaceholderWatch(
            self._limits.placeholder_after_m, self._limits.placeholder_after_s)
        self._finding = ('trusted', '')
        self.too_small_by = 1.0
        """How many times too small it was when it was last found optimistic."""
        self._state = 'trusted'
        self._reason = ''
        self._onset_ns = 0
        self._until_ns = 0

    def set_back(self, by_ns: int) -> None:
        """Go on after host time was set back."""
        self._onset_ns -= by_ns
        self._until_ns -= by_ns

    @property
    def state(self) -> str:
        """What the covariance is worth at present."""
        return self._state

    @property
    def is_usable(self) -> bool:
        """Whether it is a covariance that can be compared with an error."""
        return self._state in ('trusted', 'optimistic')

    def add(self, covariance: np.ndarray, stamp_ns: int, path_length_m: float, now_ns: int,
            too_small_by: Inflation | None = None) -> tuple[Event, ...]:
        """
        Take the covariance of a message; return an event where the state changed.

        ``too_small_by`` is its inflation where second sources have found it optimistic.
        """
        if self._watch.changed(covariance, stamp_ns, path_length_m):
            found = check_covariance(covariance)
            self._finding = ('trusted' if found.state == 'valid' else found.state, found.reason)
        state, reason = self._finding
        if state == 'trusted' and self._watch.is_placeholder(stamp_ns, path_length_m):
            state = 'placeholder'
            reason = ('is a placeholder: the same bit for bit for '
                      f'{self._watch.unchanged_m(path_length_m):.0f} m')
        elif state == 'trusted' and too_small_by is not None:
            state = 'optimistic'
            self.too_small_by = too_small_by.factor
            within = (f'about {too_small_by.factor:.1f} times what it says '
                      f'({too_small_by.low:.1f} to {too_small_by.high:.1f})'
                      if isfinite(too_small_by.high)
                      else f'at least {too_small_by.low:.1f} times what it says')
            reason = f'is too small: the error is {within}'
        if state != 'trusted':
            self._until_ns = now_ns + round(self._limits.fault_hold_s * 1e9)
            self._reason = reason
        elif now_ns < self._until_ns:
            state = self._state
        self._counts[state] += 1
        if state == self._state:
            return ()
        self._state = state
        self._onset_ns = now_ns
        if state == 'trusted':
            return (Event('covariance_trusted', self._name, now_ns, now_ns,
                          f'covariance of {self._name} is usable again'),)
        return (Event('covariance_distrusted', self._name, now_ns, now_ns,
                      f'covariance of {self._name} {reason}'),)

    def conditions(self) -> list[Condition]:
        """Return the condition that holds now, if any."""
        if self._state == 'trusted':
            return []
        return [Condition(
            f'{self._name}/covariance_{self._state}', f'covariance of {self._name} {self._reason}',
            _SEVERITIES[self._state], self._onset_ns)]

    def overall(self) -> str | None:
        """
        Return the one word for the whole run, None before the first message.

        It is the worst state, in the order invalid, missing, placeholder, optimistic, that held
        for at least one message in a hundred.
        """
        total = self._counts.total()
        for state in ('invalid', 'missing', 'placeholder', 'optimistic'):
            if total and self._counts[state] >= _SHARE_THAT_COUNTS * total:
                return state
        return 'trusted' if total else None

    @property
    def overall_share(self) -> float | None:
        """The share of the messages at which that state held, None before the first."""
        state = self.overall()
        return None if state is None else self._counts[state] / self._counts.total()
