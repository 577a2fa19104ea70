"""What a person does: hold now, acknowledge, reset, move the thresholds.

POST /api/hold           whoever may watch asks for a hold
POST /api/acknowledge    someone has seen the alarms
POST /api/reset/begin    Reset went down
POST /api/reset/end      Reset was kept down long enough: the hold ends
POST /api/limits         other sag thresholds from now on
POST /api/drill          a new or sharpened drill goes to work
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Protocol

import anyio
import anyio.to_thread
from fastapi import FastAPI, HTTPException, Request
from pydantic import BaseModel, ConfigDict, Field

from dashboard.access import KEEP_PRESSED_S, Presses
from dashboard.live import LiveState
from monitor.errors import InputError, ResetRefused
from monitor.session import LEAST_SAG_PCT, MOST_SAG_PCT, Session

OPERATING_THREADS = 8  # of their own, so that readers of evidence never keep a reset or Hold now waiting


class Operator(Protocol):
    """Who carries out what a person asks for; called from a worker thread, may block shortly.

    ``by`` says from where a wish came.
    """

    def hold_now(self, by: str) -> None:
        """Somebody wants the feed held."""
        ...

    def acknowledge(self) -> None:
        """Someone has seen every alarm there is."""
        ...

    def reset(self, by: str) -> None:
        """A person ends the hold on purpose. Raises ResetRefused."""
        ...

    def set_sag_limits(self, warning_pct: float, hold_pct: float, by: str) -> None:
        """Judge by other sag thresholds from now on. Raises InputError."""
        ...

    def new_drill(self, by: str) -> None:
        """A new or sharpened drill goes to work. Raises InputError."""
        ...


@dataclass(frozen=True, slots=True)
class SessionOperator:
    """Carries a person's wishes to a session, and what came of them back to the page."""

    session: Session
    live: LiveState

    def hold_now(self, by: str) -> None:
        """See `Operator`."""
        self.session.hold_now(by)
        self.live.operated(self.session.board)

    def acknowledge(self) -> None:
        """See `Operator`."""
        self.session.acknowledge()
        self.live.operated(self.session.board)

    def reset(self, by: str) -> None:
        """See `Operator`."""
        self.session.reset(by)
        self.live.operated(self.session.board)

    def set_sag_limits(self, warning_pct: float, hold_pct: float, by: str) -> None:
        """See `Operator`."""
        self.session.set_sag_limits(warning_pct, hold_pct, by)
        self.live.set_sag_limits(*self.session.sag_limits_pct)

    def new_drill(self, by: str) -> None:
        """See `Operator`."""
        self.session.new_drill(by)


class ResetBegin(BaseModel):
    """The hold that the page was showing when Reset went down."""

    model_config = ConfigDict(extra="forbid")
    hold: int = Field(ge=1, le=2**53)


class Press(BaseModel):
    """A press under way: its name, and how long it has to be kept."""

    press: str
    keep_s: float


class ResetEnd(BaseModel):
    """The press that was kept."""

    model_config = ConfigDict(extra="forbid")
    press: str = Field(max_length=64)


class Limits(BaseModel):
    """Sag thresholds in per cent; the warning comes before the hold."""

    model_config = ConfigDict(extra="forbid")
    warning_pct: float = Field(ge=LEAST_SAG_PCT, le=MOST_SAG_PCT)
    hold_pct: float = Field(ge=LEAST_SAG_PCT, le=MOST_SAG_PCT)


class Done(BaseModel):
    """It was done."""

    done: bool = True


class Refusal(BaseModel):
    """Why something was not done."""

    detail: str


def refused(status: int, why: str) -> dict[int | str, dict[str, Any]]:
    """An answer, for the schema."""
    return {status: {"model": Refusal, "description": why}}


NOT_ALLOWED = refused(401, "no session") | refused(403, "another page, or no right to do this")


def client_of(request: Request) -> str:
    """The address that a request came from."""
    return request.client.host if request.client else "unknown"


def person(request: Request) -> str:
    """How an act is signed."""
    return f"dashboard at {client_of(request)}"


def add_operating(app: FastAPI, live: LiveState, operator: Operator, presses: Presses) -> None:
    """Add the requests that change something at work."""
    threads: list[anyio.CapacityLimiter] = []

    async def carry_out(act: Callable[..., None], *given: Any) -> None:
        """In threads of its own: a hold must not wait until others have looked at something."""
        if not threads:
            threads.append(anyio.CapacityLimiter(OPERATING_THREADS))
        await anyio.to_thread.run_sync(act, *given, limiter=threads[0])

    @app.post("/api/hold", responses=NOT_ALLOWED)
    async def hold(request: Request) -> Done:
        await carry_out(operator.hold_now, person(request))
        return Done()

    @app.post("/api/acknowledge", responses=NOT_ALLOWED)
    async def acknowledge() -> Done:
        await carry_out(operator.acknowledge)
        return Done()

    not_that_hold = NOT_ALLOWED | refused(409, "that hold is not the one there is")

    @app.post("/api/reset/begin", responses=not_that_hold)
    async def begin_reset(asked: ResetBegin) -> Press:
        if asked.hold != live.hold_id:
            raise HTTPException(409, "There is no such hold; look at the page again.")
        return Press(press=presses.begin(asked.hold), keep_s=KEEP_PRESSED_S)

    not_kept = NOT_ALLOWED | refused(409, "not kept long enough, or another hold")

    @app.post("/api/reset/end", responses=not_kept)
    async def end_reset(asked: ResetEnd, request: Request) -> Done:
        refusal = presses.end(asked.press, live.hold_id)
        if refusal is not None:
            raise HTTPException(409, refusal)
        try:
            await carry_out(operator.reset, person(request))
        except ResetRefused as error:
            raise HTTPException(409, as_sentence(error)) from None
        return Done()

    @app.post("/api/limits", responses=NOT_ALLOWED | refused(409, "these thresholds cannot be"))
    async def limits(asked: Limits, request: Request) -> Done:
        try:
            await carry_out(operator.set_sag_limits, asked.warning_pct, asked.hold_pct, person(request))
        except InputError as error:
            raise HTTPException(409, as_sentence(error)) from None
        return Done()

    @app.post("/api/drill", responses=NOT_ALLOWED | refused(409, "the batch is over"))
    async def drill(request: Request) -> Done:
        try:
            await carry_out(operator.new_drill, person(request))
        except InputError as error:
            raise HTTPException(409, as_sentence(error)) from None
        return Done()


def as_sentence(error: Exception) -> str:
    """An error's message, as the page shows it."""
    text = str(error)
    return f"{text[:1].upper()}{text[1:]}."
