"""The spindles file: several spindles on one computer, each with its station, job, baseline and evidence.

Each is a monitor of its own, with its own hold line, alarms and page; what two of them cannot share is
refused here, before anything begins.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

from pydantic import Field

from monitor.errors import InputError
from monitor.station import Station, load_station
from monitor.toml_tables import Table, parse_tables, read_toml_text

MOST_SPINDLES = 32  # four times what one core of a PC carries, and the channels of a large interface


@dataclass(frozen=True)
class Spindle:
    """One spindle: its name, its files (paths as they are found from here), and its station as read."""

    name: str
    job: Path
    baseline: Path
    out: Path
    station_file: Path
    station: Station


EXAMPLE = """\
[[spindle]]
name = "left"
station = "left.toml"            # its channel, wires and page
job = "left_job.toml"
baseline = "left.json"
out = "evidence/left"

[[spindle]]
name = "right"
station = "right.toml"
job = "right_job.toml"
baseline = "right.json"
out = "evidence/right"
"""

_Name = Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9_.-]*$", max_length=40)]
_File = Annotated[str, Field(min_length=1, max_length=1000)]


class _SpindleTable(Table):
    name: _Name
    station: _File
    job: _File
    baseline: _File
    out: _File


class _SpindlesFile(Table):
    spindle: list[_SpindleTable] = Field(min_length=1, max_length=MOST_SPINDLES)


def load_spindles(path: Path | str) -> list[Spindle]:
    """Read a spindles file and the stations that it names; paths in it count from its own folder.

    Raises
    ------
    InputError
        One line naming the file, the key and the mend; also where two spindles claim the same thing.
    """
    source = str(path)
    file = parse_tables(read_toml_text(path, "spindles file"), source, _SpindlesFile, EXAMPLE)
    folder = Path(path).parent
    spindles = [
        Spindle(
            name=one.name,
            job=folder / one.job,
            baseline=folder / one.baseline,
            out=folder / one.out,
            station_file=folder / one.station,
            station=load_station(folder / one.station),
        )
        for one in file.spindle
    ]
    _check_claims(spindles, source)
    _check_rates(spindles, source)
    return spindles


def shared_devices(spindles: list[Spindle]) -> dict[str, list[Spindle]]:
    """Devices that more than one spindle hears a channel of, by what the stations call them."""
    by_device: dict[str, list[Spindle]] = {}
    for spindle in spindles:
        by_device.setdefault(spindle.station.microphone.device.casefold(), []).append(spindle)
    return {device: those for device, those in by_device.items() if len(those) > 1}


def _claims(spindle: Spindle) -> Iterator[tuple[Hashable, str]]:
    """What one spindle alone may have, each with its words."""
    station = spindle.station
    yield ("name", spindle.name), f'the name "{spindle.name}"'
    yield ("out", spindle.out.absolute()), f"the evidence directory {spindle.out}"
    microphone = station.microphone
    of = f'"{microphone.device}"' if microphone.device else "the system's microphone"
    yield (
        ("channel", microphone.device.casefold(), microphone.channel),
        f"channel {microphone.channel} of {of}",
    )
    if station.port:
        yield ("port", station.port), f"page.port {station.port}"
    if station.lines is not None:
        for key, pin in vars(station.lines).items():
            if isinstance(pin, int):
                yield ("pin", pin), f"GPIO {pin} (lines.{key})"
    if station.broker is not None and station.broker.name:
        broker = station.broker
        yield ("broker", broker.host, broker.port, broker.topic, broker.name), f'broker.name "{broker.name}"'


def _check_claims(spindles: list[Spindle], source: str) -> None:
    owners: dict[Hashable, str] = {}
    for i, spindle in enumerate(spindles, 1):
        for claim, words in _claims(spindle):
            if claim in owners:
                raise InputError(
                    f"{source}: spindle {i} ({spindle.name}): {words} is that of {owners[claim]} already; "
                    "give each its own"
                )
        owners |= {claim: spindle.name for claim, _ in _claims(spindle)}


def _check_rates(spindles: list[Spindle], source: str) -> None:
    for those in shared_devices(spindles).values():
        rates = {spindle.station.microphone.rate_hz for spindle in those}
        if len(rates) > 1:
            names = ", ".join(spindle.name for spindle in those)
            raise InputError(
                f"{source}: {names} share a device: give their stations the same microphone.rate"
            )
