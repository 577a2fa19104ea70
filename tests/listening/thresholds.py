"""The operating curve: the same sound judged again with every threshold moved by one factor.

Detectors that listen beside the first one share its measurements, so that a point of the curve costs only
the rules. What is moved: the two thresholds of sag in the job, the threshold of every cumulative sum, and
the constants of `SUMS`. What a rule asks beside its sum (that a tone stands alone, that a knock grows)
stays as it is, so the curve shows the price of the threshold, not of the whole rule.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from types import ModuleType
from unittest.mock import patch

from monitor.baseline import Baseline
from monitor.faults import chatter, departure, loosening
from monitor.hop import Hop
from monitor.job import Job
from monitor.listener import Listener
from monitor.measurements import Event, Heard
from monitor.signal.cusum import Cusum

FACTORS = (0.5, 0.7, 1.4, 2.0)

SUMS: tuple[tuple[ModuleType, str], ...] = (
    (chatter, "ENOUGH"),
    (departure, "DECIDES_NATS"),
    (loosening, "SURE_Z"),
)
"""Thresholds that are constants of their module."""


class Sharing(Listener):
    """A listener that hands its measured hops to others as it goes."""

    def __init__(self, baseline: Baseline, job: Job, fs: float, factors: tuple[float, ...]) -> None:
        super().__init__(baseline, job, fs)
        self.others = [Moved(baseline, job, fs, factor) for factor in factors]

    def _measure(self, hops):  # type: ignore[no-untyped-def]
        measured = super()._measure(hops)
        for other in self.others:
            other.judge(measured)
        return measured


class Moved:
    """The rules of a listener, every threshold times ``factor``."""

    def __init__(self, baseline: Baseline, job: Job, fs: float, factor: float) -> None:
        self.factor = factor
        self.events: list[Event] = []
        percents = {"sag_warning_pct": job.sag_warning_pct, "sag_hold_pct": job.sag_hold_pct}
        with self._constants():
            self._rules = Listener(
                baseline, job.model_copy(update={k: factor * v for k, v in percents.items()}), fs
            )
        for rule in vars(self._rules).values():
            for total in sums_of(rule):
                total.threshold *= factor
            if hasattr(rule, "_hold_at"):  # a second threshold of the same sum
                rule._hold_at *= factor

    def judge(self, measured: list[Hop]) -> None:
        """Walk hops that another listener has measured through these rules."""
        with self._constants():
            heard = Heard()
            self._rules._walk(measured, heard)
            self.events += heard.events

    @contextmanager
    def _constants(self) -> Iterator[None]:
        patches = [patch.object(module, name, self.factor * getattr(module, name)) for module, name in SUMS]
        for each in patches:
            each.start()
        try:
            yield
        finally:
            for each in reversed(patches):
                each.stop()


def sums_of(rule: object) -> Iterator[Cusum]:
    """The cumulative sums that a rule holds."""
    names = [*getattr(rule, "__dict__", {}), *getattr(rule, "__slots__", ())]
    for value in (getattr(rule, name, None) for name in names):
        yield from (
            one for one in (value if isinstance(value, (list, tuple)) else [value]) if isinstance(one, Cusum)
        )
