"""Switches of automatic gain: an `amixer` that lists what sound cards list, in the form of alsa-utils."""

from __future__ import annotations

from pathlib import Path

import pytest

from hardware import automatic_gain
from hardware.automatic_gain import switches_on

# A sound card for USB (from memory), and a codec (names and items of the kernel's wm8960.c).
USB = """numid=3,iface=MIXER,name='Mic Playback Switch'
  ; type=BOOLEAN,access=rw------,values=1
  : values=on
numid=8,iface=MIXER,name='Mic Capture Volume'
  ; type=INTEGER,access=rw---R--,values=1,min=0,max=35,step=0
  : values=20
  | dBminmax-min=-12.00dB,max=23.00dB
numid=9,iface=MIXER,name='Auto Gain Control'
  ; type=BOOLEAN,access=rw------,values=1
  : values={gain}
"""
CODEC = """numid=26,iface=MIXER,name='ALC Function'
  ; type=ENUMERATED,access=rw------,values=1,items=4
  ; Item #0 'Off'
  ; Item #1 'Right'
  ; Item #2 'Left'
  ; Item #3 'Stereo'
  : values={gain}
numid=27,iface=MIXER,name='ALC Max Gain'
  ; type=INTEGER,access=rw------,values=1,min=0,max=7,step=0
  : values=7
"""
NAME = "USB PnP Sound Device: Audio (hw:1,0)"


@pytest.fixture
def cards(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder in which `<card>.txt` is what `amixer -c <card> contents` prints."""
    tool = tmp_path / "amixer"
    tool.write_text(
        '#!/bin/sh\n[ "$1 $3" = "-c contents" ] || exit 1\n'
        f'while read -r line; do printf "%s\\n" "$line"; done < "{tmp_path}/$2.txt"\n'
    )
    tool.chmod(0o755)
    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.setattr(automatic_gain, "CARDS", tmp_path / "asound")
    return tmp_path


@pytest.mark.parametrize(
    ("contents", "on", "off", "mend"),
    [(USB, "on", "off", "amixer -c 1 cset numid=9 off"), (CODEC, "3", "0", "amixer -c 1 cset numid=26 0")],
)
def test_a_switch_that_is_on_is_told_with_the_command_that_mends_it(
    cards: Path, contents: str, on: str, off: str, mend: str
) -> None:
    (cards / "1.txt").write_text(contents.format(gain=on))
    [told] = switches_on(NAME)
    assert f"`{mend}`" in told
    (cards / "1.txt").write_text(contents.format(gain=off))
    assert switches_on(NAME) == []


def test_a_level_or_a_time_of_it_is_no_switch(cards: Path) -> None:
    (cards / "1.txt").write_text(
        "numid=30,iface=MIXER,name='AGC Target Level'\n"
        "  ; type=INTEGER,access=rw------,values=2,min=0,max=7,step=0\n"
        "  : values=5,5\n"
        "numid=31,iface=MIXER,name='AGC Decay Time'\n"
        "  ; type=ENUMERATED,access=rw------,values=1,items=2\n"
        "  ; Item #0 '100 ms'\n"
        "  ; Item #1 '200 ms'\n"
        "  : values=1\n"
    )
    assert switches_on(NAME) == []


def test_of_a_sound_servers_microphone_every_card_is_asked(cards: Path) -> None:
    (cards / "0.txt").write_text(CODEC.format(gain="0"))
    (cards / "2.txt").write_text(USB.format(gain="on"))
    for card in ("card0", "card2", "cards"):
        (cards / "asound" / card).mkdir(parents=True)
    assert len(switches_on("default")) == 1
    [told] = automatic_gain.cautions("default")
    assert "where that is the microphone's card" in told
    assert switches_on(NAME) == []  # its own card, 1, has none


def test_without_the_tool_nothing_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    assert switches_on(NAME) == []


def test_a_tool_that_hangs_is_not_waited_for(cards: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (cards / "amixer").write_text("#!/bin/sh\nwhile :; do :; done\n")
    monkeypatch.setattr(automatic_gain, "_WAIT_S", 0.1)
    assert switches_on(NAME) == []
