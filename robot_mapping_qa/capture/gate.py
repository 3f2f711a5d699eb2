# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
The capture gate: held until everything needed is known to be healthy.

The delays and the deadband follow the alarm terms of IEC 62682. The gate never reads a clock:
the caller says what time it is, so a live run and a replay of its bag decide alike.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Collection, Mapping

from robot_mapping_qa.capture.causes import by_cause, MONITORS
from robot_mapping_qa.capture.holds import Hold
from robot_mapping_qa.capture.limits import GateLimits
from robot_mapping_qa.capture.point_error_watch import PointErrorWatch
from robot_mapping_qa.capture.view import View
from robot_mapping_qa.verdicts import Condition, Event, Severity, Verdict

_S = 1_000_000_000
_OF_NOW = ('point_error_m', 'pose_part_m', 'time_part_m', 'extrinsics_part_m', 'until_limit_s',
           'until_limit_m')


@dataclass(frozen=True, slots=True)
class Decision:
    """
    The state of the gate after an update.

    ``conditions`` are the ones that hold it now (or, while open, the soft ones that are about
    to), hardest first; ``reasons`` gives the key of each cause among them with the keys of its
    consequences. ``waiting_s`` is how long everything must still stay healthy before the gate
    opens; None unless it is only waiting for that.
    """

    stamp_ns: int
    allowed: bool
    since_ns: int
    conditions: tuple[Condition, ...]
    notices: tuple[Condition, ...]
    waiting_s: float | None
    figures: Mapping[str, float | None]
    reasons: Mapping[str, list[str]]
    events: tuple[Event, ...] = ()

    @property
    def text(self) -> str:
        """One line for a person: the causes, without what follows from them."""
        if self.allowed:
            if self.conditions:
                return 'open, about to hold: ' + self._causes()
            near = [c.text for c in self.notices if c.key == 'point_error/limit_near']
            return 'open, ' + near[0] if near else 'open'
        if self.waiting_s is not None:
            return f'held: healthy again, opens in {self.waiting_s:.1f} s'
        return 'held: ' + self._causes()

    def _causes(self) -> str:
        return '; '.join(c.text for c in self.conditions if c.key in self.reasons)


BY_HAND = 'held by hand'
"""Begins the text of a hold by hand; the reason that was given follows."""


class Gate:
    """The state machine that turns verdicts into permission to capture."""

    def __init__(self, limits: GateLimits, point_error_limit_m: float, start_ns: int,
                 unit: str = '', views: Mapping[str, View] | None = None,
                 monitors: Mapping[str, str] = MONITORS,
                 useful: Collection[str] = ()) -> None:
        """
        Begin held at ``start_ns`` (host time).

        ``unit`` is the name of the pose stream, ``views`` how each capture stream looks at the
        structure, ``monitors`` the verdict sources that are needed, each with the node that
        gives them, ``useful`` the streams whose soft conditions have to last for longer than
        those of others. ``limits`` and ``point_error_limit_m`` may be set anew at any time.
        """
        self.limits = limits
        self.point_error_limit_m = point_error_limit_m
        self.allowed = False
        self.hold_now: Hold | None = Hold(start_ns, start_ns, unit=unit)
        self.opens_ns: int | None = None
        """When the gate opens if nothing comes in between: it is to be updated then."""
        self.last_hold: Hold | None = None
        self._unit = unit
        self._monitors = monitors
        self._useful = useful
        self._since_ns = start_ns
        self._opened_once = False
        self._verdicts: dict[str, Verdict] = {}
        self._speakers: dict[str, dict[str, int]] = {}
        self._doubled_since_ns: dict[str, int] = {}
        self._first_seen_ns: dict[str, int] = {}
        self._noticed: set[str] = set()
        self._worse_ns: dict[str, int] = {}
        self._healthy_since_ns: int | None = None
        self._held_by: tuple[str, ...] = ()
        self._last_update_ns = start_ns
        self._manual: Condition | None = None
        self._foreign: Condition | None = None
        self._warned = False
        self._point_error = PointErrorWatch(views or {}, point_error_limit_m)

    def receive(self, verdict: Verdict, speaker: str = '') -> None:
        """
        Take a monitor's verdict; the next `update` judges it.

        ``speaker`` tells one process from another: a monitor that was started twice
        contradicts itself.
        """
        self._verdicts[verdict.source] = verdict
        self._speakers.setdefault(verdict.source, {})[speaker] = verdict.stamp_ns

    def set_manual_hold(self, held: bool, now_ns: int, why: str = '') -> tuple[Event, ...]:
        """
        Hold the gate on a person's request, or withdraw that request.

        ``why`` is put on one line and without a semicolon: those stand between reasons.
        """
        if not held:
            if self._manual is None:
                return ()
            self._manual = None
            return (Event('manual_release', 'gate', now_ns, now_ns, 'let go by hand'),)
        onset_ns = now_ns if self._manual is None else self._manual.onset_ns
        why = ' '.join(why.replace(';', ',').split())
        text = f'{BY_HAND}: {why}' if why else BY_HAND
        self._manual = Condition('gate/manual_hold', text, Severity.HARD, onset_ns)
        return (Event('manual_hold', 'gate', onset_ns, now_ns, text),)

    def change(self, name: str, new: float, now_ns: int) -> Event:
        """Set `point_error_limit_m`, or a threshold of `limits` under its name ``gate.NAME``."""
        old = self.setting(name)
        if name == 'point_error_limit_m':
            self.point_error_limit_m = new
        else:
            self.limits = replace(self.limits, **{name.partition('.')[2]: new})
        return Event('parameter_changed', name, now_ns, now_ns,
                     f'{name} changed from {old:g} to {new:g}', {'from': old, 'to': new})

    def setting(self, name: str) -> float:
        """Return what `change` would change."""
        if name == 'point_error_limit_m':
            return self.point_error_limit_m
        return getattr(self.limits, name.partition('.')[2])

    def set_publishers(self, count: int, now_ns: int) -> None:
        """Take note of how many nodes publish the gate: with two, whoever listens is misled."""
        if count <= 1:
            self._foreign = None
        elif self._foreign is None:
            self._foreign = Condition(
                'gate/second_publisher', f'{count} nodes publish the gate: end all but one (one '
                'that was killed counts until the middleware forgets it, about 20 s)',
                Severity.HARD, now_ns, f'{count} nodes published the gate')

    def update(self, now_ns: int) -> Decision:
        """
        Judge everything known at ``now_ns`` (host time) and return the state of the gate.

        Closing is immediate for hard conditions and after the on-delay for soft ones; opening
        needs the whole off-delay without either. It runs while a stream settles, which is watched
        already and well so far, and while a condition is kept up of what is not seen any more.
        """
        if now_ns < self._last_update_ns:
            # A clock that went back would stretch or shorten the delays: start them again.
            self._first_seen_ns.clear()
            self._noticed.clear()
            self._worse_ns.clear()
            self._healthy_since_ns = None
        self._last_update_ns = now_ns
        found = self._conditions(now_ns)
        notices = tuple(c for c in found if c.severity is Severity.NOTICE)
        causes = self._dated(tuple(c for c in found if c.severity is not Severity.NOTICE), now_ns)
        self._noticed = {c.key for c in notices}
        self._first_seen_ns = {
            c.key: self._first_seen_ns.get(c.key, now_ns) for c in causes}
        events = self._warn(notices, now_ns) + self._close_or_extend(causes, now_ns)
        waiting_s = self.opens_ns = None
        wrong = tuple(c for c in causes if c.kind != 'settling')
        seen_ns = [c.seen_ns for c in wrong if c.seen_ns is not None]
        if len(seen_ns) < len(wrong):
            self._healthy_since_ns = None
            self._held_by = tuple(c.key for c in wrong)
        elif self.hold_now is not None:
            if self._healthy_since_ns is None:
                self._healthy_since_ns = self._healed_ns(now_ns)
            self._healthy_since_ns = min(now_ns, max((self._healthy_since_ns, *seen_ns)))
            opens_ns = self._healthy_since_ns + round(self.limits.off_delay_s * _S)
            if not causes and now_ns < opens_ns:
                self.opens_ns, waiting_s = opens_ns, (opens_ns - now_ns) / _S
            elif not causes:
                events += (self._open(self.hold_now, now_ns),)
        return Decision(now_ns, self.allowed, self._since_ns, causes, notices, waiting_s,
                        self._figures(now_ns), by_cause([c.key for c in causes], self._unit),
                        events)

    def _dated(self, causes: tuple[Condition, ...], now_ns: int) -> tuple[Condition, ...]:
        """
        Return the causes, with another onset for those that have been a notice before.

        While a condition was only a notice the gate knew of it and let pictures pass: that it
        got worse says nothing against them.
        """
        self._worse_ns = {
            c.key: now_ns if c.key in self._noticed else self._worse_ns[c.key]
            for c in causes if c.key in self._noticed or c.key in self._worse_ns}
        return tuple(
            replace(c, onset_ns=max(c.onset_ns, self._worse_ns.get(c.key, c.onset_ns)))
            for c in causes)

    def _healed_ns(self, now_ns: int) -> int:
        """Return since when nothing holds: as the monitors judged it, not as their word came."""
        if any(key.startswith('gate/') or key.endswith('/no_verdict') for key in self._held_by):
            return now_ns
        return min(now_ns, max(verdict.stamp_ns for verdict in self._verdicts.values()))

    def _warn(self, notices: tuple[Condition, ...], now_ns: int) -> tuple[Event, ...]:
        near = next((c for c in notices if c.key == 'point_error/limit_near'), None)
        was, self._warned = self._warned, near is not None
        if near is None or was:
            return ()
        return (Event('limit_near', 'gate', near.onset_ns, now_ns, near.text),)

    def _close_or_extend(self, causes: tuple[Condition, ...], now_ns: int) -> tuple[Event, ...]:
        if self.hold_now is not None:
            set_back = self.hold_now.note(causes, now_ns)
            return self._suspect(self.hold_now, now_ns) if set_back else ()
        lasting = [c for c in causes if c.severity is Severity.HARD or (
            now_ns - self._first_seen_ns[c.key]) / _S >= self._on_delay_s(c)]
        if not lasting:
            return ()
        self.allowed = False
        self._since_ns = now_ns
        onset_ns = min(min(c.onset_ns for c in lasting), now_ns)
        hold = self.hold_now = Hold(onset_ns, now_ns, unit=self._unit)
        hold.note(causes, now_ns)
        by_key = {c.key: c for c in lasting}
        text = '; '.join(by_key[key].for_the_record for key in by_cause(by_key, self._unit))
        return (Event('hold', 'gate', hold.onset_ns, now_ns, text),
                *self._suspect(hold, now_ns))

    def _on_delay_s(self, condition: Condition) -> float:
        limits = self.limits
        return limits.useful_delay_s if condition.subject in self._useful else limits.on_delay_s

    def _suspect(self, hold: Hold, now_ns: int) -> tuple[Event, ...]:
        """Tell of the time between onset and closing: what was captured then is suspect."""
        span_s = (hold.closed_ns - hold.onset_ns) / _S
        if span_s <= 0.0 or not self._opened_once:
            return ()
        return (Event(
            'suspect', 'gate', hold.onset_ns, now_ns,
            f'captures of the {span_s:.2f} s before the gate closed are suspect: that is when '
            'its cause began', {'from_ns': hold.onset_ns, 'to_ns': hold.closed_ns}),)

    def _open(self, hold: Hold, now_ns: int) -> Event:
        self.allowed = self._opened_once = True
        self._since_ns = now_ns
        self.last_hold, self.hold_now = hold, None
        hold.released_ns = now_ns
        held_s = (now_ns - hold.closed_ns) / _S
        return Event('release', 'gate', now_ns, now_ns,
                     f'open again after {held_s:.1f} s', {'held_s': held_s})

    def _conditions(self, now_ns: int) -> tuple[Condition, ...]:
        found: dict[str, Condition] = {}
        for own in (self._manual, self._foreign):
            if own is not None:
                found[own.key] = own
        for source, node in self._monitors.items():
            doubled = self._doubled(source, node, now_ns)
            if doubled is not None:
                found[doubled.key] = doubled
            verdict = self._verdicts.get(source)
            if verdict is None:
                key = f'{node}/no_verdict'
                found[key] = Condition(
                    key, f'no {source} verdict yet: is {node} running?', Severity.HARD,
                    self._since_ns, f'no {source} verdict from {node}')
                continue
            old = self._too_old(source, node, verdict, now_ns)
            if old is not None:
                # What such a monitor said last is no longer known to be so.
                found[old.key] = old
                continue
            for condition in verdict.conditions:
                # Two monitors may name the same cause: the harder, else the first, stands.
                known = found.get(condition.key)
                if known is None or condition.severity > known.severity:
                    found[condition.key] = condition
            if source == 'pose':
                for condition in self._point_error.conditions(
                        verdict, self._verdicts.get('timing'), self.point_error_limit_m,
                        self.limits, self.allowed):
                    found[condition.key] = condition
        return tuple(sorted(found.values(), key=lambda c: (-c.severity, c.onset_ns)))

    def _doubled(self, source: str, node: str, now_ns: int) -> Condition | None:
        heard = self._speakers.setdefault(source, {})
        for speaker, stamp_ns in list(heard.items()):
            if abs(now_ns - stamp_ns) > self.limits.verdict_timeout_s * _S:
                del heard[speaker]
        if len(heard) < 2:
            self._doubled_since_ns.pop(source, None)
            return None
        return Condition(
            f'{node}/second_monitor',
            f'{len(heard)} processes speak as {node} ({", ".join(sorted(heard))}): end all but '
            'one', Severity.HARD, self._doubled_since_ns.setdefault(source, now_ns),
            f'{len(heard)} processes spoke as {node}')

    def _too_old(self, source: str, node: str, verdict: Verdict,
                 now_ns: int) -> Condition | None:
        key = f'{node}/no_verdict'
        age_s = (now_ns - verdict.stamp_ns) / _S
        if age_s > self.limits.verdict_timeout_s:
            return Condition(
                key, f'no {source} verdict for {age_s:.1f} s: {node} has stopped or is stuck',
                Severity.HARD, verdict.stamp_ns, f'no {source} verdict from {node}')
        if age_s < -self.limits.verdict_timeout_s:
            return Condition(
                key, f'the {source} verdict is dated {-age_s:.1f} s ahead: the clock went back, '
                f'or {node} runs on another clock', Severity.HARD, now_ns,
                f'the {source} verdict was dated ahead: the clock went back, or {node} ran on '
                'another clock')
        return None

    def _figures(self, now_ns: int) -> dict[str, float | None]:
        figures: dict[str, float | None] = {'point_error_limit_m': self.point_error_limit_m}
        for source in self._monitors:
            verdict = self._verdicts.get(source)
            figures[f'{source}_verdict_age_s'] = (
                None if verdict is None else (now_ns - verdict.stamp_ns) / _S)
            if verdict is not None:
                figures.update(verdict.figures)
        figures.update(self._point_error.figures)
        pose_age_s = figures.get('pose_verdict_age_s')
        if pose_age_s is not None and abs(pose_age_s) > self.limits.verdict_timeout_s:
            # The way travelled stays; the error is another by now.
            figures.update(dict.fromkeys(_OF_NOW))
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
