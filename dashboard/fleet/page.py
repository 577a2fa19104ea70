"""The shop's page: every spindle at a glance. It watches: no request to it changes anything."""

from __future__ import annotations

from collections.abc import Iterable

from starlette.types import ASGIApp

from dashboard.access import Guard
from dashboard.app import add_page, add_session, bare_app
from dashboard.entry import Entry
from dashboard.fleet.readout import add_readouts
from dashboard.fleet.shop import ShopState
from dashboard.watching import add_watching


def create_shop_app(shop: ShopState, *, entry: Entry | None = None, names: Iterable[str] = ()) -> ASGIApp:
    """Put the shop's server together.

    Parameters
    ----------
    shop : ShopState
        What is known of the spindles.
    entry : Entry, optional
        Who may come in; without it everyone who can reach the page.
    names : iterable of str
        Names, besides addresses and ``localhost``, that this server is reached by.
    """
    app = bare_app()
    add_page(app, "shop.html")
    add_session(app, entry, has_live=True, has_past=False)
    add_watching(app, shop)
    add_readouts(app, shop)
    return Guard(app, names, entry)
