"""The frame around every page that runs scripts."""

from __future__ import annotations

from typing import Final

from dash import dcc, html
from flask import has_request_context, session

from dashboard.auth import current_user
from dashboard.components.aria import UNHEARD, aria
from dashboard.rules import reaches

#: Pages by address, in the order of the frame; who may not reach one is not shown it.
PAGES: Final = {
    "/agenda": "Agenda",
    "/desk": "Warranty desk",
    "/import": "Import a file",
    "/sources": "Sources",
}
PLAIN_PAGES: Final = {"/people": "People", "/told": "What I am told"}

#: Where the browser keeps what is searched in the fleet, until the page is left: it must not
#: stand in an address.
SEARCHED: Final = "fleet-searched"

INDEX: Final = """<!DOCTYPE html>
<html lang="en">
<head>
  {%metas%}
  <meta name="color-scheme" content="light dark">
  <title>{%title%}</title>
  <link rel="icon" type="image/svg+xml" href="/assets/favicon.svg">
  {%css%}
</head>
<body>
  <a class="skip" href="#main">Skip to the content</a>
  <noscript><p class="problem">These pages need JavaScript.</p></noscript>
  {%app_entry%}
  <footer>{%config%}{%scripts%}{%renderer%}</footer>
</body>
</html>
"""


def layout() -> html.Div:
    """Header, an empty page and what the browser keeps; nothing at all for a stranger."""
    user = current_user() if has_request_context() else None
    if user is None:
        return html.Div()
    return html.Div(
        [
            dcc.Location(id="url", refresh=False),
            dcc.Store(id="title"),
            dcc.Store(id=SEARCHED, storage_type="memory"),
            html.Header(
                [
                    dcc.Link(
                        [html.Span("◖", **UNHEARD), " pledgewatt"],
                        href="/",
                        className="brand",
                    ),
                    html.Nav(
                        [
                            dcc.Link(words, href=path)
                            for path, words in PAGES.items()
                            if reaches(user, path)
                        ]
                        + [
                            # Written by the server, without scripts: a page of their own.
                            html.A(words, href=path)
                            for path, words in PLAIN_PAGES.items()
                            if reaches(user, path)
                        ],
                        className="pages",
                        **aria(label="More pages"),
                    ),
                    html.Form(
                        [
                            dcc.Input(type="hidden", name="csrf", value=session["csrf"]),
                            html.Span(user.name, className="who"),
                            html.Button("Sign out", type="submit", className="plain"),
                        ],
                        method="post",
                        action="/logout",
                    ),
                ],
                className="top",
            ),
            html.Div(id="notice", role="alert"),
            html.Main(html.P("Loading …", className="note"), id="page"),
            html.Div(id="announcer", className="unseen", **aria(live="polite")),
        ],
        id="main",
    )
