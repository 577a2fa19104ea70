"""The server: what it serves, to whom, and what it refuses."""

from __future__ import annotations

import io
import json
import re
import time
import wave
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from starlette.testclient import TestClient
from starlette.websockets import WebSocketDisconnect

from dashboard.access import MAX_BODY_BYTES, Presses
from dashboard.app import create_app
from dashboard.band import Word
from dashboard.sound import SoundMemory
from monitor.measurements import Kind
from tests.dashboard.shop import Shop, hold, warning

HERE = "http://127.0.0.1:8765"
LIVE = "ws://127.0.0.1:8765/api/live"
SAME = {"origin": HERE}
PAGE = Path(__file__).parents[2] / "dashboard" / "page"


class Clock:
    now = 100.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def shop() -> Shop:
    shop = Shop()
    shop.work(3)
    return shop


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def client(shop: Shop, clock: Clock) -> Iterator[TestClient]:
    app = create_app(shop.live, shop, sound=SoundMemory(8000), presses=Presses(clock))
    with TestClient(app, base_url=HERE) as client:
        yield client


def test_the_page_and_all_its_parts_are_served(client: TestClient) -> None:
    page = client.get("/")
    assert page.headers["content-type"].startswith("text/html")
    named = re.findall(r'(?:href|src)="(/page/[^"]+)"', page.text)
    named += re.findall(r'(?:href|src)="(/page/[^"]+)"', (PAGE / "shop.html").read_text("utf-8"))
    for path in named:
        assert client.get(path).status_code == 200
    scripts = {f"/page/{file.name}" for file in PAGE.glob("*.js")}
    assert scripts <= set(named)  # each asked for at once, not one after the other
    for path in scripts:
        assert client.get(path).headers["content-type"] == "text/javascript; charset=utf-8"
    for word in Word:
        name = word.value.lower().replace(" ", "-").removeprefix("all-")
        assert client.get(f"/page/icon-{name}.svg").status_code == 200


def test_the_page_asks_nothing_of_the_outside_and_has_no_inline_script(client: TestClient) -> None:
    page = client.get("/").text
    policy = client.get("/").headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert "frame-ancestors 'none'" in policy
    assert "http://" not in page.replace("http://www.w3.org/2000/svg", "")
    assert "https://" not in page
    assert "style=" not in page
    assert "onclick" not in page
    assert page.count("<script") == page.count("<script src=")


def test_a_part_that_has_not_changed_is_not_sent_again(client: TestClient) -> None:
    first = client.get("/page/main.js")
    assert first.headers["content-encoding"] == "gzip"
    plain = client.get("/page/main.js", headers={"accept-encoding": "identity"})
    assert plain.text == first.text == (PAGE / "main.js").read_text("utf-8")
    again = client.get("/page/main.js", headers={"if-none-match": first.headers["etag"]})
    assert (again.status_code, again.content) == (304, b"")


@pytest.mark.parametrize(
    "path",
    [
        "/page/../app.py",
        "/page/%2e%2e/app.py",
        "/page/..%2fapp.py",
        "/page//etc/passwd",
        "/page/main.js%00",
        "/page/",
        "/page/uplot/",
        "/page/uplot/../../live.py",
        "/docs",
        "/redoc",
        "/api/clips",
    ],
)
def test_nothing_else_is_served(client: TestClient, path: str) -> None:
    assert client.get(path).status_code == 404


@pytest.mark.parametrize("host", ["evil.example", "evil.example:8765", "localhost.evil.example"])
def test_a_name_that_is_not_ours_gets_nothing(client: TestClient, host: str) -> None:
    for path in ("/", "/api/state", "/api/sound.wav"):
        assert client.get(path, headers={"host": host}).status_code == 403
    rebound = {"host": host, "origin": f"http://{host}"}
    assert client.post("/api/acknowledge", headers=rebound).status_code == 403
    with (
        pytest.raises(WebSocketDisconnect) as refused,
        client.websocket_connect(LIVE, headers=rebound),
    ):
        pass
    assert refused.value.code == 1008


@pytest.mark.parametrize(
    "origin", [None, "null", "http://evil.example", "http://127.0.0.1:9", "https://127.0.0.1:8765"]
)
def test_another_page_can_change_nothing_and_watch_nothing(
    client: TestClient, shop: Shop, origin: str | None
) -> None:
    shop.work(1, hold(4))
    headers = {"origin": origin} if origin else {}
    for path, body in [
        ("/api/acknowledge", None),
        ("/api/reset/begin", {"hold": 1}),
        ("/api/reset/end", {"press": "x"}),
    ]:
        assert client.post(path, json=body, headers=headers).status_code == 403
    with (
        pytest.raises(WebSocketDisconnect) as refused,
        client.websocket_connect(LIVE, headers=headers),
    ):
        pass
    assert refused.value.code == 1008
    assert shop.board.held


def test_watching_gives_the_whole_and_then_what_is_new(client: TestClient, shop: Shop) -> None:
    with client.websocket_connect(LIVE, headers=SAME) as socket:
        first = json.loads(socket.receive_text())
        assert first["fresh"]
        assert len(first["rows"]) == 60
        assert first["job"]["synthetic"]
        shop.work(0.1, warning(3.1))
        later = json.loads(socket.receive_text())
        while not later["rows"]:
            later = json.loads(socket.receive_text())
        assert not later["fresh"]
        assert "job" not in later
        assert [row[0] for row in later["rows"]] == [3.0, 3.05]
        assert later["events"][0]["kind"] == "sag"
        assert later["state"]["word"] == "LOOK"


def test_a_page_that_comes_back_gets_what_it_missed(client: TestClient, shop: Shop) -> None:
    with client.websocket_connect(LIVE, headers=SAME) as socket:
        seen = json.loads(socket.receive_text())
    shop.work(1)
    rows, events, columns = seen["cursor"]
    address = f"{LIVE}?run={seen['run']}&rows={rows}&events={events}&columns={columns}"
    with client.websocket_connect(address, headers=SAME) as socket:
        missed = json.loads(socket.receive_text())
    assert not missed["fresh"]
    assert len(missed["rows"]) == 20


def test_with_nothing_new_the_server_still_says_that_it_is_there(client: TestClient) -> None:
    with client.websocket_connect(LIVE, headers=SAME) as socket:
        socket.receive_text()
        began = time.monotonic()
        beat = json.loads(socket.receive_text())
    assert time.monotonic() - began < 1.2  # the page calls the data lost after 1.5 s
    assert beat["rows"] == []


def test_the_server_sends_at_most_20_messages_a_second(client: TestClient, shop: Shop) -> None:
    with client.websocket_connect(LIVE, headers=SAME) as socket, shop.busy():
        socket.receive_text()
        began = time.monotonic()
        for _ in range(20):
            socket.receive_text()
        assert time.monotonic() - began > 0.9


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(said=st.lists(st.one_of(st.text(max_size=200), st.binary(max_size=200)), max_size=5))
def test_what_a_watcher_says_changes_nothing(client: TestClient, shop: Shop, said: list[str | bytes]) -> None:
    with client.websocket_connect(LIVE, headers=SAME) as socket:
        for words in said:
            if isinstance(words, str):
                socket.send_text(words)
            else:
                socket.send_bytes(words)
        assert len(json.loads(socket.receive_text())["rows"]) == 60
        shop.live.note("Something changed.")
        assert json.loads(socket.receive_text())["rows"] == []


@pytest.mark.parametrize(
    "query", ["rows=-1", "rows=x", "events=1e9", "rows=99999999999999999999", "run=" + "a" * 99]
)
def test_a_cursor_that_cannot_be_is_refused(client: TestClient, query: str) -> None:
    with pytest.raises(WebSocketDisconnect), client.websocket_connect(f"{LIVE}?{query}", headers=SAME):
        pass


def test_acknowledge(client: TestClient, shop: Shop) -> None:
    shop.work(1, warning(4), active=[Kind.SAG])
    assert client.post("/api/acknowledge", headers=SAME).json() == {"done": True}
    assert client.get("/api/state").json()["state"]["unacknowledged"] == 0
    assert client.get("/api/state").json()["state"]["word"] == "LOOK"


def begin(client: TestClient, number: int = 1) -> str:
    press: str = client.post("/api/reset/begin", json={"hold": number}, headers=SAME).json()["press"]
    return press


def end(client: TestClient, press: str) -> tuple[int, str]:
    answer = client.post("/api/reset/end", json={"press": press}, headers=SAME)
    return answer.status_code, answer.json().get("detail", "")


def test_a_reset_ends_the_hold_when_the_press_was_kept(client: TestClient, shop: Shop, clock: Clock) -> None:
    shop.work(1, hold(4))
    press = begin(client)
    clock.now += 1.6
    assert end(client, press) == (200, "")
    assert not shop.board.held
    assert shop.resets == ["dashboard at testclient"]


def test_a_tap_is_no_reset(client: TestClient, shop: Shop, clock: Clock) -> None:
    shop.work(1, hold(4))
    press = begin(client)
    clock.now += 0.4
    assert end(client, press) == (409, "Reset was pressed for 0.4 s; keep it pressed for 1.5 s.")
    clock.now += 5
    assert end(client, press)[0] == 409  # and it does not ripen
    assert shop.board.held


def test_a_press_begun_on_one_hold_does_not_end_the_next(
    client: TestClient, shop: Shop, clock: Clock
) -> None:
    shop.work(1, hold(4))
    press = begin(client)
    shop.reset("someone at the machine")
    shop.work(1, hold(5))
    clock.now += 1.6
    assert end(client, press)[0] == 409
    assert shop.board.held


def test_no_reset_while_the_cause_lasts(client: TestClient, shop: Shop, clock: Clock) -> None:
    shop.work(1, hold(4), active=[Kind.SAG])
    press = begin(client)
    clock.now += 1.6
    status, why = end(client, press)
    assert status == 409
    assert "still there (sag)" in why
    assert shop.board.held


@pytest.mark.parametrize("number", [0, 2, -1, 2**60, "1; DROP", None])
def test_a_reset_has_to_name_the_hold(client: TestClient, shop: Shop, number: object) -> None:
    shop.work(1, hold(4))
    answer = client.post("/api/reset/begin", json={"hold": number}, headers=SAME)
    assert answer.status_code in (409, 422)
    assert shop.board.held


@pytest.mark.parametrize("declared", [True, False])
def test_a_body_too_long_is_refused(client: TestClient, shop: Shop, declared: bool) -> None:
    shop.work(1, hold(4))
    body = b'{"hold": 1, "x": "' + b"a" * MAX_BODY_BYTES + b'"}'
    headers = SAME | {"content-type": "application/json"}
    if declared:
        assert client.post("/api/reset/begin", content=body, headers=headers).status_code == 403
    else:
        parts = iter([body[:3000], body[3000:]])
        assert client.post("/api/reset/begin", content=parts, headers=headers).status_code >= 400


def test_the_last_seconds_can_be_heard(shop: Shop) -> None:
    sound = SoundMemory(8000)
    x = 0.5 * np.sin(np.arange(4000)).astype(np.float32)
    sound.take(x)
    client = TestClient(create_app(shop.live, shop, sound=sound), base_url=HERE)
    assert client.get("/api/hold.wav").status_code == 404
    with wave.open(io.BytesIO(client.get("/api/sound.wav").content)) as file:
        assert (file.getframerate(), file.getnchannels(), file.getnframes()) == (8000, 1, 4000)
        heard = np.frombuffer(file.readframes(4000), "<i2")
    assert np.abs(heard / 32767 - x).max() < 1e-4
    assert client.get("/api/state").json()["can_listen"]


def test_without_sound_there_is_nothing_to_listen_to(shop: Shop) -> None:
    client = TestClient(create_app(shop.live, shop), base_url=HERE)
    assert client.get("/api/sound.wav").status_code == 404
    assert not client.get("/api/state").json()["can_listen"]
