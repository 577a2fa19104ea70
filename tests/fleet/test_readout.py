"""Read-outs for other software: OpenMetrics by its reference parser, MTConnect by the names of its schemas.

Names of types, subtypes, units and attributes: MTConnectDevices_1.4.xsd and MTConnectStreams_1.4.xsd of
ANSI/MTC1.4, read in a stored copy of the institute's schemas; what a Streams header and a ComponentStream
hold is from memory of part 3.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any
from xml.etree import ElementTree as ET

import pytest
from hypothesis import given
from hypothesis import strategies as st
from prometheus_client.openmetrics.parser import text_string_to_metric_families
from starlette.testclient import TestClient

from dashboard.entry import TRIES, Entry
from dashboard.fleet.mtconnect import BUFFER, DEVICES, ERROR, STREAMS, Agent
from dashboard.fleet.openmetrics import openmetrics
from dashboard.fleet.page import create_shop_app
from dashboard.fleet.shop import STALE_S, ShopState
from dashboard.fleet.words import Presence, State
from tests.dashboard.test_app import HERE, SAME
from tests.dashboard.test_entry import KEYS
from tests.fleet.states import WARNING, alarm, state

D, S = f"{{{DEVICES}}}", f"{{{STREAMS}}}"


class Clocks:
    day, passed = 1_764_000_000.0, 50.0


@pytest.fixture
def clocks() -> Clocks:
    return Clocks()


@pytest.fixture
def shop(clocks: Clocks) -> ShopState:
    shop = ShopState(lambda: clocks.day, lambda: clocks.passed)
    shop.broker(True)
    shop.take_state("lathe-1", state("ALL WELL"), False)
    shop.take_state("lathe-2", state("HELD", alarms=[alarm("sag", "hold")]), False)
    shop.take_state("lathe-3", state("ALL WELL"), True)
    return shop


@pytest.fixture
def client(shop: ShopState) -> Iterator[TestClient]:
    with TestClient(create_shop_app(shop), base_url=HERE) as client:
        yield client


# ---- OpenMetrics


def samples(text: str) -> dict[tuple[str, str], float]:
    """By name and spindle, what the reference parser makes of the text."""
    return {
        (sample.name, sample.labels.get("spindle", "")): sample.value
        for family in text_string_to_metric_families(text)
        for sample in family.samples
        if "spindlebell_word" not in sample.labels
    }


def test_metrics_are_openmetrics(client: TestClient) -> None:
    answer = client.get("/metrics")
    assert answer.headers["content-type"].startswith("application/openmetrics-text; version=1.0.0")
    told = samples(answer.text)
    assert told["spindlebell_up", "lathe-1"] == 1
    assert told["spindlebell_up", "lathe-3"] == 0
    assert told["spindlebell_held", "lathe-2"] == 1
    assert told["spindlebell_sag_ratio", "lathe-2"] == pytest.approx(0.087)
    assert told["spindlebell_sag_hold_ratio", "lathe-2"] == pytest.approx(0.08)
    assert told["spindlebell_speed_revolutions_per_minute", "lathe-1"] == 894.6
    assert ("spindlebell_speed_revolutions_per_minute", "lathe-3") not in told  # not heard live
    words = next(f for f in text_string_to_metric_families(answer.text) if f.name == "spindlebell_word")
    said = {(s.labels["spindle"], s.labels["spindlebell_word"]) for s in words.samples if s.value}
    assert said == {("lathe-1", "ALL WELL"), ("lathe-2", "HELD"), ("lathe-3", "NO DATA")}


@given(st.text(max_size=50), st.one_of(st.none(), st.floats(-1e9, 1e9)))
def test_any_name_of_a_job_and_any_number_can_be_parsed(job: str, value: float | None) -> None:
    shop = ShopState()
    shop.broker(True)
    said = state("ALL WELL").model_dump() | {"job": job[:200], "sag_pct": value, "speed_rpm": value}
    shop.take_state("a", State.model_validate(said), False)
    told = samples(openmetrics(shop.spindles())[0].decode())
    assert told.get(("spindlebell_sag_ratio", "a")) == (
        pytest.approx(value / 100) if value is not None else None
    )


# ---- MTConnect


def parsed(content: bytes) -> ET.Element:
    return ET.fromstring(content)


def test_probe_names_each_spindle_as_the_standard_does(client: TestClient) -> None:
    answer = client.get("/probe")
    assert answer.headers["content-type"].startswith("text/xml")
    root = parsed(answer.content)
    assert root.tag == f"{D}MTConnectDevices"
    header = root.find(f"{D}Header")
    assert header is not None
    required = {
        "version",
        "creationTime",
        "instanceId",
        "sender",
        "bufferSize",
        "assetBufferSize",
        "assetCount",
    }
    assert required <= set(header.attrib)
    devices = root.findall(f"{D}Devices/{D}Device")
    assert [device.get("name") for device in devices] == ["lathe-1", "lathe-2", "lathe-3"]
    assert all({"id", "uuid", "name"} <= set(device.attrib) for device in devices)
    ids = [e.get("id") for e in root.iter() if e.get("id")]
    assert len(ids) == len(set(ids))
    rotary = devices[0].find(f".//{D}Axes/{D}Components/{D}Rotary")
    assert rotary is not None
    items = {
        (i.get("category"), i.get("type"), i.get("subType"), i.get("units"))
        for i in rotary.iter(f"{D}DataItem")
    }
    assert items == {
        ("SAMPLE", "ROTARY_VELOCITY", "ACTUAL", "REVOLUTION/MINUTE"),
        ("SAMPLE", "ROTARY_VELOCITY", "COMMANDED", "REVOLUTION/MINUTE"),
        ("SAMPLE", "LOAD", None, "PERCENT"),
        ("CONDITION", "LOAD", None, None),
        ("CONDITION", "VIBRATION", None, None),
        ("CONDITION", "HARDWARE", None, None),
    }
    # SPINDLE_SPEED is deprecated in favour of ROTARY_VELOCITY.
    assert b"SPINDLE_SPEED" not in answer.content


def stream(client: TestClient, path: str = "/lathe-2/current") -> ET.Element:
    root = parsed(client.get(path).content)
    assert root.tag == f"{S}MTConnectStreams"
    return root


def test_a_synthetic_spindle_is_never_told_as_a_real_one(client: TestClient, shop: ShopState) -> None:
    assert b"SYNTHETIC" not in client.get("/probe").content
    shop.take_state("lathe-1", state("ALL WELL", synthetic=True), False)
    assert b"SYNTHETIC" in client.get("/lathe-1/probe").content
    families = text_string_to_metric_families(client.get("/metrics").text)
    (info,) = (f for f in families if f.name == "spindlebell_job")
    said = {s.labels["spindle"]: s.labels["synthetic"] for s in info.samples}
    assert said == {"lathe-1": "true", "lathe-2": "false"}


def test_current_tells_speed_load_and_a_fault(client: TestClient) -> None:
    root = stream(client)
    header = root.find(f"{S}Header")
    assert header is not None
    assert {"firstSequence", "lastSequence", "nextSequence", "bufferSize", "instanceId"} <= set(header.attrib)
    (device,) = root.findall(f"{S}Streams/{S}DeviceStream")
    assert device.get("name") == "lathe-2"
    speeds = {e.get("subType"): e.text for e in device.iter(f"{S}RotaryVelocity")}
    assert speeds == {"ACTUAL": "894.6", "COMMANDED": "900.0"}
    (load,) = device.iter(f"{S}Load")
    assert float(load.text or "") == pytest.approx(108.75, abs=0.051)  # 8.7 % sag, of the 8 % that hold
    (fault,) = device.iter(f"{S}Fault")
    assert (fault.get("type"), fault.get("nativeCode")) == ("LOAD", "sag")
    assert "binding" in (fault.text or "")
    assert {e.get("type") for e in device.iter(f"{S}Normal")} == {"VIBRATION", "HARDWARE", "SYSTEM"}
    for component in device.iter(f"{S}ComponentStream"):
        assert {"component", "componentId"} <= set(component.attrib)
        order = [box.tag.removeprefix(S) for box in component]
        assert order == [box for box in ("Samples", "Events", "Condition") if box in order]
    probed = parsed(client.get("/probe").content)
    known = {i.get("id") for i in probed.iter(f"{D}DataItem")}
    assert {e.get("dataItemId") for e in root.iter() if e.get("dataItemId")} <= known


def test_a_warning_is_a_warning_and_a_hold_stays_a_fault_until_it_is_reset(
    client: TestClient, shop: ShopState
) -> None:
    def levels() -> list[str]:
        root = stream(client)
        return [e.tag.removeprefix(S) for e in root.iter() if e.get("type") == "LOAD"]

    gone = alarm("sag", "hold", "returned to normal unacknowledged")
    shop.take_state("lathe-2", state("HELD", alarms=[gone]), False)
    assert levels() == ["Fault"]  # the cause has gone, the hold has not
    shop.take_state("lathe-2", state("LOOK", alarms=[gone]), False)
    assert levels() == ["Normal"]
    seen = alarm("packing", "warning", "acknowledged", WARNING)
    shop.take_state("lathe-2", state("LOOK", alarms=[seen, alarm("sag", "warning")]), False)
    assert levels() == ["Warning", "Warning"]
    shop.take_state("lathe-2", state("ALL WELL"), False)
    assert levels() == ["Normal"]


def test_what_is_not_heard_is_unavailable(client: TestClient, shop: ShopState, clocks: Clocks) -> None:
    for path in ("/lathe-3/current", "/lathe-1/current"):
        if path == "/lathe-1/current":
            clocks.passed += STALE_S + 1
        root = stream(client, path)
        (available,) = root.iter(f"{S}Availability")
        assert available.text == "UNAVAILABLE"
        assert {e.text for e in root.iter(f"{S}RotaryVelocity")} == {"UNAVAILABLE"}
        assert len(list(root.iter(f"{S}Unavailable"))) == 4
        assert not list(root.iter(f"{S}Normal"))


def test_sample_goes_on_from_where_the_last_one_ended(client: TestClient, shop: ShopState) -> None:
    def sample(query: str) -> tuple[list[int], int]:
        root = stream(client, f"/lathe-1/sample{query}")
        header = root.find(f"{S}Header")
        assert header is not None
        numbers = [int(e.get("sequence") or 0) for e in root.iter() if e.get("sequence")]
        return sorted(numbers), int(header.attrib["nextSequence"])

    seen, following = sample("?count=3")
    assert len(seen) == 3
    rest, following = sample(f"?from={following}&count=1000")
    assert not set(seen) & set(rest)
    assert sample(f"?from={following}") == ([], following)
    shop.take_state("lathe-1", state("ALL WELL", sag_pct=2.0), False)
    new, _ = sample(f"?from={following}")
    assert new == [following]


@pytest.mark.parametrize(
    ("path", "status", "code"),
    [
        ("/nobody/current", 404, "NO_DEVICE"),
        ("/sample?from=0", 400, "OUT_OF_RANGE"),
        ("/sample?from=99999999", 400, "OUT_OF_RANGE"),
        ("/sample?count=0", 400, "OUT_OF_RANGE"),
        ("/sample?count=999999", 400, "OUT_OF_RANGE"),
        ("/sample?from=x", 400, "INVALID_REQUEST"),
        ("/sample?interval=100", 400, "UNSUPPORTED"),
        ("/current?path=//Axes", 400, "UNSUPPORTED"),
        ("/current?at=3", 400, "UNSUPPORTED"),
        ("/current?what=3", 400, "INVALID_REQUEST"),
        ("/%00%01%1b%ef%bf%be%ff/probe", 404, "NO_DEVICE"),  # what no XML may hold
        ("/probe?%00%01%0b=1", 400, "INVALID_REQUEST"),
    ],
)
def test_what_cannot_be_answered_is_refused_as_the_standard_says(
    client: TestClient, path: str, status: int, code: str
) -> None:
    answer = client.get(path)
    assert answer.status_code == status
    (error,) = parsed(answer.content).iter(f"{{{ERROR}}}Error")
    assert error.get("errorCode") == code


def test_the_buffer_is_bounded(shop: ShopState) -> None:
    agent = Agent(shop)
    for i in range(BUFFER // 2 + 100):
        shop.take_state("lathe-1", state("ALL WELL", speed_rpm=float(i), sag_pct=float(i % 7)), False)
    header = parsed(agent.current()).find(f"{S}Header")
    assert header is not None
    first, last = int(header.attrib["firstSequence"]), int(header.attrib["lastSequence"])
    assert last - first + 1 == BUFFER
    assert len(agent.sample(count=10_000)) > 0


@given(st.text(max_size=80))
def test_any_sentence_makes_a_document(sentence: str) -> None:
    shop = ShopState()
    shop.broker(True)
    said = state("HELD").model_dump() | {
        "alarms": [alarm("sag", "hold").model_dump() | {"message": sentence}]
    }
    shop.take_state("a", State.model_validate(said), False)
    (fault,) = parsed(Agent(shop).current()).iter(f"{S}Fault")
    assert "\x00" not in (fault.text or "")


# ---- who may read, and that nothing can be changed


@pytest.fixture
def network(shop: ShopState) -> Iterator[TestClient]:
    with TestClient(create_shop_app(shop, entry=Entry(KEYS)), base_url=HERE) as client:
        yield client


READOUTS = ("/metrics", "/probe", "/current", "/sample", "/api/state")


def bearer(token: str) -> dict[str, str]:
    return {"authorization": f"Bearer {token}"}


@pytest.mark.parametrize("path", READOUTS)
def test_on_a_network_a_program_shows_a_token(network: TestClient, path: str) -> None:
    assert network.get(path).status_code == 401
    assert network.get(path, headers=bearer("guessed" * 5)).status_code == 401
    assert network.get(path, headers={"authorization": f"Basic {KEYS.watch}"}).status_code == 401
    assert network.get(path, headers=bearer(KEYS.watch)).status_code == 200
    assert network.get(path, headers=bearer(KEYS.operate)).status_code == 200


def test_guessing_tokens_is_stopped_and_a_token_in_a_header_never_operates(shop: ShopState) -> None:
    entry = Entry(KEYS)
    assert entry.reader(KEYS.operate, "there") == entry.reader(KEYS.watch, "there")
    for i in range(TRIES):
        assert entry.reader(f"guess {i}", "there") is None
    assert entry.reader(KEYS.watch, "there") is None
    assert entry.reader(KEYS.watch, "elsewhere") is not None


def test_the_shop_can_change_nothing(client: TestClient, network: TestClient, shop: ShopState) -> None:
    schema: dict[str, Any] = client.get("/api/openapi.json").json()
    changing = {
        (method, path) for path, methods in schema["paths"].items() for method in methods if method != "get"
    }
    assert changing == {("post", "/api/session"), ("post", "/api/session/end")}
    for path in ("/api/hold", "/api/reset/begin", "/api/reset/end", "/api/acknowledge", "/api/limits"):
        assert client.post(path, json={}, headers=SAME).status_code in (404, 405)
    with client.websocket_connect("ws://127.0.0.1:8765/api/live", headers=SAME) as socket:
        socket.send_text('{"reset": true}')
        assert socket.receive_json()["spindles"]
    assert shop.spindles()[1].word == "HELD"


def test_a_lost_monitor_goes_on_being_read_as_lost(client: TestClient, shop: ShopState) -> None:
    shop.take_presence("lathe-1", Presence.model_validate({"here": "lost", "run": "ab"}))
    assert samples(client.get("/metrics").text)["spindlebell_up", "lathe-1"] == 0
