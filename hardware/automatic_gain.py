"""Whether the sound card turns its own gain: `amixer`, of alsa-utils, lists its switches.

A gain that turns itself takes from every cut what makes it loud, and after it the lines of the spindle are
faint: cuts, spindle and microphone are then told wrongly. Many sound cards for USB have such a switch, and it
is on when they are plugged in (common practice, no published source).
"""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

_NAMES = re.compile(
    r"auto(matic)?[ _-]*(mic[ _-]*)?gain|\bAGC\b|\bALC( Capture| Enable)?( Function| Switch)?$", re.I
)
"""As Linux names them: ``Auto Gain Control`` by the class of USB audio (from memory), ``ALC Function`` by
codecs of cards for the Raspberry Pi (the kernel's ``wm8960.c``)."""

_WAIT_S = 0.5  # it answers within some milliseconds
CARDS = Path("/proc/asound")


def switches_on(device: str) -> list[str]:
    """What turns the gain by itself on the card of a microphone, each with the command that mends it.

    Parameters
    ----------
    device : str
        The microphone's name as PortAudio gives it, ``USB Audio: - (hw:1,0)``. Where it names no card, as
        that of a sound server, every card is asked.

    Returns
    -------
    list of str
        Empty where nothing does, or where nothing can be learned: no ``amixer``, no card, no such switch.
    """
    card = card_of(device)
    cards = [card] if card else sorted(path.name[4:] for path in CARDS.glob("card[0-9]*"))
    return [line for card in cards for line in _on(card, _contents(card))]


def cautions(device: str) -> list[str]:
    """What a person is told of it, as far as it is known whose switches they are."""
    whose = "" if card_of(device) else " (where that is the microphone's card)"
    return [
        f"Caution: {line}{whose}. A gain that turns by itself makes false holds."
        for line in switches_on(device)
    ]


def card_of(device: str) -> str:
    """The number of the sound card that a microphone's name tells, empty where it tells none."""
    named = re.search(r"\(hw:(\d+),\d+\)", device)
    return named[1] if named else ""


def _contents(card: str) -> str:
    try:
        asked = subprocess.run(
            ["amixer", "-c", card, "contents"],
            capture_output=True,
            text=True,
            errors="replace",
            timeout=_WAIT_S,
            check=False,
        )
    except (OSError, subprocess.TimeoutExpired):
        return ""
    return asked.stdout


def _on(card: str, contents: str) -> list[str]:
    """Of ``amixer contents``: a line for each control, then what it may be and, after a colon, what it is."""
    found = []
    for control in re.split(r"^(?=numid=)", contents, flags=re.MULTILINE):
        head = re.match(r"numid=(\d+),iface=\w+,name='(.*)'", control)
        now = re.search(r"^ *: values=(\S+)", control, re.MULTILINE)
        if not head or not now or not _NAMES.search(head[2]):
            continue
        items = {item.lower(): at for at, item in re.findall(r"; Item #(\d+) '(.*)'", control)}
        off = "off" if "type=BOOLEAN" in control else items.get("off")
        if off is None:  # a level or a time of it, no switch
            continue
        if any(value != off for value in now[1].split(",")):
            mend = f"amixer -c {card} cset numid={head[1]} {off}"
            found.append(f"'{head[2]}' of sound card {card} is on; switch it off: `{mend}`")
    return found
