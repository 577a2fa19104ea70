"""What writing the evidence costs, beside the least that could be done with a row: appending it to a list."""

import time

import numpy as np
import pytest
import soundfile

from monitor.evidence.recorder import Evidence
from monitor.measurements import Heard
from monitor.recordings import open_recording
from tests.evidence.test_store import INFO
from tests.scripted import event, row

ROWS_PER_S = 20
SECONDS = 600
# 15 us are a tenth of one core for 20 rows a second at 300 times real time; twice that on a busy machine.
ROW_LIMIT_US = 30.0


def cpu_s(work) -> float:
    """Processor time of one call, the best of five."""

    def once() -> float:
        began = time.process_time()
        work()
        return time.process_time() - began

    return min(once() for _ in range(5))


@pytest.mark.benchmarks
def test_cost_of_a_trace_row(tmp_path):
    seconds = [Heard(trace=[row(s + i / ROWS_PER_S) for i in range(ROWS_PER_S)]) for s in range(SECONDS)]
    nothing = np.zeros(0, dtype=np.float32)

    def write() -> None:
        with Evidence(tmp_path, INFO) as evidence:
            for heard in seconds:
                evidence.record(nothing, heard)
            evidence.finish()

    def append() -> None:
        kept = []
        for heard in seconds:
            for one in heard.trace:
                kept.append(one)  # row by row is what is compared

    n_rows = SECONDS * ROWS_PER_S
    per_row_us = 1e6 * cpu_s(write) / n_rows
    append_us = 1e6 * cpu_s(append) / n_rows
    print(
        f"\ntrace row into evidence.db and trace.csv: {per_row_us:.1f} us of processor time, "
        f"{per_row_us / append_us:.0f} times a list append ({append_us:.3f} us); "
        f"at 300 times real time {per_row_us * ROWS_PER_S * 300 / 1e4:.1f} % of one core"
    )
    assert per_row_us < ROW_LIMIT_US


@pytest.mark.benchmarks
def test_cost_of_sound(tmp_path):
    fs = INFO.fs
    x = np.random.default_rng(1).uniform(-0.3, 0.3, fs).astype(np.float32)

    def write(n_events: int) -> None:
        with Evidence(tmp_path, INFO) as evidence:
            for s in range(120):
                evidence.record(x, Heard(events=[event(s + 0.5)] if n_events and s % 40 == 20 else []))

    quiet_s, loud_s = cpu_s(lambda: write(0)), cpu_s(lambda: write(3))
    print(
        f"\nkeeping 48 kHz sound for clips: {1e3 * quiet_s / 120:.2f} ms a second of sound; "
        f"a clip of 7 s: {1e3 * (loud_s - quiet_s) / 3:.0f} ms"
    )
    assert quiet_s / 120 < 0.001


@pytest.mark.benchmarks
@pytest.mark.parametrize("container", ["WAV", "FLAC"])
def test_cost_of_reading(tmp_path, container):
    fs, path = 48_000, tmp_path / "rec"
    x = np.random.default_rng(1).uniform(-0.3, 0.3, 60 * fs)
    soundfile.write(path, x, fs, format=container, subtype="PCM_16")
    ours_s = cpu_s(lambda: [None for _ in open_recording(path).blocks(fs)])
    plain_s = cpu_s(lambda: soundfile.read(path, dtype="float32"))
    print(
        f"\nreading 48 kHz mono {container}: {60 / ours_s:.0f} times real time, "
        f"{ours_s / plain_s:.2f} times as long as one soundfile.read"
    )
    assert ours_s < 2 * plain_s
