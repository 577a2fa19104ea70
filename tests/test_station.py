"""The station file: defaults that need nothing, and one clear line for every mistake."""

import pytest

from monitor.errors import InputError
from monitor.station import EXAMPLE, LineChoice, MicrophoneChoice, Station, load_station, parse_station

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


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('[microphone]\nrate = "48"', '"48" has no unit; write "48 kHz"'),
        ("[microphone]\nrate = 48000", '48000 has no unit; write "48 kHz", in quotes'),
        ('[microphone]\nrate = "4 kHz"', "is out of range for a sample rate: 8 to 192 kHz"),
        ('[microphone]\ndevise = "USB"', 'microphone.devise: unknown key; did you mean "device"?'),
        ("[microphone]\nchannel = 0", "microphone.channel: 0 is too small; write at least 1"),
        ("[lines]\nhold = 17", "lines.heartbeat: is missing; write for example heartbeat = 27"),
        ("[lines]\nhold = 4\nheartbeat = 27", "lines.hold: 4 is too small; write at least 9"),
        (LINES + "resett = 5", 'lines.resett: unknown key; did you mean "reset"?'),
        (LINES + "reset = 27", "lines.reset: GPIO 27 is lines.heartbeat already; give each its own pin"),
        (
            LINES + 'hold_input = "open"',
            "lines.hold_input: \"open\" is not known here; write 'normally closed'",
        ),
        ('[evidence]\nlimit = "8"', '"8" has no unit; write "8 GB"'),
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
