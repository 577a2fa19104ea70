"""``spindlebell check``: before a batch, is the microphone heard, and do the wires do what they should?

The wires are tried with a person who looks at the machine: only there can be seen whether it is held.
"""

from __future__ import annotations

import argparse
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from monitor.baseline import Baseline, load_baseline
from monitor.cli import EXIT_DONE, EXIT_OTHER
from monitor.commands.listen import add_station_arguments, station_of
from monitor.errors import InputError
from monitor.faults.returned import LIKE_BASELINE_DB, gain_change_db
from monitor.forewarning import forewarnings
from monitor.job import Job, load_job
from monitor.listener import Listener
from monitor.manual import Manual
from monitor.measurements import Kind, Severity
from monitor.meter import meter
from monitor.ports import HoldLine
from monitor.quantities import format_count
from monitor.signal.line_choice import at_speed
from monitor.take import Take, advice, measure, record, trouble

SECONDS = 8.0
BEAT_EVERY_S = 0.05  # as `listen` beats: once a hop
BUTTON_WAIT_S = 20.0
GREEN = "green"
DIAL_WITHIN = 0.03
"""A machine is heard within 0.1 % of its own dial's speed, by another machine's baseline 3.9 % off at the
nearest (five synthetic machines, each by the others'); a warm or loaded motor may run 1 or 2 % off (common
practice)."""
COMPARABLE_S = 5.0  # a second to be found in, and one and a half of free running
HEARD_SHARE = 0.6  # its own machine is heard all the time, but for the second in which it is found

Ask = Callable[[str], bool]


MANUAL = Manual(
    about="""
    Before each batch. It listens for some seconds and says what the microphone gives: level, peaks, noise
    floor, clipping, lost sound. With a job and a baseline it says too whether the spindle is heard at the
    job's speed, and whether this is still the microphone, gain and place that learned the machine; run the
    spindle free meanwhile. Where so little of the machine is heard that binds would be missed, or the speeds
    of drill and centre drill are too near one another to be told apart, it says how to mend that.

    With lines in the station file it then leads a person at the machine through the test of every wire:
    hold, heartbeat, spindle stop, lamps, reset button. It changes nothing but the lines, and leaves them
    open.
    """,
    examples=[
        ("spindlebell check --devices", "Which microphones there are:"),
        ("spindlebell check --job job.toml --baseline baseline.json", "The microphone, without wires:"),
        (
            "spindlebell check --station station.toml --job job.toml --baseline baseline.json",
            "Everything:",
        ),
    ],
    files={"FILE.toml": "the station file: microphone and wires"},
    statuses={
        0: "ready",
        1: "not ready: each thing that is wrong is a line that begins with WRONG; or the spindle was not "
        "heard, so that nothing is known of it; or anything else",
    },
    caution="Make the machine safe by its own means before the lines are tried. The test shows that they "
    "work now, not that they will.",
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    add_station_arguments(parser)
    parser.add_argument("--devices", action="store_true", help="list the microphones there are, and end")
    parser.add_argument(
        "--seconds",
        type=float,
        default=SECONDS,
        metavar="S",
        help=f"how long to listen, in seconds, 1 to 600 (default: {SECONDS:g})",
    )
    parser.add_argument(
        "--job",
        metavar="JOB.toml",
        help="with --baseline: is it the microphone that learned the machine? (default: not asked)",
    )
    parser.add_argument("--baseline", metavar="FILE", help="made by spindlebell baseline (default: none)")


def run(args: argparse.Namespace) -> int:
    """Check, and say what is wrong; exit status 1 when something is."""
    from hardware.automatic_gain import card_of, switches_on
    from hardware.microphone import live_microphone
    from hardware.portaudio import find, input_devices
    from hardware.wires import wired

    if args.devices:
        devices = input_devices()
        if not devices:
            find(devices, "")  # says where to look for one
        for device in devices:
            print(f'"{device.name}", {format_count(device.channels, "channel")}')
        return EXIT_DONE
    if not 1 <= args.seconds <= 600:
        raise InputError(f"--seconds {args.seconds:g}: has to be from 1 to 600")
    if (args.job is None) != (args.baseline is None):
        raise InputError("--job and --baseline are given together: the job says at what speed to compare")
    station = station_of(args)
    given = (load_baseline(args.baseline), load_job(args.job)) if args.job else None
    with ExitStack() as opened:
        wires = opened.enter_context(wired(station.lines)) if station.lines else None
        microphone = opened.enter_context(live_microphone(station.microphone))
        listener = Listener(*given, microphone.fs, live=True) if given else None
        print(f"Listening to {microphone.name} at {microphone.fs / 1000:g} kHz ...", flush=True)
        x = record(microphone.blocks(), microphone.fs, args.seconds, time.monotonic(), show_level)
        if sys.stdout.isatty():
            print()  # ends the meter's line
        wrong = check_sound(measure(x, microphone.fs), str(microphone.losses))
        if given and listener and wrong:
            print("Spindle: not compared with the baseline, since the sound is of no use.")
        elif given and listener:
            wrong += compare(listener, *given, x)
        wrong += forewarn(*given, microphone.fs) if given else []
        wrong += check_gain(switches_on(microphone.name), card_of(microphone.name))
        if wires is None:
            print("Lines: none in the station file.")
        elif not sys.stdin.isatty():
            wrong.append("the lines were not tried: run this at a terminal, with the machine in sight")
        else:
            lines = {"hold": wires.hold, "spindle-stop": wires.spindle_stop}
            wrong += check_lines({k: v for k, v in lines.items() if v}, wires.heartbeat, ask)
            wrong += check_lamps(wires.beacon.colours, wires.beacon.only, wires.heartbeat, ask)
            if station.lines and station.lines.reset is not None:
                wrong += check_button(wires.on_reset)
    for line in wrong:
        print(f"WRONG: {line}.")
    if wrong:
        print(f"Not ready: {len(wrong)} wrong.")
        return EXIT_OTHER
    if listener and listener.over_baseline_db is None:
        print("Not ready: nothing is wrong, but the spindle was not compared with the baseline.")
        return EXIT_OTHER
    print("Ready. This shows that it works now, not that it will.")
    return EXIT_DONE


def check_sound(take: Take, losses: str) -> list[str]:
    """Tell what the microphone gives; what is wrong with it comes back."""
    print(
        f"Microphone: level {take.level_dbfs:.1f} dBFS, peaks {take.peak_dbfs:.1f} dBFS, noise floor (the "
        f"quietest tenth) {take.quiet_dbfs:.1f} dBFS, {100 * take.clipped:.2f} % of samples clipped. {losses}"
    )
    if wrong := trouble(take):
        return [wrong]
    if better := advice(take):
        print(f"Better: {better}.")
    return []


def forewarn(baseline: Baseline, job: Job, fs: int) -> list[str]:
    """Tell what the ear would miss of this job; what would make it miss most comes back."""
    wrong = []
    for one in forewarnings(baseline, job, fs):
        said = f"{one.what}. {one.mend}"
        if one.grave:
            wrong.append(said)
        else:
            print(f"Better: {said}.")
    return wrong


def check_gain(switches: list[str], card: str) -> list[str]:
    """What turns the gain by itself is wrong, where it is known on which ``card`` the microphone is."""
    if card:
        return [f"the microphone turns its gain by itself, and holds falsely: {line}" for line in switches]
    for line in switches:
        print(f"Note: where that is the microphone's card, its gain turns by itself: {line}.")
    return []


def compare(listener: Listener, baseline: Baseline, job: Job, x: NDArray[np.float32]) -> list[str]:
    """Hear the sound as `listen` would: is the spindle known, and is this the ear that learned it?"""
    heard = listener.feed(x)
    speeds = [row.speed_rpm for row in heard.trace if row.speed_rpm > 0]
    if not speeds:
        print(
            "Spindle: not heard turning. Run it free at the job's speed while this listens, and it is "
            "compared with the baseline. If it was turning, the baseline is another machine's, or too little "
            "of this one is in it."
        )
        return []
    faults = [event for event in heard.events if event.kind is Kind.MIC_FAULT]
    wrong = [_clause(event.message) for event in faults if event.severity is Severity.HOLD]
    for event in faults:
        if event.severity is not Severity.HOLD:
            print(f"Note: {event.message}")
    rpm, share = float(np.median(speeds)), len(speeds) / len(heard.trace)
    print(f"Spindle: {rpm:.0f} rpm, heard {100 * share:.0f} % of the time.")
    commanded = [job.spindle_rpm] if job.spot_rpm is None else [job.spindle_rpm, job.spot_rpm]
    if min(abs(rpm / speed - 1) for speed in commanded) > DIAL_WITHIN or share < HEARD_SHARE:
        wrong.append(
            f"the job says {' or '.join(f'{speed:g} rpm' for speed in commanded)}, and it is not heard so: "
            "either the spindle turned otherwise or not all the time, or the baseline is another machine's. "
            "Run it free at that speed all the while; if that changes nothing, learn its baseline"
        )
    if (over := listener.over_baseline_db) is not None:
        change = gain_change_db(*over)
        print(
            f"Against the baseline: the machine's lines {over[0]:+.1f} dB, the noise between them "
            f"{over[1]:+.1f} dB."
        )
    elif len(x) < COMPARABLE_S * listener.fs:
        print("Too short to be compared with the baseline; leave --seconds at 8 or more.")
        return wrong
    else:  # the lines are not where they were learned, or so loud that they seem not to be
        change = measure(x, round(listener.fs)).level_dbfs - at_speed(baseline, baseline.level_dbfs, rpm)
        print(f"Against the baseline: the sound as a whole {change:+.1f} dB.")
        if abs(change) <= LIKE_BASELINE_DB and not wrong:
            wrong.append(
                "a spindle is heard, but its lines are not those of the baseline: the baseline is another "
                "machine's, or the microphone hears something else"
            )
    if abs(change) > LIKE_BASELINE_DB and not wrong:
        how = "louder" if change > 0 else "quieter"
        wrong.append(
            f"the machine sounds {abs(change):.0f} dB {how} than in the baseline: another microphone, gain "
            "or place"
        )
    return wrong


class Heart(Protocol):
    """What is used of the heartbeat."""

    def beat(self, heard_at: float) -> None:
        """Change the level of the pin."""
        ...

    def rest(self, high: bool) -> None:
        """Stand still at this level."""
        ...


def check_lines(lines: dict[str, HoldLine], heart: Heart, ask: Ask) -> list[str]:
    """Close and open each line, and let the heart stop at either level, while a person looks on."""
    if not ask(
        "Lines: make sure that nothing can start to move, with the machine's own means, and that nobody "
        "is at it. Is that so?"
    ):
        return ["the lines were not tried"]
    wrong = []
    for name, line in lines.items():
        with beating(heart.beat):
            for other in lines.values():
                other.close()
            if not ask(f"All lines are closed and the heart beats. Does the machine show no {_asks(name)}?"):
                wrong.append(f"closed, the {name} line asks for a {_asks(name)} all the same")
            line.open()
            if not ask(f"The {name} line is open now. Does the machine show a {_asks(name)}?"):
                wrong.append(f"open, the {name} line does not bring a {_asks(name)}")
    for level in ("high", "low"):
        with beating(heart.beat):
            for line in lines.values():
                line.close()
            time.sleep(1.0)
        # The heart stands still here with every line closed: as a frozen computer would leave it.
        heart.rest(high=level == "high")
        if not ask(
            f"The heart has stopped at its {level} level, with the lines closed. Did the machine go into "
            "hold within a second?"
        ):
            wrong.append(
                f"without heartbeat, its level {level}, the machine is not held: look at the missing-pulse "
                "relay"
            )
    for line in lines.values():
        line.open()
    return wrong


def check_lamps(colours: Sequence[str], light: Callable[[str], None], heart: Heart, ask: Ask) -> list[str]:
    """Light each lamp that is wired, and none at the end; green goes through the heartbeat's relay."""
    wrong = []
    with beating(heart.beat):
        for colour in colours:
            light(colour)
            if not ask(f"Is the {colour} lamp the only one that shines?"):
                wrong.append(f"the {colour} lamp does not shine, or not alone")
    if GREEN in colours:
        light(GREEN)
        heart.rest(high=False)
        if not ask("The heart has stopped. Has the green lamp gone out within a second?"):
            wrong.append(
                "without heartbeat the green lamp shines: lead it through a second contact of the "
                "missing-pulse relay, or a frozen computer shows green"
            )
    light("")
    return wrong


def check_button(on_reset: Callable[[Callable[[], None]], None]) -> list[str]:
    """Wait for a press."""
    pressed = threading.Event()
    on_reset(pressed.set)
    print(f"Press the reset button for a moment, and let it go ({BUTTON_WAIT_S:.0f} s) ...", flush=True)
    if pressed.wait(BUTTON_WAIT_S):
        print("The button works.")
        return []
    return ["no press of the reset button came"]


@contextmanager
def beating(beat: Callable[[float], None]) -> Iterator[None]:
    """Let the heart beat while a person looks; only here by a thread of its own."""
    stop = threading.Event()

    def go_on() -> None:
        while not stop.wait(BEAT_EVERY_S):
            beat(time.monotonic())

    thread = threading.Thread(target=go_on, name="heart", daemon=True)
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join()


def ask(question: str) -> bool:
    """Yes or no, from the terminal."""
    while True:
        try:
            answer = input(f"{question} [y/n] ").strip().lower()
        except EOFError:
            return False
        if answer in ("y", "yes", "n", "no"):
            return answer.startswith("y")


def show_level(level_dbfs: float) -> None:
    """A meter on one line of a terminal."""
    if sys.stdout.isatty():
        print(f"\r{meter(level_dbfs)}", end="", flush=True)


def _clause(sentence: str) -> str:
    return sentence[:1].lower() + sentence[1:].rstrip(".")


def _asks(name: str) -> str:
    return "feed hold" if name == "hold" else "spindle stop"
