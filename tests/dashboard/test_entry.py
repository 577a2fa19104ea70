"""Coming in from the network: tokens, sessions, rights, and how often a wrong token may be tried."""

from __future__ import annotations

import itertools
import json
import stat
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from starlette.testclient import TestClient
from starlette.websockets import WebSocketDisconnect

from dashboard.app import create_app
from dashboard.entry import (
    COOKIE,
    MAX_CLIENTS,
    SESSION_S,
    TRIES,
    Entry,
    Keys,
    Right,
    TooManyTries,
    entry_for,
    invitation,
    keys_path,
    load_keys,
)
from monitor.errors import InputError
from tests.dashboard.shop import Shop, hold
from tests.dashboard.test_app import HERE, LIVE, SAME

KEYS = Keys("w" * 27, "o" * 27, "s" * 27)


class Clock:
    now = 1_000_000.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def entry(clock: Clock) -> Entry:
    return Entry(KEYS, clock)


# ---- the keys


def test_the_keys_are_made_once_and_only_their_owner_reads_them(tmp_path: Path) -> None:
    path = tmp_path / "settings" / "keys.json"
    keys = load_keys(path)
    assert load_keys(path) == keys
    assert len({keys.watch, keys.operate, keys.signing}) == 3
    assert all(len(key) >= 27 for key in (keys.watch, keys.operate, keys.signing))  # 160 bits
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert stat.S_IMODE(path.parent.stat().st_mode) == 0o700
    assert load_keys(tmp_path / "other.json") != keys


@pytest.mark.parametrize(
    "text", ["", "{}", "[]", "null", '{"watch": "", "operate": "", "signing": ""}', "\0"]
)
def test_a_spoilt_keys_file_is_said_in_one_line(tmp_path: Path, text: str) -> None:
    path = tmp_path / "keys.json"
    path.write_text(text)
    path.chmod(0o600)
    with pytest.raises(InputError, match="delete it, and new keys are made"):
        load_keys(path)


def test_a_place_that_cannot_be_written_is_said(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(InputError, match=r"keys\.json: the page's keys cannot be kept there"):
        load_keys(tmp_path / "file" / "keys.json")


def test_loopback_asks_for_nothing_and_a_network_for_a_token(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    assert entry_for("127.0.0.1") is None
    assert entry_for("::1") is None
    assert not keys_path().exists()
    entry = entry_for("0.0.0.0")
    assert entry is not None
    assert keys_path() == tmp_path / "spindlebell" / "keys.json"
    text = "\n".join(invitation("http://192.168.1.5:8765/", entry, qr=False))
    assert f"http://192.168.1.5:8765/#enter={entry.keys.watch}" in text
    assert f"http://192.168.1.5:8765/#enter={entry.keys.operate}" in text
    assert entry.keys.signing not in text
    assert "network that you trust" in text.replace("\n", " ")
    assert "▀" not in text
    assert "▀" in "\n".join(invitation("http://192.168.1.5:8765/", entry, qr=True))


def test_the_journal_shows_no_token(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    monkeypatch.setenv("JOURNAL_STREAM", "8:1234")
    entry = entry_for("0.0.0.0")
    assert entry is not None
    for _ in range(2):  # the second start writes it anew
        text = "\n".join(invitation("http://192.168.1.5:8765/", entry, qr=False))
        assert entry.keys.watch not in text
        assert entry.keys.operate not in text
        path = tmp_path / "spindlebell" / "links-8765.txt"
        assert str(path) in text
        assert stat.S_IMODE(path.stat().st_mode) == 0o600
        assert f"http://192.168.1.5:8765/#enter={entry.keys.operate}" in path.read_text("utf-8")
        path.chmod(0o644)


# ---- sessions


@pytest.mark.parametrize(("token", "right"), [(KEYS.watch, Right.WATCH), (KEYS.operate, Right.OPERATE)])
def test_a_token_is_traded_for_a_session_that_ends(
    entry: Entry, clock: Clock, token: str, right: Right
) -> None:
    admitted = entry.admit(token, "here")
    assert admitted is not None
    cookie, visitor = admitted
    assert (visitor.right, visitor.until) == (right, clock.now + SESSION_S)
    assert token not in cookie
    clock.now += SESSION_S - 1
    assert entry.visitor(cookie) == visitor
    assert Entry(KEYS, clock).visitor(cookie) == visitor  # the server was restarted
    assert Entry(Keys(KEYS.watch, KEYS.operate, "x" * 27), clock).visitor(cookie) is None
    clock.now += 1
    assert entry.visitor(cookie) is None


@given(cookie=st.text(max_size=200))
def test_no_made_up_cookie_comes_in(cookie: str) -> None:
    assert Entry(KEYS).visitor(cookie) is None


def test_a_cookie_that_was_changed_does_not_come_in(entry: Entry) -> None:
    admitted = entry.admit(KEYS.watch, "here")
    assert admitted is not None
    cookie = admitted[0]
    for i, letter in itertools.product(range(len(cookie)), "A9_"):
        changed = cookie[:i] + letter + cookie[i + 1 :]
        visitor = entry.visitor(changed)
        # the last letter of a base64 text may hold bits that count for nothing
        assert changed == cookie or visitor is None or visitor.right is Right.WATCH


@given(token=st.text(max_size=300))
def test_no_guessed_token_comes_in(token: str) -> None:
    assert Entry(KEYS).admit(token, "here") is None


def test_tries_are_few_from_one_place_and_keep_nobody_else_out(entry: Entry, clock: Clock) -> None:
    for _ in range(TRIES):
        assert entry.admit("guess", "there") is None
    with pytest.raises(TooManyTries):
        entry.admit(KEYS.operate, "there")  # not even the right one, for a while
    assert entry.admit(KEYS.operate, "here") is not None  # nobody else is kept out
    clock.now += 61
    assert entry.admit(KEYS.operate, "there") is not None
    for _ in range(TRIES):
        entry.admit("guess", "there")
    with pytest.raises(TooManyTries) as refused:
        entry.admit("guess", "there")
    assert 1 <= refused.value.wait_s <= 60
    for i in range(2 * MAX_CLIENTS):  # from as many places as there are: nothing piles up
        assert entry.admit("guess", f"there {i}") is None
    assert entry.admit(KEYS.operate, "here") is not None
    assert entry.reader(KEYS.watch, "there 1999") is not None
    assert len(entry._wrong) == MAX_CLIENTS


def test_keys_that_others_may_read_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "keys.json"
    keys = load_keys(path)
    for mode in (0o640, 0o604, 0o620):
        path.chmod(mode)
        with pytest.raises(InputError, match="others may read these keys"):
            load_keys(path)
    path.chmod(0o400)
    assert load_keys(path) == keys


# ---- over HTTP


@pytest.fixture
def shop() -> Shop:
    shop = Shop()
    shop.work(3)
    return shop


@pytest.fixture
def client(shop: Shop, entry: Entry) -> Iterator[TestClient]:
    with TestClient(create_app(shop.live, shop, entry=entry), base_url=HERE) as client:
        yield client


def come_in(client: TestClient, token: str) -> None:
    assert client.post("/api/session", json={"token": token}, headers=SAME).status_code == 200


def test_without_a_session_there_is_the_page_and_nothing_else(client: TestClient, shop: Shop) -> None:
    assert client.get("/").status_code == 200
    assert client.get("/page/main.js").status_code == 200
    assert client.get("/api/session").json() == {"right": None, "until": None, "live": True, "past": False}
    for path in ("/api/state", "/api/openapi.json", "/api/batches", "/api/events/1", "/nothing"):
        assert client.get(path).status_code == 401
    for path in ("/api/hold", "/api/acknowledge", "/api/reset/begin", "/api/limits", "/api/drill"):
        assert client.post(path, json={}, headers=SAME).status_code == 401
    with pytest.raises(WebSocketDisconnect), client.websocket_connect(LIVE, headers=SAME):
        pass
    assert not shop.board.held


def test_a_watcher_watches_and_may_hold_but_not_reset(client: TestClient, shop: Shop) -> None:
    come_in(client, KEYS.watch)
    assert client.get("/api/session").json()["right"] == "watch"
    with client.websocket_connect(LIVE, headers=SAME) as socket:
        assert json.loads(socket.receive_text())["fresh"]
    for path in (
        "/api/acknowledge",
        "/api/reset/begin",
        "/api/reset/end",
        "/api/limits",
        "/api/drill",
        "/api/events/1/verdict",
    ):
        assert client.post(path, json={}, headers=SAME).status_code == 403
    assert client.post("/api/hold", json={}, headers=SAME).status_code == 200
    assert shop.board.held


def test_an_operator_does_both_and_goes_out(client: TestClient, shop: Shop) -> None:
    shop.work(1, hold(4))
    come_in(client, KEYS.operate)
    assert client.post("/api/acknowledge", headers=SAME).status_code == 200
    limits = {"warning_pct": 3, "hold_pct": 6}
    assert client.post("/api/limits", json=limits, headers=SAME).status_code == 200
    assert shop.limits == [(3, 6, "dashboard at testclient")]
    assert client.post("/api/drill", headers=SAME).status_code == 200
    told = client.get("/api/state").json()["events"][-1]
    assert (told["kind"], told["message"]) == (
        "new_drill",
        "A new or sharpened drill (dashboard at testclient).",
    )
    assert client.post("/api/session/end", headers=SAME).status_code == 200
    assert client.get("/api/state").status_code == 401


def test_the_cookie_is_out_of_reach_of_scripts_and_of_other_sites(client: TestClient) -> None:
    answer = client.post("/api/session", json={"token": KEYS.watch}, headers=SAME)
    cookie = answer.headers["set-cookie"].lower()
    assert cookie.startswith(f"{COOKIE}=")
    assert {"httponly", "samesite=strict", "path=/", f"max-age={SESSION_S}"} <= set(cookie.split("; "))


def test_a_session_from_another_page_is_refused(client: TestClient) -> None:
    headers = {"origin": "http://evil.example"}
    assert client.post("/api/session", json={"token": KEYS.watch}, headers=headers).status_code == 403


def test_wrong_tokens_are_refused_and_then_not_even_looked_at(client: TestClient) -> None:
    statuses = [
        client.post("/api/session", json={"token": f"guess {i}"}, headers=SAME).status_code
        for i in range(TRIES + 5)
    ]
    assert statuses == [401] * TRIES + [429] * 5
    answer = client.post("/api/session", json={"token": KEYS.watch}, headers=SAME)
    assert answer.status_code == 429
    assert 1 <= int(answer.headers["retry-after"]) <= 60


def test_a_session_that_ends_closes_its_live_connection(shop: Shop) -> None:
    entry = Entry(KEYS, clock := Clock())
    clock.now = 1000.0  # long ago by the clock of the server, which closes what is over
    client = TestClient(create_app(shop.live, shop, entry=entry), base_url=HERE)
    come_in(client, KEYS.watch)
    with client.websocket_connect(LIVE, headers=SAME) as socket:
        socket.receive_text()
        with pytest.raises(WebSocketDisconnect) as closed:
            socket.receive_text()
    assert closed.value.code == 4401
