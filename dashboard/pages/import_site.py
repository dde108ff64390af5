"""The part of the import page that chooses the site: typed for, since a fleet may be large."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime
from typing import Any, Final

from dash import Dash, Input, Output, State, dcc, html

from dashboard import format as fmt
from dashboard import importing
from dashboard.access import guarded, require_user
from dashboard.fleet_query import MOST_TEXT
from monitor.store.connection import Store

FIND: Final = "import-find"
OFFERED: Final = "import-offered"
SITE: Final = "import-site"


def choice(found: Sequence[tuple[str, str, str]], count: int) -> list[Any]:
    """The field to type in, and the first few sites that it finds.

    Parameters
    ----------
    found, count
        As `importing.find` gives them.
    """
    return [
        html.H2("The site"),
        html.Label("Find it by name, place or id", htmlFor=FIND),
        dcc.Input(
            id=FIND,
            type="search",
            debounce=0.3,
            maxLength=MOST_TEXT,
            autoComplete="off",
            className="field",
        ),
        html.P(offered(len(found), count), id=OFFERED, className="note", role="status"),
        html.Fieldset(
            [
                html.Legend("Site", className="unseen"),
                dcc.RadioItems(id=SITE, options=options(found), className="sites-found"),
            ]
        ),
    ]


def options(found: Sequence[tuple[str, str, str]]) -> list[dict[str, str]]:
    """Sites to choose from."""
    return [
        {"label": f"{name} ({site_id}){f', {place}' if place else ''}", "value": site_id}
        for site_id, name, place in found
    ]


def offered(shown: int, count: int) -> str:
    """How many sites there are to choose from, and what to do if there are too many."""
    if count == 0:
        return "No site is like that. Try a part of its name, place or id."
    if shown == count:
        return f"{fmt.plural(count, 'site')}."
    return f"{fmt.number(shown)} of {fmt.plural(count, 'site')} shown: type more to find yours."


def register(app: Dash, store: Store, clock: Callable[[], datetime]) -> None:
    """Add the callback of this part."""

    @app.callback(
        Output(SITE, "options"),
        Output(OFFERED, "children"),
        Input(FIND, "value"),
        State(SITE, "value"),
        prevent_initial_call=True,
    )
    @guarded
    def sought(text: object, chosen: object) -> tuple[list[dict[str, str]], str]:
        user, now = require_user(), clock()
        found, count = importing.find(user, store, text if isinstance(text, str) else "", now)
        said = offered(len(found), count)
        if isinstance(chosen, str) and chosen not in {site_id for site_id, _, _ in found}:
            # What is chosen stays in sight: a file must not go where nobody sees.
            site = importing.site_of(user, store, chosen)
            found = [(site.id, site.name, site.place), *found]
        return options(found), said
