"""What a person, a disk or a network can hand to spindlebell, each as a function that takes any bytes.

A target does with its bytes what the commands do with such a file, request or store. It raises where the
program breaks its word: a traceback, an exit status that does not fit, a message that is not one clear line,
something half-written, an answer that takes too long.
"""

from __future__ import annotations

import asyncio
import io
import json
import logging
import shutil
import socket
import sqlite3
import struct
import time
import zlib
from collections.abc import Callable, Iterator, Sequence
from contextlib import (
    AbstractContextManager,
    closing,
    contextmanager,
    redirect_stderr,
    redirect_stdout,
    suppress,
)
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

from dashboard.app import create_app
from dashboard.live import LiveState
from dashboard.serve import listen, serving
from dashboard.sound import SoundMemory
from dashboard.spectrogram import OrderSpectrogram
from monitor import cli
from monitor.baseline import Baseline, describe, load_baseline, save_baseline
from monitor.errors import LONGEST_MESSAGE, EvidenceError, InputError, in_brief, one_line
from monitor.evidence.archive import Archive
from monitor.evidence.recorder import Evidence
from monitor.evidence.space import make_room
from monitor.job import Job, default_job, load_job, parse_job
from monitor.listener import Listener
from monitor.measurements import Heard
from monitor.planning.job_text import job_text
from monitor.planning.program import read_program
from monitor.planning.program_state import ReadingRules
from monitor.recordings import HIGHEST_RATE_HZ, LOWEST_RATE_HZ, open_recording
from monitor.session import Session
from monitor.signal.orders import FreeRun, learn_baseline
from monitor.station import EXAMPLE as STATION
from monitor.station import load_station
from tests.dashboard.shop import Shop, hold
from tests.dashboard.test_past import keep_batch
from tests.evidence.test_store import INFO
from tests.scripted import CountingLine, event, peck, row

ROOT = Path(__file__).parents[2]
SCENES = ROOT / "recordings_synthetic"
LONGEST_S = 10.0  # processor time of one input; the slowest honest one takes a tenth of a second
FS = LOWEST_RATE_HZ
MOST_SAMPLES = 3_000_000  # read of one recording: a minute at 48 kHz

Try = Callable[[bytes], bool]


class Broken(AssertionError):
    """The program did not keep its word."""


@dataclass(frozen=True)
class Target:
    """One door into the program.

    ``opened`` gives, for a scratch directory, the function that takes the bytes and tells whether they were
    accepted; ``seeds`` are honest inputs,
    ``words`` what its language is made of,
    ``text`` whether it is one of lines and numbers.
    """

    name: str
    what: str
    opened: Callable[[Path], AbstractContextManager[Try]]
    seeds: Callable[[], list[bytes]]
    words: tuple[str, ...] = ()
    text: bool = True


def sampled(data: bytes, one_in: int, which: int = 0) -> bool:
    """Whether this input is among those for which the costly part is done: the same for the same bytes."""
    return zlib.crc32(data) % one_in == which


def command(*words: str, may: Sequence[int] = (0, 2)) -> tuple[int, str]:
    """Run a command as a person would; its status and what it printed. Raises Broken, or whatever is raised
    inside."""
    out, err = io.StringIO(), io.StringIO()
    with redirect_stdout(out), redirect_stderr(err):
        try:
            status = cli.main(words)
        except SystemExit as left:
            status = int(left.code or 0)
    said = err.getvalue()
    if status not in may:
        raise Broken(f"{words[0]}: exit status {status}: {said}")
    lines = said.splitlines()
    if status in (1, 2):
        if len(lines) != 1:
            raise Broken(f"{words[0]}: {len(lines)} lines where one says what is wrong: {said!r}")
        clear(lines[0])
    return status, out.getvalue()


def clear(message: str) -> None:
    """A message has to be one line that a person can read."""
    if not message or message != one_line(message):
        raise Broken(f"not one line: {message!r}")
    if len(message) > LONGEST_MESSAGE + 40:  # with the program's name before it
        raise Broken(f"a message of {len(message)} characters: {message[:200]!r}...")


def refused(read: Callable[[], Any], kinds: type[Exception] = InputError) -> tuple[Any, bool]:
    """What was read, and whether it was refused, with a clear message."""
    try:
        return read(), False
    except kinds as error:
        clear(in_brief(str(error)))
        return None, True


def hear(baseline: Baseline, job: Job) -> None:
    """Let the ear run for a moment, so that what was accepted is also used."""
    x = np.random.default_rng(1).normal(0, 0.01, FS // 2).astype(np.float32)
    listener = Listener(baseline, job, FS)
    listener.feed(x)
    listener.finish()
    picture = OrderSpectrogram(baseline, job.spindle_rpm, FS)
    live = LiveState(job, picture=picture)
    SoundMemory(FS, picture).take(x, False)
    live.finish("")


# Files that a person writes.


@contextmanager
def job_file(scratch: Path) -> Iterator[Try]:
    path, baseline = scratch / "job.toml", learned()

    def take(data: bytes) -> bool:
        path.write_bytes(data)
        job, no = refused(lambda: load_job(path))
        if no:
            if sampled(data, 50):
                command("plan", str(path), may=[2])
            return False
        out = scratch / "out.toml"
        status, _ = command("plan", str(path), "--job-out", str(out))
        if status == 0:
            parse_job(out.read_text("utf-8"), "out.toml")
            out.unlink()
        if out.exists():
            raise Broken("refused, and written all the same")
        parse_job(job_text(job), "job_text")
        if sampled(data, 8):
            refused(lambda: hear(baseline, job))
        return True

    yield take


def job_seeds() -> list[bytes]:
    whole = (ROOT / "monitor/data/cord_pulls.toml").read_bytes()
    more = b"""
[machine]
rapid = "60 in/min"
acceleration = "200 mm/s2"
droop = "150 rpm/Nm"
reload = "20 s"
"""
    inches = b"""[job]
name = "a"
blanks = 1
material = "burl"
[spindle]
speed = "800 rpm"
spot_speed = "2000 rpm"
[drill]
diameter = "1/4 in"
flutes = 2
flute_length = "2 in"
feed = "2.5 in/min"
point_angle = "118 deg"
lip_clearance = "12 deg"
[hole]
depth = "4.3 in"
pecks = ["0.8 in", "0.4 in", "0.25 in"]
clearance = "0.4 in"
retract = "0.1 in"
approach = "0.02 in"
dwell = "0.2 s"
[thresholds]
sag_warning = "4 %"
sag_hold = "8 %"
"""
    table = (ROOT / "monitor/planning/materials.toml").read_bytes()
    own = b"\n[materials.mine]" + table.partition(b"[acrylic]")[2].partition(b"[hardwood]")[0]
    mine = inches.replace(b'"burl"', b'"mine"') + own
    return [whole, whole + more, inches, (SCENES / "bind.toml").read_bytes(), mine]


@contextmanager
def station_file(scratch: Path) -> Iterator[Try]:
    path = scratch / "station.toml"
    words = ["listen", "--station", str(path), "--job", str(scratch / "none.toml"), "--baseline", "none"]

    def take(data: bytes) -> bool:
        path.write_bytes(data)
        _, no = refused(lambda: load_station(path))
        if not no or sampled(data, 20):
            status, _ = command(*words, "--out", str(scratch / "evidence"), "--port", "0")
            if status != 2 or (scratch / "evidence").exists():
                raise Broken("listen began without a job")
        return not no

    yield take


def station_seeds() -> list[bytes]:
    return [STATION.encode(), b"[page]\nport = 0\n"]


# The baseline file, which the program writes and a person may have touched.


def learned() -> Baseline:
    """A small baseline of the lamp machine."""
    runs = []
    for rpm in (900, 2000):
        x, fs = soundfile.read(SCENES / f"baseline_lamp_{rpm}rpm.flac", dtype="float32")
        runs.append(FreeRun(rpm, x[: 4 * fs], fs))
    whole = learn_baseline(runs, "2026-11-25T10:00:00+00:00")
    return replace(whole, lines=whole.lines[:4])


@contextmanager
def baseline_file(scratch: Path) -> Iterator[Try]:
    path, job = scratch / "baseline.json", default_job()

    def take(data: bytes) -> bool:
        path.write_bytes(data)
        baseline, no = refused(lambda: load_baseline(path))
        if no:
            return False
        describe(baseline)
        again = scratch / "again.json"
        save_baseline(baseline, again)
        load_baseline(again)
        if sampled(data, 4):
            refused(lambda: hear(baseline, job))
        return True

    yield take


def baseline_seeds() -> list[bytes]:
    small = json.loads(baseline_text(learned()))
    keep = 3
    small["floor_hz"] = small["floor_hz"][:: len(small["floor_hz"]) // keep]
    n = len(small["floor_hz"])
    small["floor_dbfs_hz"] = [row[:n] for row in small["floor_dbfs_hz"]]
    one = {
        **small,
        "speeds_rpm": [900.0],
        "heard_ratio": [1.0],
        "level_dbfs": [-30.0],
        "floor_dbfs_hz": small["floor_dbfs_hz"][:1],
        "lines": [],
    }
    return [json.dumps(small).encode(), json.dumps(one).encode()]


def baseline_text(baseline: Baseline) -> str:
    """Its JSON, as `save_baseline` writes it."""
    import tempfile

    with tempfile.TemporaryDirectory() as directory:
        path = Path(directory) / "baseline.json"
        save_baseline(baseline, path)
        return path.read_text("utf-8")


# Recordings.


@contextmanager
def recording(scratch: Path) -> Iterator[Try]:
    path, baseline = scratch / "rec", scratch / "baseline.json"
    save_baseline(learned(), baseline)
    out = scratch / "out.json"

    def take(data: bytes) -> bool:
        path.write_bytes(data)
        read, no = refused(lambda: consume(path))
        if no or sampled(data, 10):
            status, _ = command("baseline", "--rpm", "900", str(path), "-o", str(out))
            if (no and status != 2) or (status == 2 and out.exists()):
                raise Broken(f"baseline answers {status} and a file: {out.exists()}")
            out.unlink(missing_ok=True)
        if read is None:
            return False
        x, fs = read
        if sampled(data, 6, 1):
            # The same again and again, as long as a short recording: what a file holds, the ear is given.
            free = np.resize(x, 3 * fs)[:400_000]
            refused(lambda: learn_baseline([FreeRun(900.0, free, fs)], ""))
        if sampled(data, 12, 2):
            words = ["--job", str(SCENES / "bind.toml"), "--baseline", str(baseline)]
            evidence = scratch / "evidence"
            command("replay", str(path), *words, "--out", str(evidence), may=(0, 2, 10))
            shutil.rmtree(evidence, ignore_errors=True)
        return True

    yield take


def consume(path: Path) -> tuple[np.ndarray, int]:
    """Read a recording as `replay` does; its beginning, and its rate."""
    found = open_recording(path)
    if not LOWEST_RATE_HZ <= found.fs <= HIGHEST_RATE_HZ:
        raise Broken(f"{found.fs} Hz accepted")
    kept, n = np.zeros(0, np.float32), 0
    for x in found.blocks(10 * found.fs):
        kept = kept if len(kept) else x[: found.fs]
        n += len(x)
        if n > MOST_SAMPLES:
            break
    if found.cut_short:
        clear(one_line(found.cut_short))
    return kept, found.fs


def recording_seeds() -> list[bytes]:
    """Short sounds in every form that is accepted."""
    x = (0.1 * np.sin(np.arange(400) / 3.0)).astype(np.float32)
    two = np.stack([x, -x], axis=1)
    made = []
    for form, subtypes in {
        "WAV": ("PCM_16", "PCM_24", "PCM_32", "PCM_U8", "FLOAT", "DOUBLE", "ULAW", "IMA_ADPCM"),
        "WAVEX": ("PCM_16", "FLOAT"),
        "RF64": ("PCM_16",),
        "W64": ("PCM_16",),
        "FLAC": ("PCM_16", "PCM_24", "PCM_S8"),
    }.items():
        for i, subtype in enumerate(subtypes):
            sound = io.BytesIO()
            soundfile.write(sound, two if i % 2 else x, FS, format=form, subtype=subtype)
            made.append(sound.getvalue())
    floats = np.array([np.nan, np.inf, -np.inf, 3e38, 1e-40, 0, 1, -1] * 20, np.float32)
    sound = io.BytesIO()
    soundfile.write(sound, floats, FS, format="WAV", subtype="FLOAT")
    return [*made, sound.getvalue()]


# The evidence store: bytes changed in the file or in its log, or values that no version ever wrote.


@contextmanager
def evidence_store(scratch: Path) -> Iterator[Try]:
    base, killed = scratch / "base", scratch / "killed"
    keep_batch(base, blanks=4)
    keep_killed(killed)
    directory = scratch / "evidence"
    app = None

    def take(data: bytes) -> bool:
        nonlocal app
        shutil.rmtree(directory, ignore_errors=True)
        shutil.copytree(killed if data[:1] == b"W" else base, directory)
        if not damaged(directory, data):
            return False
        _, no = refused(lambda: read_all(Archive(directory)), EvidenceError)
        which = zlib.crc32(data) % 6
        if which < 3:
            words = ("report", "pecks", "thresholds")[which]
            command(words, str(directory), may=(0, 1, 2))
        elif which == 3:
            refused(lambda: add_batch(directory), EvidenceError)
        elif which == 4:
            refused(lambda: make_room(directory, 1, 0), (OSError, sqlite3.Error))  # type: ignore[arg-type]
        else:
            app = app or create_app(None, None, archive=Archive(directory))
            for path in PAST:
                status = asyncio.run(asked(app, f"GET {path} HTTP/1.1\nhost: {HOST}\n\n".encode()))
                if status >= 500 and status != 503:
                    raise Broken(f"{path}: {status}")
        return not no

    logging.getLogger("dashboard.past").disabled = True
    yield take
    logging.getLogger("dashboard.past").disabled = False


OF_A_BATCH = ("", "/wear", "/curve", "/events.jsonl", "/trace.csv", "/pecks.csv", "/clips.zip")
PAST = (
    "/api/batches",
    *(f"/api/batches/1{what}" for what in OF_A_BATCH),
    *(f"/api/events/{number}" for number in (1, 2, 3)),
    "/api/events/2/clip.flac",
)


def keep_killed(directory: Path) -> None:
    """An evidence directory as a killed process leaves it: the newest of it in the log beside the store."""
    living = directory.with_name("living")
    with Evidence(living, replace(INFO, job=job_text(default_job()))) as evidence:
        for i in range(8):
            x = np.zeros(8000, np.float32)
            rows = [row(i + k / 20) for k in range(20)]
            evidence.record(x, Heard(rows, [event(i + 0.5)], [peck(i + 0.9, i + 1)]))
        shutil.copytree(living, directory)


def damaged(directory: Path, data: bytes) -> bool:
    """Do to a store what the bytes say; whether that could be done.

    B, W: pairs of place (3 bytes) and byte, in the file or in its log; T: cut off at a place; S: SQL.
    """
    how, rest = data[:1], data[1:]
    path = directory / "evidence.db"
    if how == b"S":
        return changed_by_sql(path, rest)
    if how not in (b"B", b"W", b"T"):
        return False
    path = path.with_name("evidence.db-wal") if how == b"W" else path
    content = bytearray(path.read_bytes())
    for i in range(0, len(rest) - 3, 4):
        place = int.from_bytes(rest[i : i + 3], "big") % max(len(content), 1)
        if how == b"T":
            del content[place:]
        else:
            content[place] = rest[i + 3]
    path.write_bytes(content)
    return True


def changed_by_sql(path: Path, script: bytes) -> bool:
    """Whether the script ran; it may touch no other file and not run for ever."""
    allowed = {sqlite3.SQLITE_ATTACH: sqlite3.SQLITE_DENY, sqlite3.SQLITE_PRAGMA: sqlite3.SQLITE_DENY}
    until = time.monotonic() + 0.2
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        db.execute("PRAGMA journal_mode = DELETE")
        db.set_authorizer(lambda act, *_: allowed.get(act, sqlite3.SQLITE_OK))
        db.set_progress_handler(lambda: time.monotonic() > until, 1000)
        try:
            db.executescript(script.decode("utf-8", "replace"))
        except (sqlite3.Error, ValueError):
            return False
        return True


def read_all(archive: Archive) -> None:
    """Everything that can be read."""
    for batch in archive.batches()[:5]:
        number = batch.number
        archive.batch(number)
        for past in archive.events(number)[:50]:
            archive.event(past.number)
            archive.clip(past.clip)
        archive.pecks(number)
        archive.acts(number)
        archive.clips(number)
        archive.curves(number, ("t", "sag_pct", "cut_level_db"), 0.0, 5.0)
        archive.envelope(number, ("sag_pct",), 20)
        for n, _ in enumerate(archive.trace_pages(number, 100)):
            if n > 1000:
                raise Broken("the curves of a short batch have no end")


def add_batch(directory: Path) -> None:
    """A new run into the directory."""
    from tests.scripted import ScriptedListener

    with Evidence(directory, INFO) as evidence:
        session = Session(ScriptedListener(FS, [event(0.2)], [peck(0.4)]), evidence, CountingLine())
        session.feed(np.zeros(FS, np.float32))
        session.finish()


def store_seeds() -> list[bytes]:
    seeds = [
        b"B" + bytes((0, 0, place, value)) for place in (0, 18, 28, 40, 56, 60, 96) for value in (0, 255)
    ]
    seeds += [b"W" + bytes((0, 0, place, 1)) for place in (0, 8, 24, 40)]
    seeds += [b"T" + place.to_bytes(3, "big") + b"\0" for place in (0, 100, 4096, 50_000)]
    columns = {
        "batches": "id started_at source sample_rate_hz job state duration_s note",
        "events": "t at kind severity value onset_t clip message blank depth_mm batch",
        "pecks": "blank peck start_s end_s depth_from_mm depth_to_mm max_sag_pct climb_depth_mm worst_event",
        "trace": "t speed_rpm sag_pct cutting cut_level_db",
        "clips": "name start_s end_s",
        "acts": "t at act by",
    }
    values = ["1e300", "'x'", "x'00ff'", "-1", "''", "9223372036854775807", "9e999", "0"]
    for i, (table, names) in enumerate(columns.items()):
        for j, name in enumerate(names.split()):
            seeds.append(f'SUPDATE {table} SET "{name}" = {values[(i + j) % len(values)]}'.encode())
    seeds += [f"SDROP TABLE {table}".encode() for table in columns]
    seeds.append(b"SDELETE FROM batches; INSERT INTO verdicts VALUES (1, 2, 'x', 'y', 'real', '')")
    return seeds


# The page's server: requests straight to the application, and bytes on a socket.

HOST = "127.0.0.1:8765"


@contextmanager
def server(scratch: Path) -> Iterator[Try]:
    directory = scratch / "evidence"
    keep_batch(directory)
    shop = Shop()
    shop.work(3, hold(2.0))
    app = create_app(
        shop.live, shop, sound=SoundMemory(FS), archive=Archive(directory), batch=1, report=lambda _: "report"
    )
    failures: list[str] = []
    log = logging.getLogger("uvicorn.error")
    handler = _Failures(failures)
    log.addHandler(handler)
    with closing(listen("127.0.0.1", 0)) as listening, serving(app, listening):
        port = listening.getsockname()[1]
        loop = asyncio.new_event_loop()

        def take(data: bytes) -> bool:
            status = 0
            if sampled(data, 16):
                exchange(port, data)
            else:
                status = loop.run_until_complete(asyncio.wait_for(asked(app, data), LONGEST_S))
                if status >= 500:
                    raise Broken(f"status {status}")
            if failures:
                raise Broken(failures.pop())
            if shop.resets:
                raise Broken("a reset that nobody kept pressed")
            return 200 <= status < 400

        yield take
        loop.close()
    log.removeHandler(handler)


class _Failures(logging.Handler):
    def __init__(self, failures: list[str]) -> None:
        super().__init__(logging.ERROR)
        self._failures = failures

    def emit(self, record: logging.LogRecord) -> None:
        self._failures.append(logging.Formatter().format(record))


async def asked(app: Any, data: bytes) -> int:
    """Ask the application as a server would that has taken the request apart; the status of its answer."""
    head, _, body = data.partition(b"\n\n")
    first, *lines = head.split(b"\n")
    method, _, target = first.partition(b" ")
    target = target.partition(b" ")[0]
    raw_path, _, query = target.partition(b"?")
    pairs = (line.partition(b":") for line in lines)
    headers = [
        (name.strip().lower(), value.strip().replace(b"HOST", HOST.encode())) for name, _, value in pairs
    ]
    scope = {
        "asgi": {"version": "3.0"}, "http_version": "1.1", "headers": headers, "query_string": query,
        "raw_path": raw_path, "root_path": "", "client": ("127.0.0.1", 5), "server": ("127.0.0.1", 8765),
        "path": unquoted(raw_path),
    }  # fmt: skip
    statuses: list[int] = []

    async def send(message: Any) -> None:
        if "status" in message:
            statuses.append(message["status"])

    if method == b"WS":
        said = iter([{"type": "websocket.connect"}, *(message_of(words) for words in body.split(b"\n"))])

        async def receive() -> Any:
            return next(said, {"type": "websocket.disconnect", "code": 1001})

        await app({**scope, "type": "websocket", "scheme": "ws", "subprotocols": []}, receive, send)
        return 0
    parts = iter([{"type": "http.request", "body": body, "more_body": False}])

    async def receive_body() -> Any:
        return next(parts, {"type": "http.disconnect"})

    name = method.decode("latin-1").upper() or "GET"
    await app({**scope, "type": "http", "scheme": "http", "method": name}, receive_body, send)
    return statuses[0] if statuses else 0


def message_of(words: bytes) -> dict[str, Any]:
    try:
        return {"type": "websocket.receive", "text": words.decode()}
    except UnicodeDecodeError:
        return {"type": "websocket.receive", "bytes": words}


def unquoted(path: bytes) -> str:
    from urllib.parse import unquote

    return unquote(path.decode("latin-1")) or "/"


def exchange(port: int, data: bytes) -> None:
    """Send bytes, and see the server answer or close; a WebSocket first shakes hands as it should."""
    host = f"127.0.0.1:{port}".encode()
    sent = data.replace(b"HOST", host).replace(b"\n", b"\r\n")
    with socket.create_connection(("127.0.0.1", port), timeout=LONGEST_S) as client:
        if data.startswith(b"WS"):
            client.sendall(
                b"GET /api/live HTTP/1.1\r\nHost: %b\r\nOrigin: http://%b\r\nConnection: Upgrade\r\n"
                b"Upgrade: websocket\r\nSec-WebSocket-Version: 13\r\n"
                b"Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\n\r\n" % (host, host)
            )
            client.recv(4096)
            _, _, frames = data.partition(b"\n\n")
            sent = frames if sampled(data, 32) else masked(frames)
        try:
            client.sendall(sent)
            client.settimeout(0.01)
            with suppress(TimeoutError):
                client.recv(4096)
            client.settimeout(LONGEST_S)
            client.shutdown(socket.SHUT_WR)
            while client.recv(65536):
                pass
        except (ConnectionError, BrokenPipeError):
            pass
        except OSError as error:
            if isinstance(error, TimeoutError):
                raise Broken("the server neither answered nor closed") from error


def masked(words: bytes) -> bytes:
    """A text frame as a browser sends it (RFC 6455, 5.2)."""
    size = len(words)
    length = bytes([128 | size]) if size < 126 else struct.pack(">BH", 128 | 126, size)
    return b"\x81" + length + b"\0\0\0\0" + words if size < 65536 else b""


def server_seeds() -> list[bytes]:
    ours = b"Host: HOST\nOrigin: http://HOST"
    look = [
        "/", "/page/main.js", "/api/session", "/api/state", "/api/sound.wav", "/api/openapi.json", *PAST,
        "/api/live", "/api/batches/1/curve?points=50", "/api/batches/1/report.html",
    ]  # fmt: skip
    seeds = [b"GET %b HTTP/1.1\n%b\n\n" % (path.encode(), ours) for path in look]
    bodies = {
        "/api/hold": b"", "/api/acknowledge": b"", "/api/reset/begin": b'{"hold": 1}',
        "/api/reset/end": b'{"press": "x"}', "/api/limits": b'{"warning_pct": 4, "hold_pct": 8}',
        "/api/events/2/verdict": b'{"verdict": "real", "note": "yes"}', "/api/session": b'{"token": "t"}',
        "/api/session/end": b"",
    }  # fmt: skip
    for path, body in bodies.items():
        head = b"POST %b HTTP/1.1\n%b\nContent-Type: application/json" % (path.encode(), ours)
        seeds.append(head + b"\nContent-Length: %d\n\n%b" % (len(body), body))
    seeds.append(
        b"GET / HTTP/1.1\n%b\nIf-None-Match: x\nAccept-Encoding: gzip\nRange: bytes=0-9\nCookie: a=b\n\n"
        % ours
    )
    seeds.append(b"WS /api/live?run=a&rows=1&events=2&columns=3 HTTP/1.1\n%b\n\nhello\n{}" % ours)
    seeds.append(b"WS /api/live HTTP/1.1\n%b\n\n\x81\x85\0\0\0\0hello\x89\x80\0\0\0\0" % ours)
    return seeds


# Programs.


@contextmanager
def program(scratch: Path) -> Iterator[Try]:
    path, job, out = scratch / "old.nc", scratch / "job.toml", scratch / "new.toml"
    shutil.copy(SCENES / "bind.toml", job)

    def take(data: bytes) -> bool:
        options, text = (data[:1] or b"\0")[0], data[1:]
        words = ["--codes", ("rs274", "lathe-a")[options & 1]]
        words += ["--units", ("mm", "in")[options >> 1 & 1]] if options & 4 else []
        words += ["--feed", ("per-minute", "per-revolution")[options >> 3 & 1]] if options & 16 else []
        words += ["--without-point", ("whole", "increments")[options >> 5 & 1]]
        rules = ReadingRules(words[1], "mm" if options & 4 else None)
        read, no = refused(lambda: read_program(text.decode("utf-8-sig", errors="replace"), rules))
        for remark in [] if no else read.remarks:
            clear(remark.text)
        if no and not sampled(data, 50):
            return False
        path.write_bytes(text)
        command("plan", str(job), "--from-program", str(path), *words)
        status, _ = command("plan", "--from-program", str(path), "--job-out", str(out), *words)
        if (status == 2) == out.exists():
            raise Broken(f"status {status}, and a file: {out.exists()}")
        out.unlink(missing_ok=True)
        return status == 0

    yield take


def program_seeds() -> list[bytes]:
    head = b"G21 G90 G94\nT2 M6\nS900 M3\nG0 X0 Z10.\n"
    texts = [
        head + b"G0 Z2.\nG1 Z-20. F72.\nG0 Z2.\nG0 Z-19.5\nG1 Z-30.\nG0 Z10.\nM30\n",
        head + b"G99 G83 Z-20. R2. Q6. F72.\nG80\nG0 Z10.\nM30\n",
        head + b"G98 G73 Z-20. R2. Q6. F72. L2\nG80\n",
        b"G20 G90 G95\nS800 M3\nG0 X0 Z1.\nG98 G83 Z-4.3 R.1 Q.25 F.003\nG80\n",
        b"G21 G91 G95 S900\nG0 X0. Z0.\nG90 Z2.\nG91\nG1 Z-5. F.1\nZ-5.\nG0 Z10.\n",
        b"G21 G98\nT0202\nS900 M3\nG0 X0 Z10.\nG83 Z-20. R-8. Q6000 F72.\nG80\nG0 W5. M30\n",
        b"G18 G21 G99\nT0505\nG97 S1200 M3\nG0 X0. Z2.\nG74 R0.5\nG74 Z-15. Q3000 F0.08\nM30\n",
        b"/N10 g01 z-.5f3 (peck ; one) X+2. ; out\n%\nO100\n#1=3\nG65 P9\nG92 Z3.\nG28 Z0.\nG53 Z0\n",
    ]
    return [bytes([options]) + text for text, options in zip(texts, (0, 0, 0, 0, 0, 1, 33, 4), strict=True)]


TOML = (
    *(
        '"',
        '"""',
        "[",
        "]",
        "[[",
        "=",
        "\n",
        "#",
        "{",
        "}",
        ",",
        "inf",
        "nan",
        "true",
        "1e400",
        "0x",
        "1979-05-27",
    ),
    *(
        "mm",
        "in",
        "rpm",
        "mm/rev",
        "in/min",
        "%",
        "s",
        "deg",
        "kHz",
        "GB",
        "mm/s2",
        "rpm/Nm",
        "1/4 in",
        "1e9 mm",
    ),
)
JSON = (
    *("null", "true", "NaN", "Infinity", "1e999", "-0", "{", "}", "[", "]"),
    *('"order"', '"fixed"', '"unknown"'),
)
HEADERS = ("RIFF", "RF64", "WAVE", "fmt ", "data", "ds64", "fact", "LIST", "fLaC", "riff", "\x7f\xff\xff\xff")
SQL = (
    *("UPDATE ", "DELETE FROM ", "INSERT INTO ", "SET ", "WHERE id = 1", "; ", "randomblob(9)"),
    *("batches", "events", "trace", "pecks", "clips", "acts", "verdicts"),
    *("NULL", "1e300", "'x'", "x'ff'", "-1", "'2026'"),
)
HTTP = (
    *("GET ", "POST ", "HEAD ", "WS ", "/api/", "batches/", "events/", "%2e%2e/", "%00", "?points=", "\n\n"),
    *("HOST", "Host: ", "Origin: http://", "Cookie: spindlebell=", "Content-Length: ", "Range: bytes="),
    *("Transfer-Encoding: chunked", "Upgrade: websocket", "Accept-Encoding: gzip", "Expect: 100-continue"),
    *('{"', '": ', "null", "1e999"),
)
CODES = (
    *(
        "G83",
        "G81",
        "G82",
        "G73",
        "G74",
        "G80",
        "G90",
        "G91",
        "G92",
        "G20",
        "G21",
        "G94",
        "G95",
        "G98",
        "G99",
    ),
    *("M30", "M98", "M6", "T", "S", "Z-", "R", "Q", "F", "L", "K", "P", "N", "X0", "W"),
    *("(", ")", ";", "%", "/", "#1", "1e9"),
)

TARGETS = {
    target.name: target
    for target in (
        Target("job", "job file", job_file, job_seeds, (*TOML, "acrylic", "pecks", "materials", "droop")),
        Target(
            "station", "station file", station_file, station_seeds, (*TOML, "hold_input", "device", "limit")
        ),
        Target("baseline", "baseline file", baseline_file, baseline_seeds, JSON),
        Target("recording", "WAV and FLAC files", recording, recording_seeds, HEADERS, text=False),
        Target("store", "evidence store", evidence_store, store_seeds, SQL),
        Target("server", "HTTP and WebSocket", server, server_seeds, HTTP),
        Target("program", "ISO 6983 programs", program, program_seeds, CODES),
    )
}
