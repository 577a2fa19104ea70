"""One monitor and a real broker: last will, encryption, passwords, names that clash, a queue that is full."""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
import trustme

from dashboard.fleet.broker import Connection, NotReached, cautions, password_of, tls_of
from dashboard.fleet.receiver import forget, receiving
from dashboard.fleet.shop import ShopState, Spindle
from dashboard.fleet.words import AGAIN, Again, Presence, Record, RecordKind, write
from monitor.errors import InputError
from monitor.station import BrokerChoice
from tests.dashboard.shop import hold, warning
from tests.fleet.brokers import mosquitto, needs_broker
from tests.fleet.monitors import KEEP_ALIVE_S, Monitor, wait_for

ROOT = Path(__file__).parents[2]
PASSWORD = "sawdust and swarf"


@contextmanager
def a_shop(choice: BrokerChoice) -> Iterator[tuple[ShopState, list[Record]]]:
    """A shop's side, and the records that it let through."""
    shop, records = ShopState(), []

    def take(_: str, record: Record) -> None:
        records.append(record)

    with receiving(choice, shop, None, lambda text: None, take, KEEP_ALIVE_S):
        yield shop, records


def the_spindle(shop: ShopState) -> Spindle:
    (spindle,) = shop.spindles()
    return spindle


def is_live(shop: ShopState, word: str = "") -> bool:
    spindles = shop.spindles()
    return bool(spindles) and spindles[0].live and (not word or spindles[0].word == word)


@pytest.fixture
def choice(tmp_path: Path) -> Iterator[BrokerChoice]:
    with mosquitto(tmp_path) as broker:
        yield BrokerChoice(host="127.0.0.1", port=broker.port, name="lathe-1")


# ---- what is seen in the shop


@needs_broker
def test_a_hold_is_seen_and_ended_and_the_end_is_no_loss(choice: BrokerChoice, tmp_path: Path) -> None:
    with a_shop(choice) as (shop, records):
        monitor = Monitor(choice, tmp_path / "outbox.db")
        monitor.publisher.start()
        monitor.work(1.0)
        assert wait_for(lambda: is_live(shop))
        monitor.work(1.0, hold(2.0))
        assert wait_for(lambda: is_live(shop, "HELD"))
        state = the_spindle(shop).state
        assert state is not None
        assert "8.7 % below its free speed" in state.why
        monitor.shop.reset("the button at the machine")
        monitor.work(6.0)
        assert wait_for(lambda: the_spindle(shop).word != "HELD")
        monitor.finish()
        assert wait_for(lambda: the_spindle(shop).ended and not the_spindle(shop).live)
        assert wait_for(lambda: bool(records) and records[-1].body.get("state") == "ended")
    told = [(r.kind, r.body.get("state") or r.body.get("kind") or "") for r in records]
    assert told[0] == (RecordKind.BATCH, "begun")
    assert (RecordKind.ALARM, "held") in told
    assert (RecordKind.ALARM, "reset") in told
    assert records[-1].body["holds"] == 1
    held = next(r for r in records if r.kind is RecordKind.EVENT)
    assert (held.body["kind"], held.body["value"], held.body["limit"]) == ("sag", 8.7, 8.0)
    curves = next(r for r in records if r.kind is RecordKind.CURVES)
    assert len(curves.body["points"]) == 10
    assert len(curves.body["points"][0]) == len(curves.body["fields"])


@needs_broker
def test_a_killed_monitor_is_told_lost_by_its_last_will(choice: BrokerChoice, tmp_path: Path) -> None:
    code = (
        "import sys, time\n"
        "from pathlib import Path\n"
        "from monitor.station import BrokerChoice\n"
        "from tests.fleet.monitors import Monitor\n"
        f"monitor = Monitor(BrokerChoice('127.0.0.1', {choice.port}, 'lathe-1'), Path(sys.argv[1]))\n"
        "monitor.publisher.start()\n"
        "while True: monitor.work(0.5); time.sleep(0.1)\n"
    )
    with a_shop(choice) as (shop, _):
        words = [sys.executable, "-c", code, str(tmp_path / "outbox.db")]
        process = subprocess.Popen(words, cwd=ROOT, env={**os.environ, "PYTHONPATH": str(ROOT)})
        try:
            assert wait_for(lambda: is_live(shop), 30)
            process.send_signal(signal.SIGKILL)
            killed = time.time()
            assert wait_for(lambda: not the_spindle(shop).live)
        finally:
            process.kill()
            process.wait()
        spindle = the_spindle(shop)
        assert spindle.presence is not None
        assert spindle.presence.here == "lost"
        assert spindle.word == "NO DATA"
        assert spindle.last_word_at is not None
        assert killed - 3 < spindle.last_word_at < killed + 1

    with a_shop(choice) as (later, _):  # a page that is opened afterwards
        assert wait_for(lambda: bool(later.spindles()) and later.spindles()[0].state is not None)
        time.sleep(0.3)
        assert not the_spindle(later).live
        assert the_spindle(later).word == "NO DATA"
        forget(choice, "lathe-1")
        assert wait_for(lambda: not later.spindles())


@needs_broker
def test_what_waits_goes_out_in_the_next_run(choice: BrokerChoice, tmp_path: Path) -> None:
    nowhere = BrokerChoice(host="127.0.0.1", port=1, name="lathe-1")
    monitor = Monitor(nowhere, tmp_path / "outbox.db")
    monitor.publisher.start()
    monitor.work(5.0, warning(5.0))
    assert wait_for(lambda: any("not reached" in text for text in monitor.said))
    monitor.finish()
    with a_shop(choice) as (_, records):
        again = Monitor(choice, tmp_path / "outbox.db")
        again.publisher.start()
        assert wait_for(lambda: sum(r.kind is RecordKind.BATCH for r in records) == 3)
        again.finish()
    assert [r.seq for r in records] == list(range(1, records[-1].seq + 1))
    assert [r.body["state"] for r in records if r.kind is RecordKind.BATCH][:3] == ["begun", "ended", "begun"]


@needs_broker
def test_a_full_queue_drops_curves_and_says_so_and_no_alarm(choice: BrokerChoice, tmp_path: Path) -> None:
    nowhere = BrokerChoice(host="127.0.0.1", port=1, name="lathe-1")
    monitor = Monitor(nowhere, tmp_path / "outbox.db", limit_bytes=8_000)
    monitor.publisher.start()
    for i in range(12):
        monitor.work(10.0, *([warning(monitor.shop.t + 10)] if i % 3 == 0 else []))
        assert wait_for(lambda: not monitor.teller._pending)
    assert any("queue for the broker is full" in text for text in monitor.said)
    monitor.finish()
    with a_shop(choice) as (shop, records):
        again = Monitor(choice, tmp_path / "outbox.db", limit_bytes=8_000)
        again.publisher.start()
        assert wait_for(lambda: sum(r.kind is RecordKind.BATCH for r in records) == 3)
        again.finish()
        spindle = the_spindle(shop)
    assert sum(r.body.get("severity") == "warning" and r.kind is RecordKind.EVENT for r in records) == 4
    assert spindle.dropped["curves"] > 5
    assert spindle.missing == 0
    happened = [e["message"] for e in shop.since(_beginning())[0]["events"]]
    assert any("Its queue was full while the broker was away" in text for text in happened)


def _beginning() -> Any:
    from dashboard.live import Cursor

    return Cursor()


@needs_broker
def test_what_anyone_on_the_broker_says_moves_no_monitor(choice: BrokerChoice, tmp_path: Path) -> None:
    """There is one topic that a monitor listens to, and it can ask for records again: nothing else."""
    monitor = Monitor(choice, tmp_path / "outbox.db")
    monitor.work(1.0, hold(1.0))
    monitor.publisher.start()
    connection = Connection(choice, "somebody")
    connection.open()
    board = monitor.shop.board
    for payload in (
        b"reset",
        b'{"reset": true}',
        b"\xff" * 1000,
        write(Again(stream="00", seq=1)),
        write(Again(stream=monitor.outbox.stream, seq=2**53)),
        write(Again(stream=monitor.outbox.stream, seq=1)),
    ):
        for topic in (AGAIN, "reset", "state", "presence", "records", "#"[:0] or "x"):
            connection.send(f"spindlebell/lathe-1/{topic}", payload)
        connection.step()
    assert wait_for(lambda: monitor.outbox.waiting == 0)
    monitor.work(1.0)
    assert monitor.shop.board.held
    assert monitor.shop.board.first_up is board.first_up
    assert wait_for(lambda: monitor.outbox.waiting == 0)
    assert all(thread.is_alive() for thread in monitor.publisher._threads)
    connection.close()
    monitor.finish()


@needs_broker
def test_two_of_one_name_are_told_so(choice: BrokerChoice, tmp_path: Path) -> None:
    one, other = Monitor(choice, tmp_path / "one.db"), Monitor(choice, tmp_path / "other.db")
    one.publisher.start()
    assert wait_for(lambda: bool(one.said))
    other.publisher.start()
    assert wait_for(lambda: any("give each its own broker.name" in text for text in one.said + other.said))
    one.finish()
    other.finish()


# ---- who may come in, and who may read on the way


@pytest.fixture(scope="module")
def authority() -> trustme.CA:
    return trustme.CA()


# paho-mqtt leaves the socket of a handshake that failed to be collected.
UNCLOSED = pytest.mark.filterwarnings(
    "ignore:unclosed <ssl:ResourceWarning", "ignore::pytest.PytestUnraisableExceptionWarning"
)


@UNCLOSED
@needs_broker
def test_tls_and_a_password(tmp_path: Path, authority: trustme.CA) -> None:
    certificate = authority.issue_cert("127.0.0.1", "localhost")
    key, chain, ca, users = (tmp_path / name for name in ("key.pem", "cert.pem", "ca.pem", "users"))
    certificate.private_key_pem.write_to_path(key)
    certificate.cert_chain_pems[0].write_to_path(chain)
    authority.cert_pem.write_to_path(ca)
    make = shutil.which("mosquitto_passwd")
    assert make is not None  # of the same package
    subprocess.run([make, "-b", "-c", str(users), "lathe-1", PASSWORD], check=True)
    secret = tmp_path / "broker-password"
    secret.write_text(f"{PASSWORD}\n")
    secret.chmod(0o600)
    settings = f"certfile {chain}\nkeyfile {key}\nallow_anonymous false\npassword_file {users}\n"
    with mosquitto(tmp_path, settings) as broker:
        right: dict[str, Any] = {
            "host": "localhost", "port": broker.port, "name": "lathe-1", "tls": True, "ca_file": str(ca),
            "user": "lathe-1", "password_file": str(secret),
        }  # fmt: skip
        choice = BrokerChoice(**right)
        with a_shop(choice) as (shop, _):
            monitor = Monitor(choice, tmp_path / "outbox.db")
            monitor.publisher.start()
            monitor.work(1.0)
            assert wait_for(lambda: is_live(shop))
            monitor.finish()

        stranger = trustme.CA()
        stranger.cert_pem.write_to_path(other := tmp_path / "other.pem")
        wrong = tmp_path / "wrong"
        wrong.write_text("guessed")
        wrong.chmod(0o600)
        for changed, why in (
            ({"ca_file": str(other)}, "certificate is not trusted"),
            ({"ca_file": ""}, "certificate is not trusted"),
            ({"host": "127.0.0.2"}, "certificate is not trusted|refused"),
            ({"password_file": str(wrong)}, "does not let this user in|not right"),
            ({"user": "", "password_file": ""}, "does not let this user in|not right"),
            ({"tls": False, "ca_file": ""}, "lost|does not answer"),
        ):
            connection = Connection(BrokerChoice(**(right | changed)), "probe")
            with pytest.raises(NotReached, match=why):
                connection.open()
            connection.drop()


@UNCLOSED
@needs_broker
def test_tls_asked_of_a_broker_that_has_none(
    choice: BrokerChoice, authority: trustme.CA, tmp_path: Path
) -> None:
    authority.cert_pem.write_to_path(ca := tmp_path / "ca.pem")
    connection = Connection(BrokerChoice("127.0.0.1", choice.port, "a", tls=True, ca_file=str(ca)), "probe")
    with pytest.raises(NotReached, match=r"does not speak TLS there|look at broker\.tls"):
        connection.open()
    connection.drop()


def test_a_broker_that_is_not_there_is_said_in_words() -> None:
    for host, why in (
        ("127.0.0.1", "Connection refused"),
        ("no.such.host.invalid", "no computer of that name"),
    ):
        connection = Connection(BrokerChoice(host, 1, "a"), "probe")
        with pytest.raises(NotReached, match=why):
            connection.open()
        connection.drop()


def test_a_password_that_others_may_read_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    secret = tmp_path / "broker-password"
    choice = BrokerChoice("broker", 8883, "a", user="me", password_file=str(secret))
    with pytest.raises(InputError, match="cannot be read"):
        password_of(choice)
    secret.write_text(PASSWORD)
    for mode in (0o644, 0o640, 0o604, 0o622):
        secret.chmod(mode)
        with pytest.raises(InputError, match=f"others may read this password; run chmod 600 {secret}"):
            password_of(choice)
    secret.chmod(0o600)
    assert password_of(choice) == PASSWORD
    secret.write_text(f"{PASSWORD}\nand more")
    with pytest.raises(InputError, match="one line"):
        password_of(choice)
    of_environment = BrokerChoice("broker", 8883, "a", user="me")
    monkeypatch.delenv("SPINDLEBELL_BROKER_PASSWORD", raising=False)
    with pytest.raises(InputError, match="SPINDLEBELL_BROKER_PASSWORD"):
        password_of(of_environment)
    monkeypatch.setenv("SPINDLEBELL_BROKER_PASSWORD", PASSWORD)
    assert password_of(of_environment) == PASSWORD
    assert password_of(BrokerChoice("broker", 8883, "a")) is None


def test_a_certificate_file_that_is_none_is_one_line(tmp_path: Path) -> None:
    (tmp_path / "ca.pem").write_text("not PEM")
    for name in ("ca.pem", "none.pem"):
        with pytest.raises(InputError, match="is no file of certificates"):
            tls_of(BrokerChoice("broker", 8883, "a", tls=True, ca_file=str(tmp_path / name)))


def test_what_goes_unencrypted_is_said() -> None:
    assert cautions(BrokerChoice("127.0.0.1", 1883, user="me")) == []
    assert cautions(BrokerChoice("broker.shop", 8883, tls=True, user="me")) == []
    (said,) = cautions(BrokerChoice("broker.shop", 1883, user="me"))
    assert "the password included" in said
    assert json.dumps(said).isascii()


# ---- what ill will can do at the broker


@needs_broker
def test_a_giant_is_kept_from_everyone_here_and_disturbs_nobody(choice: BrokerChoice) -> None:
    came: list[tuple[str, int]] = []
    listener = Connection(
        choice, "listener", on_message=lambda topic, said, _: came.append((topic, len(said)))
    )
    sender = Connection(choice, "sender")
    for one in (listener, sender):
        one.open()
    listener.subscribe("spindlebell/#")
    listener.step()

    def last_has_come() -> bool:
        sender.step(0.01)
        listener.step(0.01)
        return ("spindlebell/last", 10) in came

    for n in (1_000_000, 20_000_000):
        for retained in (False, True):
            sender.send(f"spindlebell/{n}", b"x" * n, retain=retained)
    sender.send("spindlebell/last", b"x" * 10)
    assert wait_for(last_has_come)
    assert came == [("spindlebell/last", 10)]
    for one in (listener, sender):
        one.close()


GUIDE = ROOT / "monitor" / "docs" / "howto" / "watch_a_whole_shop.md"


@needs_broker
def test_with_the_guides_access_list_nobody_speaks_for_another(tmp_path: Path) -> None:
    make = shutil.which("mosquitto_passwd", path="/usr/bin:/usr/local/bin")
    assert make is not None
    users, rights = tmp_path / "passwords", tmp_path / "rights"
    for i, user in enumerate(("lathe-1", "lathe-2", "shop")):
        subprocess.run([make, "-b", *(["-c"] if i == 0 else []), str(users), user, PASSWORD], check=True)
    told = re.search(r"spindlebell\.rights`:\n\n```\n(.*?)```", GUIDE.read_text("utf-8"), re.DOTALL)
    assert told is not None
    rights.write_text(told[1])
    secret = tmp_path / "secret"
    secret.write_text(PASSWORD)
    secret.chmod(0o600)
    settings = f"allow_anonymous false\npassword_file {users}\nacl_file {rights}\n"
    with mosquitto(tmp_path, settings) as broker:
        as_user = {
            user: BrokerChoice("127.0.0.1", broker.port, user, user=user, password_file=str(secret))
            for user in ("lathe-1", "lathe-2", "shop")
        }
        with a_shop(as_user["shop"]) as (shop, _):
            monitor = Monitor(as_user["lathe-1"], tmp_path / "outbox.db")
            monitor.publisher.start()
            monitor.work(1.0)
            assert wait_for(lambda: is_live(shop))
            other = Connection(as_user["lathe-2"], "lathe-2")
            other.open()
            for name in ("lathe-1", "lathe-3", "lathe-2"):
                said = Presence.model_validate({"here": "lost", "run": "a"})
                other.send(f"spindlebell/{name}/presence", write(said), retain=True)
            assert wait_for(lambda: bool(other.step(0.01)) or len(shop.spindles()) == 2)
            assert [s.name for s in shop.spindles()] == ["lathe-1", "lathe-2"]
            assert shop.spindles()[0].live
            other.close()
            monitor.finish()
