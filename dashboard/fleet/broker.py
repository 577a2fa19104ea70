"""A connection to the shop's broker, by MQTT 5: encrypted, signed in, and every trouble in words.

Of the clients in the package registry `paho-mqtt` was taken: pure Python, nothing else needed, kept for many
years, and driven from a thread of ours, which is what stands beside the analysis; `aiomqtt` wraps it for
asyncio.

Each connection is a client of its own, driven from one thread: what was not acknowledged is not kept in the
client but taken again from where it is kept (`outbox`), so that nothing depends on a session that a broker
may or may not have kept.
"""

from __future__ import annotations

import os
import socket
import ssl
import stat
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dashboard.fleet.words import MAX_MESSAGE_BYTES
from monitor.errors import InputError
from monitor.station import BrokerChoice

if TYPE_CHECKING:
    from paho.mqtt.client import Client
    from paho.mqtt.properties import Properties

PASSWORD_VARIABLE = "SPINDLEBELL_BROKER_PASSWORD"
CONNECT_TIMEOUT_S = 5.0
# A broker calls a silent client lost after one and a half of these (MQTT 5.0, 3.1.2.10).
KEEP_ALIVE_S = 10
LOOP_S = 0.1  # a record that is to be sent waits no longer for the connection's turn


class NotReached(Exception):
    """The broker cannot be used now; the message says why, and what may be done."""


def password_of(choice: BrokerChoice) -> str | None:
    """The password, from its file or from the environment; None where there is no user.

    Raises
    ------
    InputError
        The file cannot be read, others may read it, or a user has no password.
    """
    if not choice.user:
        return None
    if not choice.password_file:
        given = os.environ.get(PASSWORD_VARIABLE)
        if given:
            return given
        raise InputError(
            f"broker.password_file: is missing; name a file that holds the password of {choice.user}, or set "
            f"{PASSWORD_VARIABLE}"
        )
    path = Path(choice.password_file)
    try:
        with path.open(encoding="utf-8") as file:
            mode = stat.S_IMODE(os.fstat(file.fileno()).st_mode)
            password = file.read(1001).rstrip("\r\n")
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "is no text"
        raise InputError(f"{path}: the broker's password cannot be read ({reason})") from None
    if mode & 0o077:
        raise InputError(f"{path}: others may read this password; run chmod 600 {path}")
    if not 0 < len(password) <= 1000 or not password.isprintable():
        raise InputError(f"{path}: has to hold one line, the password")
    return password


def tls_of(choice: BrokerChoice) -> ssl.SSLContext | None:
    """Whom to trust, None without TLS. Raises InputError where the file is no list of certificates."""
    if not choice.tls:
        return None
    try:
        context = ssl.create_default_context(cafile=choice.ca_file or None)
    except (OSError, ssl.SSLError) as error:
        raise InputError(
            f"{choice.ca_file}: is no file of certificates in PEM form ({error.strerror or error})"
        ) from None
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    return context


def cautions(choice: BrokerChoice) -> list[str]:
    """What a person should know of how the broker is reached."""
    if choice.tls or _is_here(choice.host):
        return []
    return [
        f"Caution: what goes to the broker {choice.host} is not encrypted"
        f"{', the password included' if choice.user else ''}; write tls = true under [broker] where it can."
    ]


def _no_giants() -> Properties:
    """Have the broker keep what is far too long to itself (MQTT 5.0, 3.1.2.11.4): the client would have it
    whole in memory, 256 MB at most, before anybody could refuse it."""
    from paho.mqtt.packettypes import PacketTypes
    from paho.mqtt.properties import Properties

    asked = Properties(PacketTypes.CONNECT)
    asked.MaximumPacketSize = 2 * MAX_MESSAGE_BYTES
    return asked


def _is_here(host: str) -> bool:
    return host in ("localhost", "127.0.0.1", "::1")


class Connection:
    """One connection to the broker, for as long as it lasts.

    Parameters
    ----------
    choice : BrokerChoice
        Where.
    client_id : str
        Unique at the broker: another of the same name takes its place.
    will : tuple of str and bytes, optional
        What the broker says, retained, once this connection is lost without a word.
    on_message : callable, optional
        Given topic, payload and whether it was retained, within `step`.
    on_acknowledged : callable, optional
        Given the number that `send` returned, within `step`, when the broker has it.
    """

    def __init__(
        self,
        choice: BrokerChoice,
        client_id: str,
        *,
        will: tuple[str, bytes] | None = None,
        on_message: Callable[[str, bytes, bool], None] | None = None,
        on_acknowledged: Callable[[int], None] | None = None,
        keep_alive_s: int = KEEP_ALIVE_S,
    ) -> None:
        from paho.mqtt.client import Client, MQTTv5
        from paho.mqtt.enums import CallbackAPIVersion

        self._choice = choice
        self._keep_alive_s = keep_alive_s
        self._refused = ""
        self._up = False
        self._client: Client = Client(CallbackAPIVersion.VERSION2, client_id, protocol=MQTTv5)
        self._client.connect_timeout = CONNECT_TIMEOUT_S
        if choice.user:
            self._client.username_pw_set(choice.user, password_of(choice))
        context = tls_of(choice)
        if context is not None:
            self._client.tls_set_context(context)
        if will is not None:
            self._client.will_set(will[0], will[1], qos=1, retain=True)
        self._client.on_connect = self._connected
        self._client.on_disconnect = self._disconnected
        if on_message is not None:
            self._client.on_message = lambda _, __, m: on_message(m.topic, bytes(m.payload), m.retain)
        if on_acknowledged is not None:
            self._client.on_publish = lambda _, __, mid, *___: on_acknowledged(mid)

    def open(self) -> None:
        """Connect and wait until the broker has agreed. Raises NotReached."""
        choice = self._choice
        why = "it does not answer as a broker does"
        try:
            self._client.connect(
                choice.host,
                choice.port,
                keepalive=self._keep_alive_s,
                clean_start=True,
                properties=_no_giants(),
            )
            until = time.monotonic() + CONNECT_TIMEOUT_S
            while time.monotonic() < until:
                self.step()
                if self._up:
                    return
        except (OSError, ValueError) as error:
            why = _why(error)  # raised below: what is raised here would keep the failed socket open
        raise NotReached(f"{why} ({choice.host}, port {choice.port})")

    def step(self, wait_s: float = LOOP_S) -> None:
        """Send and receive what there is, waiting no longer than this. Raises NotReached when it is over."""
        status = self._client.loop(wait_s)
        if self._refused:
            raise NotReached(self._refused)
        if status:
            raise NotReached("the connection was lost")

    def subscribe(self, *topics: str) -> None:
        """Receive what others publish there, what is retained included."""
        from paho.mqtt.subscribeoptions import SubscribeOptions

        self._client.subscribe([(topic, SubscribeOptions(qos=1, noLocal=True)) for topic in topics])

    def send(self, topic: str, payload: bytes, *, qos: int = 1, retain: bool = False) -> int:
        """Publish; returns the number under which it is acknowledged."""
        return int(self._client.publish(topic, payload, qos=qos, retain=retain).mid)

    def close(self) -> None:
        """Leave in good order, which is no reason for a last will. Never raises."""
        try:
            self._client.disconnect()
            self._client.loop(LOOP_S)
        except (OSError, ValueError):
            pass
        finally:
            self.drop()

    def drop(self) -> None:
        """Let go of the connection without a word, and of the client, which closes what else it has open."""
        taken = self._client.socket()
        if taken is not None:
            taken.close()
        self._client.on_connect = self._client.on_disconnect = None
        self._client.on_message = self._client.on_publish = None

    def _connected(self, _: Any, __: Any, ___: Any, reason: Any, ____: Any) -> None:
        if reason.is_failure:
            self._refused = _REFUSALS.get(str(reason), f"the broker refuses: {reason}")
        else:
            self._up = True

    def _disconnected(self, _: Any, __: Any, ___: Any, reason: Any, ____: Any) -> None:
        if not self._refused and reason.is_failure:
            self._refused = _REFUSALS.get(str(reason), f"the connection was lost ({reason})")


_REFUSALS = {
    "Not authorized": "the broker does not let this user in; look at broker.user and its password",
    "Bad user name or password": "user or password are not right; look at broker.user and its password",
    "Unsupported protocol version": "the broker does not speak MQTT 5",
}


def _why(error: Exception) -> str:
    """A connection's trouble in words."""
    if isinstance(error, ssl.SSLCertVerificationError):
        return f"the broker's certificate is not trusted: {error.verify_message}; look at broker.ca_file"
    if isinstance(error, ssl.SSLError):
        return "the broker does not speak TLS there; look at broker.tls and broker.port"
    if isinstance(error, socket.gaierror):
        return "no computer of that name is known"
    if isinstance(error, ConnectionResetError):
        return "it closes the connection; look at broker.tls and broker.port"
    if isinstance(error, TimeoutError):
        return "it does not answer"
    return str(getattr(error, "strerror", None) or error)
