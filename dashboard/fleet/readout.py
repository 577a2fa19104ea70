"""Read-outs for other software, on a monitor's own page and on the shop's.

GET /metrics                  OpenMetrics
GET /probe   /NAME/probe      MTConnect 1.4: which spindles there are, and what is told of each
GET /current /NAME/current    the newest of everything
GET /sample  /NAME/sample     what was told, ?from=NUMBER&count=NUMBER

Whoever may watch may read: on a network with the header ``Authorization: Bearer TOKEN``.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from fastapi import FastAPI, Request, Response

from dashboard.fleet.mtconnect import Agent, Refused, error
from dashboard.fleet.openmetrics import openmetrics
from dashboard.fleet.shop import ShopState
from dashboard.operating import NOT_ALLOWED

XML = "text/xml; charset=utf-8"
UNSUPPORTED = ("path", "at", "interval", "heartbeat")
_XML: dict[int | str, dict[str, Any]] = {
    200: {"content": {"text/xml": {}}, "description": "an MTConnect document"},
    400: {"content": {"text/xml": {}}, "description": "an MTConnect error document"},
    404: {"content": {"text/xml": {}}, "description": "an MTConnect error document: no such device"},
}


def add_readouts(app: FastAPI, shop: ShopState) -> None:
    """Add the read-outs of these spindles."""
    agent = Agent(shop)
    metrics_text: dict[int | str, dict[str, Any]] = {200: {"content": {"application/openmetrics-text": {}}}}

    @app.get("/metrics", response_class=Response, responses=metrics_text | NOT_ALLOWED)
    def metrics() -> Response:
        shop.tick()
        content, media_type = openmetrics(shop.spindles())
        return Response(content, media_type=media_type)

    for path in ("", "/{device}"):
        _add_agent(app, shop, agent, path)


def _add_agent(app: FastAPI, shop: ShopState, agent: Agent, path: str) -> None:
    def answer(request: Request, make: Callable[[], bytes], known: tuple[str, ...] = ()) -> Response:
        shop.tick()
        try:
            for name in request.query_params:
                if name in UNSUPPORTED:
                    raise Refused("UNSUPPORTED", f"{name} is not supported here")
                if name not in known:
                    raise Refused("INVALID_REQUEST", f"{name[:40]} is no parameter of this request")
            return Response(make(), media_type=XML)
        except Refused as refused:
            status = 404 if refused.code == "NO_DEVICE" else 400
            return Response(error(refused.code, str(refused)), status, media_type=XML)

    @app.get(f"{path}/probe", response_class=Response, responses=_XML | NOT_ALLOWED)
    def probe(request: Request, device: str | None = None) -> Response:
        return answer(request, lambda: agent.probe(device))

    @app.get(f"{path}/current", response_class=Response, responses=_XML | NOT_ALLOWED)
    def current(request: Request, device: str | None = None) -> Response:
        return answer(request, lambda: agent.current(device))

    @app.get(f"{path}/sample", response_class=Response, responses=_XML | NOT_ALLOWED)
    def sample(request: Request, device: str | None = None) -> Response:
        def make() -> bytes:
            start = _whole(request.query_params.get("from"), "from")
            count = _whole(request.query_params.get("count"), "count")
            return agent.sample(device, start, 100 if count is None else count)

        return answer(request, make, ("from", "count"))


def _whole(text: str | None, name: str) -> int | None:
    if text is None:
        return None
    if not (text.isascii() and text.isdigit() and len(text) < 18):
        raise Refused("INVALID_REQUEST", f"{name} has to be a whole number")
    return int(text)
