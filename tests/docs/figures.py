"""Draws the figures of the guides from synthetic recordings, through the same core as everything else.

    python tests/docs/figures.py        writes monitor/docs/figures/*.svg anew

Nothing is drawn by hand: each figure is what `spindlebell replay` measures in a scene of
``recordings_synthetic/``. Look at them after a change of the core, and commit those that tell something new.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
import soundfile

ROOT = Path(__file__).parents[2]
if __name__ == "__main__":
    sys.path.insert(0, str(ROOT))

from monitor.baseline import Baseline, LineClass  # noqa: E402
from monitor.job import load_job  # noqa: E402
from monitor.listener import Listener  # noqa: E402
from monitor.measurements import Event, Heard, Severity  # noqa: E402
from monitor.recordings import open_recording, read_recording  # noqa: E402
from monitor.reporting.svg_chart import Chart, Mark, Series, svg  # noqa: E402
from monitor.signal.orders import FreeRun, learn_baseline  # noqa: E402

SCENES = ROOT / "recordings_synthetic"
FIGURES = ROOT / "monitor" / "docs" / "figures"
STYLE = """
text { font: 12px system-ui, "DejaVu Sans", sans-serif; fill: #4a5359; } path { fill: none; }
.paper { fill: #fff; } .grid { stroke: #d5dadd; } .axis { stroke: #4a5359; }
.curve { stroke: #14181b; stroke-width: 1.5; } .second { stroke: #2b6ca3; stroke-width: 1.5; }
.third { stroke: #b4157f; stroke-width: 1.5; } .fourth { stroke: #c77700; stroke-width: 1.5; }
.dots { stroke-width: 6; stroke-linecap: round; } rect.cut { fill: #e4edf3; }
path.warning { stroke: #c79a00; stroke-dasharray: 6 4; } text.warning { fill: #7a5c00; }
path.hold { stroke: #b0001d; } text.hold { fill: #b0001d; }
text.curve { fill: #14181b; stroke: none; } text.second { fill: #2b6ca3; stroke: none; }
text.third { fill: #b4157f; stroke: none; } text.fourth { fill: #c77700; stroke: none; }
path.truth { stroke: #9fb2c2; stroke-width: 4; opacity: .6; }
"""


@dataclass(frozen=True)
class Replay:
    """What a scene gave: trace columns by name, events, pecks."""

    columns: Mapping[str, np.ndarray]
    heard: Heard

    def first(self, severity: Severity) -> Event:
        """The first event of this severity."""
        return next(event for event in self.heard.events if event.severity is severity)

    def near(self, from_s: float, to_s: float) -> np.ndarray:
        """Which rows lie between."""
        return (self.columns["t"] >= from_s) & (self.columns["t"] <= to_s)


@cache
def baseline(setup: str, *speeds: int) -> Baseline:
    """The baseline of one of the published machines."""
    files = [SCENES / f"baseline_{setup}_{rpm}rpm.flac" for rpm in speeds]
    runs = [
        FreeRun(rpm, *read_recording(file, 1), file.name) for rpm, file in zip(speeds, files, strict=True)
    ]
    return learn_baseline(runs, "2026-11-25T10:00:00+00:00")


@cache
def replayed(scene: str, setup: str, *speeds: int) -> Replay:
    """A published scene, heard to its end."""
    recording = open_recording(SCENES / f"{scene}.flac", 1)
    listener = Listener(baseline(setup, *speeds), load_job(SCENES / f"{scene}.toml"), recording.fs)
    heard = Heard()
    for x in recording.blocks(10 * recording.fs):
        now = listener.feed(x)
        heard.trace += now.trace
        heard.events += now.events
        heard.pecks += now.pecks
    last = listener.finish()
    heard.events += last.events
    heard.pecks += last.pecks
    names = heard.trace[0]._fields
    return Replay(dict(zip(names, np.array(heard.trace, dtype=float).T, strict=True)), heard)


def true_sag(scene: str) -> tuple[np.ndarray, np.ndarray]:
    """Seconds and per cent, as the synthetic machine really did."""
    truth = json.loads((SCENES / f"{scene}.truth.json").read_text("utf-8"))
    sag_pct = np.array(truth["curves"]["sag_pct"], dtype=float)
    return np.arange(len(sag_pct)) / truth["curves_hz"], sag_pct


def lines() -> Chart:
    """The machine running free at two speeds, over orders: what turns with the spindle stands still."""
    learned = baseline("lamp", 900, 2000)
    curves = []
    for rpm, css in ((900, "curve"), (2000, "second")):
        x, fs = soundfile.read(SCENES / f"baseline_lamp_{rpm}rpm.flac")
        n = fs // 2
        pieces = x[: len(x) // n * n].reshape(-1, n) * np.hanning(n)
        power = 10 * np.log10(np.mean(np.abs(np.fft.rfft(pieces)) ** 2, axis=0) / n + 1e-20)
        order = np.arange(len(power)) * fs / n / (rpm / 60)
        shown = (order >= 8) & (order <= 40)
        curves.append(Series(order[shown], power[shown], css))
    top = max(float(np.max(np.asarray(series.y))) for series in curves)
    orders = sorted(
        line.order for line in learned.lines if line.kind is LineClass.ORDER and 8 <= line.order <= 40
    )
    curves.append(Series(orders, np.full(len(orders), top + 3), "third", dots=True))
    return Chart(
        "Spectra of the machine running free at 900 and 2000 rpm over orders, with the lines learned",
        "order: times the spindle's rotation (black 900 rpm, blue 2000 rpm; dots: lines learned as orders)",
        "dB",
        curves,
        y_range=(min(float(np.min(np.asarray(series.y))) for series in curves) - 2, top + 6),
    )


def sag() -> Chart:
    """A bind: the true sag, the sag as heard, the two thresholds, warning and hold."""
    replay = replayed("bind", "lamp", 900, 2000)
    warning, hold = replay.first(Severity.WARNING), replay.first(Severity.HOLD)
    rows = replay.near(hold.t - 6, hold.t + 1.5)
    t = replay.columns["t"][rows]
    return Chart(
        "Sag over time as a drill binds, with the thresholds and the moments of warning and hold",
        "time, s (pale: true, black: heard)",
        "sag, %",
        [
            Series(t, np.interp(t, *true_sag("bind")), "truth"),
            Series(t, replay.columns["sag_pct"][rows], "curve"),
        ],
        [
            Mark(4.0, "warning 4 %", "warning"),
            Mark(8.0, "hold 8 %", "hold"),
            Mark(warning.t, f"warned: {warning.kind}", "warning", upright=True),
            Mark(hold.t, f"held: {hold.kind}", "hold", upright=True),
        ],
        x_range=(float(t[0]), float(t[-1])),
    )


def cut() -> Chart:
    """Two good blanks: the cutting sound over the baseline's floor, and the pecks told."""
    replay = replayed("normal_batch", "lamp", 900, 2000)
    t = replay.columns["t"]
    return Chart(
        "Cutting sound over time in two good blanks, with the pecks that are told",
        "time, s (shaded: told as pecks)",
        "over the floor, dB",
        [Series(t, replay.columns["cut_level_db"], "curve")],
        bands=[(row.start_s, row.end_s, "cut") for row in replay.heard.pecks],
        x_range=(0.0, float(t[-1])),
    )


def load() -> Chart:
    """The sag of each peck over depth in the blank whose drill binds."""
    replay = replayed("bind", "lamp", 900, 2000)
    curves = []
    for row, css in zip(replay.heard.pecks[:4], ("curve", "second", "third", "fourth"), strict=True):
        rows = replay.near(row.start_s, row.end_s)
        t = replay.columns["t"][rows]
        share = (t - row.start_s) / (row.end_s - row.start_s)
        depth = row.depth_from_mm + share * (row.depth_to_mm - row.depth_from_mm)
        curves.append(Series(depth, replay.columns["sag_pct"][rows], css))
    return Chart(
        "Sag over depth in four pecks of one blank; in the fourth the drill binds",
        "depth, mm (black, blue, purple, orange: pecks 1 to 4)",
        "sag, %",
        curves,
        [Mark(8.0, "hold 8 %", "hold")],
    )


def chatter() -> Chart:
    """A tone that grows while the drill cuts, over what stands out of good cuts."""
    replay = replayed("phone_chatter", "phone", 800, 1200)
    warning = replay.first(Severity.WARNING)
    rows = replay.near(warning.t - 6, warning.t + 4)
    t = replay.columns["t"][rows]
    return Chart(
        "The strongest tone that does not turn with the spindle, over its surroundings, as chatter grows",
        "time, s",
        "tone, dB",
        [Series(t, replay.columns["chatter_db"][rows], "curve")],
        [Mark(warning.t, f"warned: {warning.kind}", "warning", upright=True)],
        x_range=(float(t[0]), float(t[-1])),
    )


CHARTS: Mapping[str, Callable[[], Chart]] = {
    "lines": lines,
    "sag": sag,
    "cut": cut,
    "load": load,
    "chatter": chatter,
}


def drawn(chart: Chart) -> str:
    """The chart as a file of its own, white behind it."""
    text = svg(chart)
    head, _, rest = text.partition(">")
    size = f'xmlns="http://www.w3.org/2000/svg" width="{chart.width}" height="{chart.height}"'
    head = head.replace("<svg", f"<svg {size}", 1)
    note = "<!-- Drawn by tests/docs/figures.py from a synthetic recording. -->"
    return f'{head}>{note}<style>{STYLE}</style><rect class="paper" width="100%" height="100%"/>{rest}\n'


def main() -> int:
    """Write every figure."""
    FIGURES.mkdir(parents=True, exist_ok=True)
    for name, chart in CHARTS.items():
        text = drawn(chart())
        (FIGURES / f"{name}.svg").write_text(text, "utf-8")
        print(f"{name}.svg: {len(text) / 1000:.0f} kB")
    return 0


if __name__ == "__main__":
    sys.exit(main())
