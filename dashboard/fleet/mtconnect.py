"""Each spindle as a device of an MTConnect agent, for shop software that reads machines.

After ANSI/MTC1.4 (MTConnect 1.4, parts 1 to 3): names of data items, categories and subtypes, and attributes
of headers, devices and components are those of its schemas; the requests are probe, current and sample.
What is here not: streaming (``interval``), ``path`` and ``at``, and assets; a request for them is refused as
the standard says.

====================  =========  ===============================================================
data item             category   what it is here
====================  =========  ===============================================================
AVAILABILITY          EVENT      AVAILABLE while the monitor's own word comes in
ROTARY_VELOCITY       SAMPLE     ACTUAL: the speed heard; COMMANDED: the job's
LOAD                  SAMPLE     sag in per cent of the sag that holds: 100 is a hold
PART_COUNT            EVENT      ALL: blanks done in this batch
LOAD                  CONDITION  sag, stall, packing, melting
VIBRATION             CONDITION  chatter
HARDWARE              CONDITION  loosening, lost_cut: work holding and drill
SYSTEM                CONDITION  the monitor itself: deaf, masked, out of space, held by hand
====================  =========  ===============================================================

A warning is a Warning, a hold a Fault, and ``nativeCode`` is the kind of event. A hold stays a Fault until it
is reset.
"""

from __future__ import annotations

import math
import threading
import time
import uuid
from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from xml.etree import ElementTree as ET

from dashboard.fleet.shop import ShopState, Spindle
from dashboard.fleet.words import AlarmSaid
from monitor import __version__
from monitor.errors import one_line

VERSION = "1.4.0.0"
BUFFER = 16_384  # observations: a busy spindle makes three a second, a hundred fill it in a minute
MOST_AT_ONCE = 10_000
UNAVAILABLE = "UNAVAILABLE"
DEVICES = "urn:mtconnect.org:MTConnectDevices:1.4"
STREAMS = "urn:mtconnect.org:MTConnectStreams:1.4"
ERROR = "urn:mtconnect.org:MTConnectError:1.4"

CONDITIONS = {
    "load": ("LOAD", frozenset({"sag", "stall", "packing", "melting"})),
    "vibration": ("VIBRATION", frozenset({"chatter"})),
    "hardware": ("HARDWARE", frozenset({"loosening", "lost_cut"})),
    "system": ("SYSTEM", frozenset({"mic_fault", "masked", "low_space", "hold_now"})),
}


@dataclass(frozen=True, slots=True)
class Item:
    """A data item of a device: key, category, type, subtype, units, and the component it is of."""

    key: str
    category: str
    type: str
    subtype: str = ""
    units: str = ""
    component: str = "Rotary"


ITEMS = (
    Item("avail", "EVENT", "AVAILABILITY", component="Device"),
    Item("speed", "SAMPLE", "ROTARY_VELOCITY", "ACTUAL", "REVOLUTION/MINUTE"),
    Item("commanded", "SAMPLE", "ROTARY_VELOCITY", "COMMANDED", "REVOLUTION/MINUTE"),
    Item("sag", "SAMPLE", "LOAD", "", "PERCENT"),
    Item("load", "CONDITION", "LOAD"),
    Item("vibration", "CONDITION", "VIBRATION"),
    Item("hardware", "CONDITION", "HARDWARE"),
    Item("parts", "EVENT", "PART_COUNT", "ALL", component="Controller"),
    Item("system", "CONDITION", "SYSTEM", component="Controller"),
)
COMPONENTS = ("Device", "Rotary", "Controller")


@dataclass(frozen=True, slots=True)
class Observation:
    """A data item's value, or a condition's level, native code and sentence."""

    seq: int
    at: str
    device: str
    item: Item
    value: str
    code: str = ""
    text: str = ""


class Refused(Exception):
    """A request that cannot be answered: the standard's code for it, and why."""

    def __init__(self, code: str, why: str) -> None:
        super().__init__(why)
        self.code = code


class Agent:
    """Remembers the last observations of every spindle of a shop; may be called from any thread.

    Parameters
    ----------
    shop : ShopState
        Whose spindles become devices; tells the agent of each state.
    clock : callable
        Seconds since the epoch; replaced in tests.
    """

    def __init__(self, shop: ShopState, clock: Callable[[], float] = time.time) -> None:
        self._clock = clock
        self._instance = max(1, int(clock()))
        self._lock = threading.Lock()
        self._next = 1
        self._buffer: deque[Observation] = deque(maxlen=BUFFER)
        self._current: dict[tuple[str, str], list[Observation]] = {}
        self._devices: list[str] = []
        self._synthetic: set[str] = set()
        shop.on_state.append(self.observe)
        for spindle in shop.spindles():
            self.observe(spindle)

    def observe(self, spindle: Spindle) -> None:
        """Enter what has changed."""
        with self._lock:
            if spindle.name not in self._devices:
                self._devices = sorted([*self._devices, spindle.name])
            if spindle.state is not None and spindle.state.synthetic:
                self._synthetic.add(spindle.name)
            elif spindle.state is not None:
                self._synthetic.discard(spindle.name)
            at = _time(spindle.state.at if spindle.live and spindle.state else self._clock())
            for item in ITEMS:
                said = _said(spindle, item)
                known = self._current.get((spindle.name, item.key))
                if known is None or [(o.value, o.code, o.text) for o in known] != said:
                    new = [
                        Observation(self._next + i, at, spindle.name, item, *values)
                        for i, values in enumerate(said)
                    ]
                    self._next += len(new)
                    self._current[spindle.name, item.key] = new
                    self._buffer.extend(new)

    def probe(self, device: str | None = None) -> bytes:
        """What there is: the devices and their data items."""
        with self._lock:
            header = {**self._header(), "assetBufferSize": "1", "assetCount": "0"}
            root = _document("MTConnectDevices", DEVICES, header)
            devices = ET.SubElement(root, "Devices")
            for name in self._named(device):
                _add_device(devices, name, name in self._synthetic)
        return _text(root)

    def current(self, device: str | None = None) -> bytes:
        """The newest observation of everything."""
        with self._lock:
            names = self._named(device)
            found = [o for (name, _), known in self._current.items() if name in names for o in known]
            return self._streams(found, self._next)

    def sample(self, device: str | None = None, start: int | None = None, count: int = 100) -> bytes:
        """Up to so many observations from a number on."""
        with self._lock:
            first = self._buffer[0].seq if self._buffer else self._next
            if not 1 <= count <= MOST_AT_ONCE:
                raise Refused("OUT_OF_RANGE", f"count has to be from 1 to {MOST_AT_ONCE}")
            start = first if start is None else start
            if not first <= start <= self._next:
                raise Refused("OUT_OF_RANGE", f"from has to be from {first} to {self._next}")
            names = self._named(device)
            found = [o for o in self._buffer if o.seq >= start and o.device in names][:count]
            full = len(found) == count
            return self._streams(found, found[-1].seq + 1 if full else self._next)

    def _named(self, device: str | None) -> list[str]:
        if device is None:
            return self._devices
        if device not in self._devices:
            raise Refused("NO_DEVICE", f"there is no device {device[:40]}")
        return [device]

    def _header(self) -> dict[str, str]:
        return {
            "version": VERSION,
            "creationTime": _time(self._clock()),
            "instanceId": str(self._instance),
            "sender": "spindlebell",
            "bufferSize": str(BUFFER),
        }

    def _streams(self, found: Iterable[Observation], following: int) -> bytes:
        first = self._buffer[0].seq if self._buffer else 1
        header = {
            **self._header(),
            "firstSequence": str(first),
            "lastSequence": str(max(1, self._next - 1)),
            "nextSequence": str(following),
        }
        root = _document("MTConnectStreams", STREAMS, header)
        streams = ET.SubElement(root, "Streams")
        by_device: dict[str, list[Observation]] = {}
        for observation in found:
            by_device.setdefault(observation.device, []).append(observation)
        for name, observations in by_device.items():
            stream = ET.SubElement(streams, "DeviceStream", name=name, uuid=_uuid(name))
            for component in COMPONENTS:
                own = [o for o in observations if o.item.component == component]
                if own:
                    _add_component_stream(stream, name, component, own)
        return _text(root)


def error(code: str, why: str, clock: Callable[[], float] = time.time) -> bytes:
    """The document that says why a request is refused."""
    header = {
        "version": VERSION,
        "creationTime": _time(clock()),
        "instanceId": "1",
        "sender": "spindlebell",
        "bufferSize": str(BUFFER),
    }
    root = _document("MTConnectError", ERROR, header)
    # In XML 1.0 (2.2) a control character cannot stand, not even escaped: a request may hold one.
    ET.SubElement(ET.SubElement(root, "Errors"), "Error", errorCode=code).text = one_line(why)
    return _text(root)


def _said(spindle: Spindle, item: Item) -> list[tuple[str, str, str]]:
    """Value, native code and text of a data item now; of a condition one for each cause."""
    state = spindle.state if spindle.live else None
    if item.key == "avail":
        return [("AVAILABLE" if state else UNAVAILABLE, "", "")]
    if state is None:
        return [("Unavailable" if item.category == "CONDITION" else UNAVAILABLE, "", "")]
    if item.category == "CONDITION":
        kinds = CONDITIONS[item.key][1]
        causes = [alarm for alarm in state.alarms if alarm.kind in kinds and _counts(alarm, state.held)]
        return [("Fault" if a.severity == "hold" else "Warning", a.kind, a.message) for a in causes] or [
            ("Normal", "", "")
        ]
    if item.key == "parts":
        return [(str(state.blanks_done), "", "")]
    if item.key == "commanded":
        return [(_number(state.commanded_rpm), "", "")]
    if item.key == "speed":
        return [(_number(state.speed_rpm), "", "")]
    hold = state.sag_hold_pct
    load = max(0.0, state.sag_pct) / hold * 100 if state.sag_pct is not None and hold else None
    return [(_number(load), "", "")]


def _counts(alarm: AlarmSaid, held: bool) -> bool:
    """A warning counts while its cause lasts, a hold until it is reset."""
    if alarm.severity == "hold":
        return held
    return alarm.state in ("unacknowledged", "acknowledged")


def _number(value: float | None) -> str:
    return UNAVAILABLE if value is None or not math.isfinite(value) else f"{value:.1f}"


def _time(epoch: float) -> str:
    return datetime.fromtimestamp(epoch, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _uuid(name: str) -> str:
    """The same for the same name, everywhere and always."""
    return str(uuid.uuid5(uuid.NAMESPACE_URL, f"urn:spindlebell:{name}"))


def _id(name: str, what: str) -> str:
    return f"s_{name}_{what}"


def _document(kind: str, namespace: str, header: dict[str, str]) -> ET.Element:
    root = ET.Element(kind, xmlns=namespace)
    ET.SubElement(root, "Header", header)
    return root


def _text(root: ET.Element) -> bytes:
    text: bytes = ET.tostring(root, encoding="UTF-8", xml_declaration=True)
    return text


def _add_device(devices: ET.Element, name: str, synthetic: bool) -> None:
    device = ET.SubElement(devices, "Device", id=_id(name, "dev"), uuid=_uuid(name), name=name)
    heard = f"spindlebell {__version__}: a spindle heard by a microphone. A monitor, not a safety function."
    computed = " SYNTHETIC: every sound is computed, and no machine is connected." if synthetic else ""
    ET.SubElement(device, "Description").text = heard + computed
    _add_items(device, name, "Device")
    components = ET.SubElement(device, "Components")
    axes = ET.SubElement(components, "Axes", id=_id(name, "axes"), name="axes")
    rotary = ET.SubElement(ET.SubElement(axes, "Components"), "Rotary", id=_id(name, "Rotary"), name="S")
    _add_items(rotary, name, "Rotary")
    controller = ET.SubElement(components, "Controller", id=_id(name, "Controller"), name="monitor")
    _add_items(controller, name, "Controller")


def _add_items(element: ET.Element, name: str, component: str) -> None:
    items = ET.SubElement(element, "DataItems")
    for item in ITEMS:
        if item.component == component:
            written = {"id": _id(name, item.key), "category": item.category, "type": item.type}
            written |= {"subType": item.subtype} if item.subtype else {}
            written |= {"units": item.units} if item.units else {}
            ET.SubElement(items, "DataItem", written)


def _add_component_stream(
    stream: ET.Element, name: str, component: str, observations: list[Observation]
) -> None:
    own = {"Device": (name, "dev"), "Rotary": ("S", "Rotary"), "Controller": ("monitor", "Controller")}
    shown, key = own[component]
    element = ET.SubElement(
        stream, "ComponentStream", component=component, name=shown, componentId=_id(name, key)
    )
    for category, box in (("SAMPLE", "Samples"), ("EVENT", "Events"), ("CONDITION", "Condition")):
        those = [o for o in observations if o.item.category == category]
        if those:
            into = ET.SubElement(element, box)
            for observation in those:
                _add_observation(into, name, observation)


def _add_observation(into: ET.Element, name: str, observation: Observation) -> None:
    item = observation.item
    written = {
        "dataItemId": _id(name, item.key),
        "timestamp": observation.at,
        "sequence": str(observation.seq),
    }
    if item.category == "CONDITION":
        written["type"] = item.type
        written |= {"nativeCode": observation.code} if observation.code else {}
        ET.SubElement(into, observation.value, written).text = observation.text or None
    else:
        written |= {"subType": item.subtype} if item.subtype else {}
        tag = "".join(part.capitalize() for part in item.type.split("_"))
        ET.SubElement(into, tag, written).text = observation.value
