"""The station file: which microphone hears the machine, which wires hold it, how much evidence is kept, and
which broker tells the shop.

One file a monitor, apart from the job: a job changes with the work, a station with a screwdriver. Every key
has a default, so that `listen` runs without the file: with the computer's own microphone and no wires.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field

from monitor.errors import InputError
from monitor.quantities import Dimension, Quantity
from monitor.toml_tables import Table, parse_tables, quantity, read_toml_text

# The header of a Raspberry Pi brings out GPIO 2 to 27, by their BCM numbers. 0 and 1 are for its boards' own
# memory; 0 to 8 are pulled up from power-on until a program takes them, which would energise a relay.
LOWEST_PIN, HIGHEST_PIN = 2, 27
LOWEST_OUTPUT_PIN = 9  # the first that is not pulled up

DEFAULT_LIMIT_BYTES = 8e9  # a month of eight hours a day, at some 10 MB an hour, and its clips

# What waits on disk for a broker that cannot be reached: at some 0.5 MB an hour, four days.
DEFAULT_QUEUE_BYTES = 50e6

# The ports that IANA registered for MQTT, plain and over TLS.
MQTT_PORT, MQTT_TLS_PORT = 1883, 8883

HoldInput = Literal["normally closed", "normally open"]


@dataclass(frozen=True)
class MicrophoneChoice:
    """Which microphone: part of its name ("" takes the system's default), rate in Hz (None: the best it
    offers) and channel, from 1."""

    device: str = ""
    rate_hz: int | None = None
    channel: int = 1


@dataclass(frozen=True)
class LineChoice:
    """GPIO pins by BCM number, None where not wired."""

    hold: int
    heartbeat: int
    spindle_stop: int | None = None
    reset: int | None = None
    red: int | None = None
    yellow: int | None = None
    green: int | None = None
    hold_input: HoldInput = "normally closed"


@dataclass(frozen=True)
class BrokerChoice:
    """The MQTT broker of the shop, and what this monitor is called there ("" where only a page watches).

    ``topic`` is what everything published begins with. ``ca_file`` says whom to trust under TLS ("": whom
    this computer trusts). The password is never here: ``password_file`` names the file that holds it.
    """

    host: str
    port: int
    name: str = ""
    topic: str = "spindlebell"
    tls: bool = False
    ca_file: str = ""
    user: str = ""
    password_file: str = ""
    queue_limit_bytes: int = int(DEFAULT_QUEUE_BYTES)


@dataclass(frozen=True)
class Station:
    """What this monitor is wired to; ``lines`` is None where no wire leaves the computer, ``broker`` where no
    shop is told."""

    microphone: MicrophoneChoice = MicrophoneChoice()
    lines: LineChoice | None = None
    host: str = "127.0.0.1"
    port: int = 8765
    evidence_limit_bytes: int = int(DEFAULT_LIMIT_BYTES)
    broker: BrokerChoice | None = None


EXAMPLE = """\
[microphone]
device = "USB"                   # part of its name; `spindlebell check --devices` lists them
rate = "48 kHz"
channel = 1

[lines]                          # GPIO by BCM number; leave the table out where nothing is wired
hold = 17
heartbeat = 27
spindle_stop = 22
reset = 23
red = 24
yellow = 25
green = 16
hold_input = "normally closed"   # the machine's hold input; read hardware/WIRING.md before changing it

[page]
host = "127.0.0.1"
port = 8765

[evidence]
limit = "8 GB"                   # the oldest goes first; a hold that nobody has judged is never deleted

[broker]                         # MQTT; leave the table out where no shop is told
host = "broker.example"
name = "lathe-3"                 # what the shop calls this monitor
tls = true
ca_file = "/etc/spindlebell/shop-ca.pem"   # whom to trust; without it, whom this computer trusts
user = "lathe-3"
password_file = "/etc/spindlebell/broker-password"   # one line, readable by its owner alone
"""


def load_station(path: Path | str) -> Station:
    """Read and check a station file.

    Raises
    ------
    InputError
        One line naming the file, the key, the value and the mend.
    """
    return parse_station(read_toml_text(path, "station file"), str(path))


def parse_station(text: str, source: str) -> Station:
    """Read a station from TOML text; ``source`` is the name used in messages. Raises InputError."""
    file = parse_tables(text, source, _StationFile, EXAMPLE)
    if file.lines is not None:
        _check_pins(file.lines, source)
    rate, limit = file.microphone.rate, file.evidence.limit
    broker = _broker(file.broker, source) if file.broker else None
    return Station(
        microphone=MicrophoneChoice(
            device=file.microphone.device,
            rate_hz=round(rate.value) if rate else None,
            channel=file.microphone.channel,
        ),
        lines=LineChoice(**file.lines.model_dump()) if file.lines else None,
        host=file.page.host,
        port=file.page.port,
        evidence_limit_bytes=int(limit.value),
        broker=broker,
    )


# The file as written.

_Rate = Annotated[Quantity, quantity(Dimension.SAMPLE_RATE)]
_Space = Annotated[Quantity, quantity(Dimension.DISK_SPACE)]
_Output = Annotated[int, Field(ge=LOWEST_OUTPUT_PIN, le=HIGHEST_PIN)]
_Input = Annotated[int, Field(ge=LOWEST_PIN, le=HIGHEST_PIN)]


class _MicrophoneTable(Table):
    device: str = Field(default="", max_length=200)
    rate: _Rate | None = None
    channel: int = Field(default=1, ge=1, le=64)


class _LinesTable(Table):
    hold: _Output
    heartbeat: _Output
    spindle_stop: _Output | None = None
    reset: _Input | None = None
    red: _Output | None = None
    yellow: _Output | None = None
    green: _Output | None = None
    hold_input: HoldInput = "normally closed"


class _PageTable(Table):
    host: str = Field(default="127.0.0.1", min_length=1, max_length=200)
    port: int = Field(default=8765, ge=0, le=65535)


class _EvidenceTable(Table):
    limit: _Space = Quantity(DEFAULT_LIMIT_BYTES, Dimension.DISK_SPACE, "b")


_Word = Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9_.-]*$", max_length=40)]


class _BrokerTable(Table):
    host: str = Field(min_length=1, max_length=200)
    port: int | None = Field(default=None, ge=1, le=65535)
    name: _Word | None = None
    topic: _Word = "spindlebell"
    tls: bool = False
    ca_file: str = Field(default="", max_length=1000)
    user: str = Field(default="", max_length=200)
    password_file: str = Field(default="", max_length=1000)
    queue: _Space = Quantity(DEFAULT_QUEUE_BYTES, Dimension.DISK_SPACE, "b")


class _StationFile(Table):
    microphone: _MicrophoneTable = _MicrophoneTable()
    lines: _LinesTable | None = None
    page: _PageTable = _PageTable()
    evidence: _EvidenceTable = _EvidenceTable()
    broker: _BrokerTable | None = None


def _check_pins(lines: _LinesTable, source: str) -> None:
    pins = {key: pin for key, pin in lines.model_dump().items() if isinstance(pin, int)}
    for pin, n in Counter(pins.values()).items():
        if n > 1:
            keys = [key for key, its in pins.items() if its == pin]
            raise InputError(
                f"{source}: lines.{keys[1]}: GPIO {pin} is lines.{keys[0]} already; give each its own pin"
            )


def _broker(table: _BrokerTable, source: str) -> BrokerChoice:
    if table.ca_file and not table.tls:
        raise InputError(f"{source}: broker.ca_file: counts only with TLS; write tls = true")
    if table.password_file and not table.user:
        raise InputError(f'{source}: broker.user: is missing; write for example user = "lathe-3"')
    return BrokerChoice(
        host=table.host,
        port=table.port or (MQTT_TLS_PORT if table.tls else MQTT_PORT),
        name=table.name or "",
        topic=table.topic,
        tls=table.tls,
        ca_file=table.ca_file,
        user=table.user,
        password_file=table.password_file,
        queue_limit_bytes=int(table.queue.value),
    )
