# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
The capture gate: held until everything needed is known to be healthy.

The delays and the deadband follow the alarm terms of IEC 62682. The gate never reads a clock:
the caller says what time it is, so a live run and a replay of its bag decide alike.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Iterable, Mapping

from robot_mapping_qa.capture.limits import GateLimits
from robot_mapping_qa.verdicts import Condition, Event, Severity, Verdict

MONITORS: Mapping[str, str] = {'timing': 'sync_monitor', 'pose': 'pose_monitor'}
"""Verdict sources that the gate needs, each with the node that gives them."""

_NO_VERDICT = 'no_verdict'
OWN_KEYS = frozenset({'gate/manual_hold', 'gate/second_publisher',
                      *(f'{node}/{_NO_VERDICT}' for node in MONITORS.values())})
"""Conditions that the gate finds itself, beside those that the monitors report."""

_S = 1_000_000_000


@dataclass(slots=True)
class Hold:
    """
    One closing of the gate.

    ``onset_ns`` is when its earliest cause began, ``closed_ns`` when the gate closed and
    ``released_ns`` when it opened again (None while it is held). ``texts`` keeps, per condition
    key, the sentence with its last figures.
    """

    onset_ns: int
    closed_ns: int
    released_ns: int | None = None
    texts: dict[str, str] = field(default_factory=dict)

    @property
    def reasons(self) -> tuple[str, ...]:
        """The sentences, in the order in which the causes appeared."""
        return tuple(self.texts.values())


@dataclass(frozen=True, slots=True)
class Decision:
    """
    The state of the gate after an update.

    ``conditions`` are the ones that hold it now (or, while open, the soft ones that are about
    to), hardest first. ``waiting_s`` is how long everything must still stay healthy before the
    gate opens; None unless it is only waiting for that.
    """

    stamp_ns: int
    allowed: bool
    since_ns: int
    conditions: tuple[Condition, ...]
    notices: tuple[Condition, ...]
    waiting_s: float | None
    figures: Mapping[str, float | None]
    events: tuple[Event, ...] = ()

    @property
    def text(self) -> str:
        """One line for a person."""
        if self.allowed:
            if self.conditions:
                return 'open, about to hold: ' + '; '.join(c.text for c in self.conditions)
            return 'open'
        if self.waiting_s is not None:
            return f'held: healthy again, opens in {self.waiting_s:.1f} s'
        return 'held: ' + '; '.join(c.text for c in self.conditions)


class Gate:
    """The state machine that turns verdicts into leave to capture."""

    def __init__(self, limits: GateLimits, point_error_limit_m: float, start_ns: int) -> None:
        """Begin held at ``start_ns`` (host time)."""
        self.limits = limits
        self.point_error_limit_m = point_error_limit_m
        self.allowed = False
        self.hold_now: Hold | None = Hold(start_ns, start_ns)
        self._since_ns = start_ns
        self._verdicts: dict[str, Verdict] = {}
        self._first_seen_ns: dict[str, int] = {}
        self._healthy_since_ns: int | None = None
        self._own_hold = True
        self._last_update_ns = start_ns
        self._manual: Condition | None = None
        self._foreign: Condition | None = None
        self._over_limit_since_ns: int | None = None

    def receive(self, verdict: Verdict) -> None:
        """Take a monitor's verdict; the next `update` judges it."""
        self._verdicts[verdict.source] = verdict

    def set_manual_hold(self, held: bool, now_ns: int, text: str = 'held by hand') -> None:
        """Hold the gate on a person's request, or withdraw that request."""
        self._manual = Condition('gate/manual_hold', text, Severity.HARD, now_ns) if held else None

    def set_publishers(self, count: int, now_ns: int) -> None:
        """Take note of how many nodes publish the gate: with two, whoever listens is misled."""
        if count <= 1:
            self._foreign = None
        elif self._foreign is None:
            self._foreign = Condition(
                'gate/second_publisher', f'{count} nodes publish the gate: end all but one',
                Severity.HARD, now_ns)

    def update(self, now_ns: int) -> Decision:
        """
        Judge everything known at ``now_ns`` (host time) and return the state of the gate.

        Closing is immediate for hard conditions and after the on-delay for soft ones; opening
        needs the whole off-delay without either.
        """
        if now_ns < self._last_update_ns:
            # A clock that went back would stretch or shorten the delays: start them again.
            self._first_seen_ns.clear()
            self._healthy_since_ns = None
            self._own_hold = True
        self._last_update_ns = now_ns
        found = self._conditions(now_ns)
        notices = tuple(c for c in found if c.severity is Severity.NOTICE)
        causes = tuple(c for c in found if c.severity is not Severity.NOTICE)
        self._first_seen_ns = {
            c.key: self._first_seen_ns.get(c.key, now_ns) for c in causes}
        events = self._close_or_extend(causes, now_ns) if causes else ()
        waiting_s = None
        if causes:
            self._healthy_since_ns = None
            self._own_hold = any(c.key in OWN_KEYS for c in causes)
        elif not self.allowed:
            if self._healthy_since_ns is None:
                self._healthy_since_ns = self._became_healthy_ns(now_ns)
            waiting_s = self.limits.off_delay_s - (now_ns - self._healthy_since_ns) / _S
            if waiting_s <= 0.0:
                events += (self._open(now_ns),)
                waiting_s = None
        return Decision(now_ns, self.allowed, self._since_ns, causes, notices, waiting_s,
                        self._figures(now_ns), events)

    def _became_healthy_ns(self, now_ns: int) -> int:
        """
        Return since when nothing holds the gate, as known at ``now_ns``.

        That is when a monitor judged so, not when its word arrived; but a hold of the gate's own,
        such as one by hand, ended no earlier than now.
        """
        if self._own_hold:
            return now_ns
        return min(now_ns, max(verdict.stamp_ns for verdict in self._verdicts.values()))

    def _close_or_extend(self, causes: tuple[Condition, ...], now_ns: int) -> tuple[Event, ...]:
        if not self.allowed:
            for cause in causes:
                self.hold_now.texts[cause.key] = cause.text
            return ()
        lasting = [c for c in causes if c.severity is Severity.HARD or (
            now_ns - self._first_seen_ns[c.key]) / _S >= self.limits.on_delay_s]
        if not lasting:
            return ()
        self.allowed = False
        self._since_ns = now_ns
        onset_ns = min(min(c.onset_ns for c in lasting), now_ns)
        self.hold_now = Hold(onset_ns, now_ns, texts={c.key: c.text for c in causes})
        text = '; '.join(c.text for c in lasting)
        return (Event('hold', 'gate', onset_ns, now_ns, text),)

    def _open(self, now_ns: int) -> Event:
        self.allowed = True
        self._since_ns = now_ns
        hold, self.hold_now = self.hold_now, None
        hold.released_ns = now_ns
        held_s = (now_ns - hold.closed_ns) / _S
        return Event('release', 'gate', now_ns, now_ns,
                     f'open again after {held_s:.1f} s', {'held_s': held_s})

    def _conditions(self, now_ns: int) -> tuple[Condition, ...]:
        found: dict[str, Condition] = {}
        for own in (self._manual, self._foreign):
            if own is not None:
                found[own.key] = own
        for source, node in MONITORS.items():
            verdict = self._verdicts.get(source)
            old = self._too_old(source, node, verdict, now_ns)
            if old is not None:
                found[old.key] = old
            for condition in verdict.conditions if verdict else ():
                # Two monitors may name the same cause: the harder, else the first, stands.
                known = found.get(condition.key)
                if known is None or condition.severity > known.severity:
                    found[condition.key] = condition
        for condition in self._point_error(now_ns, found.values()):
            found[condition.key] = condition
        return tuple(sorted(found.values(), key=lambda c: (-c.severity, c.onset_ns)))

    def _too_old(self, source: str, node: str, verdict: Verdict | None,
                 now_ns: int) -> Condition | None:
        key = f'{node}/{_NO_VERDICT}'
        if verdict is None:
            return Condition(key, f'no {source} verdict yet: is {node} running?',
                             Severity.HARD, self._since_ns)
        age_s = (now_ns - verdict.stamp_ns) / _S
        if age_s > self.limits.verdict_timeout_s:
            return Condition(
                key, f'no {source} verdict for {age_s:.1f} s: {node} has stopped or is stuck',
                Severity.HARD, verdict.stamp_ns)
        if age_s < -self.limits.verdict_timeout_s:
            return Condition(
                key, f'the {source} verdict is dated {-age_s:.1f} s ahead: the clock went back, '
                f'or {node} runs on another clock', Severity.HARD, now_ns)
        return None

    def _point_error(self, now_ns: int, others: Iterable[Condition]) -> Iterable[Condition]:
        verdict = self._verdicts.get('pose')
        if verdict is None:
            return
        error_m = verdict.figures.get('point_error_m')
        limit_m = self.point_error_limit_m
        if error_m is None:
            # A monitor that does not know the error says why by a condition of its own.
            if not any(c.severity is not Severity.NOTICE for c in verdict.conditions):
                yield Condition('point_error/unknown', 'the error on the structure is not known',
                                Severity.SOFT, verdict.stamp_ns)
            return
        was_over = self._over_limit_since_ns is not None
        release_m = limit_m * (1.0 - self.limits.deadband_fraction)
        if error_m > limit_m or (error_m > release_m and (was_over or not self.allowed)):
            if not was_over:
                self._over_limit_since_ns = verdict.stamp_ns
            relation = 'limit' if error_m > limit_m else f'opens below {release_m:.3f} m, limit'
            yield Condition(
                'point_error/over_limit',
                f'a point on the structure is only known to {error_m:.3f} m '
                f'({relation} {limit_m:.3f} m)', Severity.SOFT, self._over_limit_since_ns)
        else:
            self._over_limit_since_ns = None

    def _figures(self, now_ns: int) -> dict[str, float | None]:
        figures: dict[str, float | None] = {'point_error_limit_m': self.point_error_limit_m}
        for source in MONITORS:
            verdict = self._verdicts.get(source)
            figures[f'{source}_verdict_age_s'] = (
                None if verdict is None else (now_ns - verdict.stamp_ns) / _S)
            if verdict is not None:
                figures.update(verdict.figures)
        return figures


def changes_the_gate(sent: Verdict, verdict: Verdict, point_error_limit_m: float) -> bool:
    """
    Return whether a verdict must reach the gate at once instead of at the next tick.

    That is so when a condition came, went or changed its severity, and when the point error
    crossed its limit or became known or unknown.
    """
    def gist(of: Verdict) -> tuple:
        error_m = of.figures.get('point_error_m')
        return ({(c.key, c.severity) for c in of.conditions},
                None if error_m is None else error_m > point_error_limit_m)
    return gist(sent) != gist(verdict)


def leaves_the_gate_alone(verdict: Verdict, point_error_limit_m: float) -> bool:
    """Return whether a verdict holds nothing against a capture: no condition, error in limits."""
    error_m = verdict.figures.get('point_error_m')
    return not verdict.conditions and error_m is not None and error_m <= point_error_limit_m
