"""Commands about findings: what is wrong or suspicious, and who took note of it."""

from __future__ import annotations

from typing import Annotated, Any

import typer

from dashboard import format as say
from dashboard.cli_common import DEFAULT_STORE, AsJson, MaybeSite, StorePath, plain, show, table
from dashboard.pages.findings_text import effect
from monitor.errors import DescriptionError
from monitor.metrics import periods
from monitor.refresh import refresh_site
from monitor.store.connection import open_store
from monitor.store.findings import KeptFinding, load_findings, note_finding
from monitor.store.sites import list_sites, load_site

findings_app = typer.Typer(no_args_is_help=True, help="What is wrong, and what to look at first.")


def register(app: typer.Typer) -> None:
    """Add these commands to the program."""
    app.add_typer(findings_app, name="findings")


@findings_app.command("list")
def findings_list(
    site: MaybeSite = None,
    cleared: Annotated[
        bool, typer.Option("--cleared", help="Those that were cleared as well.")
    ] = False,
    store: StorePath = DEFAULT_STORE,
    as_json: AsJson = False,
) -> None:
    """List findings, what wants a person first at the top."""
    now = periods.utc_now()
    with open_store(store) as opened:
        for described in [load_site(opened, site)] if site else list_sites(opened):
            refresh_site(opened, described.id, now=now)
        found = load_findings(opened, site, cleared=cleared)
    rows = table(">number", "site", "finding", "effect", "since", "noted by", "what to check first")
    for kept in found:
        rows.add_row(
            str(kept.number),
            kept.site_id,
            kept.finding.title + (" (cleared)" if kept.cleared_at else ""),
            effect(kept.finding),
            say.short_day((kept.finding.since or kept.opened_at).date()),
            kept.noted_by or say.NOTHING,
            next(iter(kept.finding.check), ""),
        )
    show(as_json, [_document(kept) for kept in found], rows)


def _document(kept: KeptFinding) -> dict[str, Any]:
    return {
        "finding": kept.number,
        "site": kept.site_id,
        "opened_at": plain(kept.opened_at),
        "seen_at": plain(kept.seen_at),
        "cleared_at": None if kept.cleared_at is None else plain(kept.cleared_at),
        "times_opened": kept.times_opened,
        "noted_by": kept.noted_by,
        "noted_at": None if kept.noted_at is None else plain(kept.noted_at),
        "note": kept.note,
        **kept.finding.model_dump(mode="json"),
    }


@findings_app.command("note")
def findings_note(
    number: int,
    by: Annotated[str, typer.Option("--by", help="Who takes note of it.")],
    note: Annotated[str, typer.Option(help="What was seen or done.")],
    store: StorePath = DEFAULT_STORE,
    as_json: AsJson = False,
) -> None:
    """Take note of an open finding; it stays open until it is no longer found."""
    if not by.strip() or not note.strip():
        message = "A note needs a name and something to say."
        raise DescriptionError(message)
    with open_store(store) as opened:
        note_finding(opened, number, by, note, periods.utc_now())
    show(as_json, {"finding": number, "noted_by": by}, f"Finding {number} is noted.")
