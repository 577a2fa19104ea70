"""Numbers of every spindle for whoever gathers metrics, in the OpenMetrics text format.

Written by `prometheus_client`, the format's reference library. Units are base units, as the format asks:
ratios and not per cent. A number that is not known now is left out, never repeated.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from dashboard.band import Word
from dashboard.fleet.shop import Spindle

if TYPE_CHECKING:
    from prometheus_client.metrics_core import Metric

PREFIX = "spindlebell"


def openmetrics(spindles: list[Spindle]) -> tuple[bytes, str]:
    """The text of all metrics, and its media type."""
    from prometheus_client.openmetrics.exposition import CONTENT_TYPE_LATEST, generate_latest

    class Collected:
        def collect(self) -> Iterator[Metric]:
            yield from _metrics(spindles)

    return generate_latest(Collected()), CONTENT_TYPE_LATEST


def _metrics(spindles: list[Spindle]) -> Iterator[Metric]:
    from prometheus_client.metrics_core import (
        CounterMetricFamily,
        GaugeMetricFamily,
        InfoMetricFamily,
        StateSetMetricFamily,
    )

    label = ["spindle"]
    up = GaugeMetricFamily(f"{PREFIX}_up", "Whether the monitor's own word comes in.", labels=label)
    word = StateSetMetricFamily(f"{PREFIX}_word", "The one word of the monitor.", labels=label)
    heard = GaugeMetricFamily(
        f"{PREFIX}_last_word_timestamp", "When the monitor was last heard of.", labels=label, unit="seconds"
    )
    held = GaugeMetricFamily(f"{PREFIX}_held", "Whether the feed is held.", labels=label)
    alarms = GaugeMetricFamily(
        f"{PREFIX}_alarm",
        "Alarms that are not normal: 1 a warning, 2 a hold.",
        labels=[*label, "kind", "state"],
    )
    info = InfoMetricFamily(f"{PREFIX}_job", "The job under way.", labels=label)
    missing = CounterMetricFamily(f"{PREFIX}_records_missing", "Records that cannot be had.", labels=label)
    dropped = CounterMetricFamily(
        f"{PREFIX}_records_dropped", "Records dropped where the monitor's queue was full.", labels=label
    )
    numbers = {
        "speed_rpm": GaugeMetricFamily(
            f"{PREFIX}_speed_revolutions_per_minute", "Spindle speed, as heard.", labels=label
        ),
        "commanded_rpm": GaugeMetricFamily(
            f"{PREFIX}_commanded_revolutions_per_minute", "Spindle speed, as commanded.", labels=label
        ),
        "speed_confidence": GaugeMetricFamily(
            f"{PREFIX}_speed_confidence", "How sure the speed is.", labels=label, unit="ratio"
        ),
        "sag_pct": GaugeMetricFamily(
            f"{PREFIX}_sag", "How far the speed is below free running.", labels=label, unit="ratio"
        ),
        "sag_warning_pct": GaugeMetricFamily(
            f"{PREFIX}_sag_warning", "Sag that warns.", labels=label, unit="ratio"
        ),
        "sag_hold_pct": GaugeMetricFamily(
            f"{PREFIX}_sag_hold", "Sag that holds.", labels=label, unit="ratio"
        ),
        "level_db": GaugeMetricFamily(
            f"{PREFIX}_level", "Sound level over full scale.", labels=label, unit="decibels"
        ),
        "cut_level_db": GaugeMetricFamily(
            f"{PREFIX}_cut_level", "Cutting sound over the idle machine.", labels=label, unit="decibels"
        ),
        "chatter_db": GaugeMetricFamily(
            f"{PREFIX}_chatter",
            "Strongest tone that is not the spindle's, over its surroundings.",
            labels=label,
            unit="decibels",
        ),
        "cutting": GaugeMetricFamily(f"{PREFIX}_cutting", "Whether the drill cuts.", labels=label),
        "blanks": GaugeMetricFamily(f"{PREFIX}_blanks", "Blanks in the batch.", labels=label),
        "blanks_done": GaugeMetricFamily(f"{PREFIX}_blanks_done", "Blanks done in the batch.", labels=label),
    }
    for spindle in spindles:
        name = [spindle.name]
        up.add_metric(name, spindle.live)
        word.add_metric(name, {str(one): one is spindle.word for one in Word})
        if spindle.last_word_at is not None:
            heard.add_metric(name, spindle.last_word_at)
        missing.add_metric(name, spindle.missing)
        dropped.add_metric(name, sum(spindle.dropped.values()))
        state = spindle.state if spindle.live else None
        if state is None:
            continue
        held.add_metric(name, state.held)
        job = {"name": state.job, "material": state.material, "batch": str(state.batch)}
        info.add_metric(name, job | {"synthetic": str(state.synthetic).lower()})
        for alarm in state.alarms:
            alarms.add_metric([*name, alarm.kind, alarm.state], 2 if alarm.severity == "hold" else 1)
        for key, family in numbers.items():
            value = getattr(state, key)
            if value is not None:
                family.add_metric(name, value / 100 if key.endswith("_pct") else value)
    yield from (up, word, heard, held, alarms, info, *numbers.values(), missing, dropped)
