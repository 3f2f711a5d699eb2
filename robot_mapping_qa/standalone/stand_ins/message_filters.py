# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
Stand-in for message_filters, for machines where that package is not installed.

Only the calls that this package makes, under the names that the real one gives them. Sets are
formed by the package's own matcher, which follows the same rule.
"""

import threading

from rclpy.logging import get_logger
from robot_mapping_qa.timing.sets import ApproximateTimeMatcher


class SimpleFilter:
    """Something that has output, and the callbacks that take it."""

    def __init__(self):
        """Start without callbacks."""
        self.callbacks = {}

    def registerCallback(self, cb, *args):  # noqa: N802 (the real name)
        """Call ``cb`` with every output, followed by ``args``; return the connection's number."""
        connection = len(self.callbacks)
        self.callbacks[connection] = (cb, args)
        return connection

    def signalMessage(self, *msg):  # noqa: N802 (the real name)
        """Hand an output to the callbacks."""
        for callback, args in self.callbacks.values():
            callback(*msg, *args)


class ApproximateTimeSynchronizer(SimpleFilter):
    """Outputs one message of each input where their stamps differ by less than ``slop``."""

    def __init__(self, fs, queue_size, slop, allow_headerless=False):
        """
        Connect to the filters ``fs``; ``queue_size`` messages each wait for a partner.

        ``slop`` is in seconds. NotImplementedError for ``allow_headerless``, which would stamp
        a message with the time when it happens to be handled.
        """
        if allow_headerless:
            raise NotImplementedError('this stand-in takes only messages with a header')
        super().__init__()
        self._matcher = ApproximateTimeMatcher(len(fs), queue_size, round(slop * 1e9))
        self._lock = threading.Lock()
        for index, each in enumerate(fs):
            each.registerCallback(self._add, index)

    def _add(self, msg, index):
        try:
            stamp = msg.header.stamp
        except AttributeError:
            get_logger('message_filters').warning(
                f'{type(msg).__name__} has no header.stamp and is left out of the sets')
            return
        with self._lock:
            for members in self._matcher.add(index, stamp.sec * 10**9 + stamp.nanosec, msg):
                self.signalMessage(*members)
