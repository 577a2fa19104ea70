"""The station file: defaults that need nothing, and one clear line for every mistake."""

import pytest

from monitor.errors import InputError
from monitor.station import (
    EXAMPLE,
    BrokerChoice,
    LineChoice,
    MicrophoneChoice,
    Station,
    load_station,
    parse_station,
)

BROKER = '[broker]\nhost = "broker"\n'
LINES = "[lines]\nhold = 17\nheartbeat = 27\n"


def test_nothing_written_is_the_computers_own_microphone_and_no_wires():
    assert parse_station("", "station.toml") == Station()
    assert Station().lines is None


def test_the_example_says_what_it_shows():
    station = parse_station(EXAMPLE, "example")
    assert station.microphone == MicrophoneChoice("USB", 48_000, 1)
    assert station.lines == LineChoice(17, 27, 22, 23, 24, 25, 16, "normally closed")
    assert (station.host, station.port) == ("127.0.0.1", 8765)
    assert station.evidence_limit_bytes == 8_000_000_000
    assert station.broker == BrokerChoice(
        host="broker.example",
        port=8883,
        name="lathe-3",
        tls=True,
        ca_file="/etc/spindlebell/shop-ca.pem",
        user="lathe-3",
        password_file="/etc/spindlebell/broker-password",
    )


def test_a_broker_without_tls_is_asked_at_the_plain_port_and_none_is_asked_where_none_is_named():
    assert parse_station(BROKER, "station.toml").broker == BrokerChoice("broker", 1883)
    assert Station().broker is None


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('[microphone]\nrate = "48"', '"48" has no unit; write "48 kHz"'),
        ("[microphone]\nrate = 48000", '48000 has no unit; write "48 kHz", in quotes'),
        ('[microphone]\nrate = "4 kHz"', "is out of range for a sample rate: 8 to 192 kHz"),
        ('[microphone]\ndevise = "USB"', 'microphone.devise: unknown key; did you mean "device"?'),
        ("[microphone]\nchannel = 0", "microphone.channel: 0 is too small; write at least 1"),
        (LINES + "holds = 4", 'lines.holds: unknown key; did you mean "hold"?'),
        ("[lines]\nhold = 17", "lines.heartbeat: is missing; write for example heartbeat = 27"),
        ("[lines]\nhold = 4\nheartbeat = 27", "lines.hold: 4 is too small; write at least 9"),
        (LINES + "resett = 5", 'lines.resett: unknown key; did you mean "reset"?'),
        (LINES + "reset = 27", "lines.reset: GPIO 27 is lines.heartbeat already; give each its own pin"),
        (
            LINES + 'hold_input = "open"',
            "lines.hold_input: \"open\" is not known here; write 'normally closed'",
        ),
        ('[evidence]\nlimit = "8"', '"8" has no unit; write "8 GB"'),
        ('[broker]\nname = "a"', 'broker.host: is missing; write for example host = "broker.example"'),
        (
            BROKER + 'name = "lathe/3"',
            '"lathe/3" may hold letters, digits, dots, dashes and underscores only',
        ),
        (BROKER + 'topic = "#"', '"#" may hold letters'),
        (BROKER + 'tls = "yes"', '"yes" is neither true nor false; write one of them, without quotes'),
        (BROKER + 'ca_file = "ca.pem"', "broker.ca_file: counts only with TLS; write tls = true"),
        (BROKER + 'password_file = "p"', "broker.user: is missing; write for example user"),
        (BROKER + 'password = "p"', 'broker.password: unknown key; did you mean "password_file"?'),
        (BROKER + "port = 0", "broker.port: 0 is too small; write at least 1"),
        (BROKER + 'queue = "1 kB"', '"1 kB"'),
        ("[page]\nport = 70000", "page.port: 70000 is too large; write at most 65535"),
    ],
)
def test_a_mistake_is_one_line_with_its_mend(text, said):
    with pytest.raises(InputError) as told:
        parse_station(text, "station.toml")
    assert said in str(told.value)
    assert str(told.value).startswith("station.toml: ")
    assert "\n" not in str(told.value)


def test_a_missing_file(tmp_path):
    with pytest.raises(InputError, match="give the path of a station file"):
        load_station(tmp_path / "none.toml")
