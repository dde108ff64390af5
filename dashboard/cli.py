"""The `pledgewatt` command.

Results go to standard output, errors as sentences to standard error. Exit codes:
0 done; 1 a fault of the program; 2 something given cannot be used; 3 something asked
for does not exist; 4 the store is held by another process; 5 the meters cannot measure
the boundary; 6 the log of who did what is not whole. An import of several files goes on
after a bad one and ends with 2.
"""

from __future__ import annotations

import os
import sys
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any, NoReturn

import typer

from dashboard import (
    cli_audit,
    cli_claims,
    cli_context,
    cli_figures,
    cli_findings,
    cli_propose,
    cli_reasons,
    cli_sources,
    cli_telling,
    cli_users,
)
from dashboard import demo as demo_fleet
from dashboard.cli_common import (
    DAY,
    DEFAULT_STORE,
    AsJson,
    MaybeSite,
    SiteId,
    StorePath,
    err,
    plain,
    records,
    show,
    table,
)
from dashboard.provider import provider_from_toml
from dashboard.serve import serve as serve_pages
from dashboard.telling.described import telling_from_toml
from ingest.inbox import ImportReport, import_file
from ingest.shipped import profile_named
from ingest.sources import sources_from_toml
from monitor.errors import PledgewattError
from monitor.metrics import periods
from monitor.metrics.boundary import measurable, promised_recipe
from monitor.models import site_from_toml
from monitor.refresh import refresh_site
from monitor.store import audit, readings
from monitor.store.connection import open_store
from monitor.store.sites import list_sites, load_site, save_site

app = typer.Typer(
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    help="Tracks whether installed heat pumps keep the efficiency that was promised for them.",
)
site_app = typer.Typer(no_args_is_help=True, help="Describe sites.")
app.add_typer(site_app, name="site")
cli_audit.register(app)
cli_figures.register(app)
cli_findings.register(app)
cli_claims.register(app)
cli_context.register(app)
cli_propose.register(app)
cli_reasons.register(app)
cli_sources.register(app)
cli_telling.register(app)
cli_users.register(app)


@app.command()
def init(store: StorePath = DEFAULT_STORE, as_json: AsJson = False) -> None:
    """Make an empty store."""
    existed = store.exists()
    open_store(store, create=True).close()
    words = "is there already; nothing was changed" if existed else "is ready"
    show(as_json, {"store": str(store), "created": not existed}, f"The store {store} {words}.")


@site_app.command("add")
def site_add(
    site_file: Annotated[Path, typer.Argument(metavar="SITE.toml")],
    store: StorePath = DEFAULT_STORE,
    as_json: AsJson = False,
) -> None:
    """Add a site, or a new version of its description."""
    site = site_from_toml(site_file)
    for terms in site.terms:
        # A promise that the meters cannot measure is refused before it is recorded.
        promised_recipe(site, terms)
    with open_store(store) as opened:
        changed = save_site(opened, site, periods.utc_now())
        if changed:
            refresh_site(opened, site.id, now=periods.utc_now())
    able = measurable(site)
    show(
        as_json,
        {"site": site.id, "changed": changed, "measurable_boundaries": list(able)},
        f"Site '{site.id}' {'recorded' if changed else 'unchanged'}. Its meters can measure "
        f"{', '.join(able) or 'no boundary'}.",
    )


@site_app.command("list")
def site_list(store: StorePath = DEFAULT_STORE, as_json: AsJson = False) -> None:
    """List the sites."""
    with open_store(store) as opened:
        sites = list_sites(opened)
    rows = table("site", "name", "place", ">promise", "boundary", "meters")
    for site in sites:
        terms = site.current_terms
        rows.add_row(
            site.id,
            site.name,
            site.place,
            f"{terms.promised_spf:.2f}" if terms else "–",
            terms.boundary.value if terms else "–",
            ", ".join(fit.serial for fit in site.meter),
        )
    show(
        as_json,
        [
            {
                "site": site.id,
                "name": site.name,
                "place": site.place,
                "zone": site.zone,
                "promise": site.current_terms.promised_spf if site.current_terms else None,
                "boundary": site.current_terms.boundary if site.current_terms else None,
                "measurable_boundaries": list(measurable(site)),
                "meters": [fit.serial for fit in site.meter],
            }
            for site in sites
        ],
        rows,
    )


@app.command("import")
def import_files(
    files: Annotated[list[Path], typer.Argument(metavar="FILE...")],
    site: SiteId,
    profile: Annotated[Path, typer.Option(metavar="PROFILE", help="File of a profile, or a name.")],
    store: StorePath = DEFAULT_STORE,
    as_json: AsJson = False,
) -> None:
    """Import exports of a site's meters, then bring its figures up to date."""
    layout = profile_named(str(profile))
    done: list[ImportReport] = []
    failed: list[tuple[Path, str]] = []
    with open_store(store) as opened:
        load_site(opened, site)
        for path in files:
            try:
                done.append(import_file(opened, site, path, layout, now=periods.utc_now()))
            except PledgewattError as error:
                failed.append((path, error.user_message))
        standing = refresh_site(opened, site, now=periods.utc_now())
    lines = [line for report in done for line in (report.sentence, *_indented(report.notes))]
    lines.append(f"Standing of {site}: {standing.word}. {standing.why}")
    show(
        as_json,
        {
            "site": site,
            "imports": [_report(report) for report in done],
            "failed": [{"file": str(path), "error": why} for path, why in failed],
            "standing": standing.word,
        },
        "\n".join(lines),
    )
    for _, why in failed:
        err.print(why, highlight=False, markup=False, soft_wrap=True)
    if failed:
        raise typer.Exit(2)


def _indented(notes: tuple[str, ...]) -> list[str]:
    return [f"  note: {note}" for note in notes]


def _report(report: ImportReport) -> dict[str, Any]:
    c = report.counts
    return {
        "file": report.file_name,
        "import_id": c.import_id,
        "already_imported": report.already is not None,
        "lines": report.lines,
        "blank": report.blank,
        "rows_read": c.rows_read,
        "accepted": c.accepted,
        "duplicates": c.duplicates,
        "conflicts": c.conflicts,
        "quarantined": c.quarantined,
        "notes": list(report.notes),
    }


@app.command()
def quarantine(
    site: MaybeSite = None, store: StorePath = DEFAULT_STORE, as_json: AsJson = False
) -> None:
    """Readings that became no figure, each with its place and reason."""
    with open_store(store) as opened:
        if site:
            load_site(opened, site)
        frame = readings.quarantined(opened, site)
    rows = table("site", "stage", "file", ">line", "column", "time (UTC)", "value", "reason")
    for row in frame.head(200).iter_rows():
        rows.add_row(*("" if cell is None else plain(cell) for cell in row))
    if frame.height > 200:
        rows.caption = f"the first 200 of {frame.height:,}; --json gives all"
    show(as_json, records(frame), rows)


@app.command()
def imports(
    site: MaybeSite = None, store: StorePath = DEFAULT_STORE, as_json: AsJson = False
) -> None:
    """What was imported, with the accounting identity of each file."""
    with open_store(store) as opened:
        frame = readings.imports(opened, site)
    rows = table(
        "site", "file", ">readings", ">accepted", ">duplicates", ">conflicts", ">quarantined"
    )
    for row in frame.iter_rows(named=True):
        numbers = ("rows_read", "accepted", "duplicates", "conflicts", "quarantined")
        rows.add_row(row["site_id"], row["file_name"], *(f"{row[n]:,}" for n in numbers))
    show(as_json, records(frame), rows)


@app.command()
def refresh(
    site: MaybeSite = None,
    full: Annotated[bool, typer.Option(help="Compute the whole history anew.")] = False,
    store: StorePath = DEFAULT_STORE,
    as_json: AsJson = False,
) -> None:
    """Bring the figures of sites up to date."""
    now = periods.utc_now()
    with open_store(store) as opened:
        sites = [load_site(opened, site)] if site else list_sites(opened)
        done = [refresh_site(opened, s.id, now=now, full=full) for s in sites]
    show(
        as_json,
        [{"site": s.site, "standing": s.word} for s in done],
        "\n".join(f"{s.site}: {s.word}" for s in done) or "There are no sites.",
    )


@app.command()
def serve(
    store: StorePath = DEFAULT_STORE,
    host: Annotated[str, typer.Option(help="Address to listen on.")] = "127.0.0.1",
    port: Annotated[int, typer.Option(min=0, max=65535)] = 8050,
    secure_cookies: Annotated[
        bool, typer.Option("--secure-cookies", help="Behind TLS: cookies travel no other way.")
    ] = False,
    proxies: Annotated[
        int, typer.Option(min=0, max=9, help="Proxies in front that say for whom they ask.")
    ] = 0,
    sources: cli_sources.MaybeSources = None,
    telling: cli_telling.MaybeTelling = None,
    sign_in: Annotated[
        Path | None,
        typer.Option(
            metavar="SIGN_IN.toml", help="The provider that people may sign in through as well."
        ),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Serve the pages until interrupted; take in files of sources and tell people meanwhile."""
    described = sources_from_toml(sources) if sources is not None else None
    told = telling_from_toml(telling) if telling is not None else None
    provider = provider_from_toml(sign_in) if sign_in is not None else None
    with open_store(store) as opened:
        serve_pages(
            opened,
            host=host,
            port=port,
            secure_cookies=secure_cookies,
            proxies=proxies,
            sources=described,
            telling=told,
            provider=provider,
            on_ready=lambda url: show(as_json, {"url": url}, f"The pages are at {url}"),
        )


@app.command()
def demo(
    folder: Annotated[
        Path, typer.Option("--dir", help="Where the demo's files go; made anew each time.")
    ] = Path("pledgewatt-demo"),
    end: Annotated[
        datetime | None,
        typer.Option(formats=DAY, help="Day after the last of the data; default today."),
    ] = None,
    months: Annotated[int, typer.Option(min=1, max=36, help="Length of the data.")] = 14,
    port: Annotated[int, typer.Option(min=0, max=65535)] = 8050,
    pages: Annotated[bool, typer.Option("--serve/--no-serve", help="Serve the pages.")] = True,
    store: Annotated[
        Path | None,
        typer.Option("--store", help="File of the store; default inside --dir."),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Make a fleet of invented homes, import their exports, and serve the pages."""
    last = end.date() if end else periods.utc_now().date()
    made = demo_fleet.build(
        folder, store=store or folder / "demo.duckdb", end=last, months=months, console=err
    )
    show(as_json, made.document, made.text)
    if pages:
        with open_store(made.store) as opened:
            serve_pages(
                opened,
                host="127.0.0.1",
                port=port,
                on_ready=lambda url: err.print(
                    f"\nThe pages are at {url}   (stop with Ctrl-C)", highlight=False
                ),
            )


def main() -> NoReturn:
    """Entry point of the command."""
    try:
        with audit.acting("command"):
            app()
    except PledgewattError as error:
        err.print(error.user_message, highlight=False, markup=False, soft_wrap=True)
        sys.exit(error.exit_code)
    except Exception as error:
        if os.environ.get("PLEDGEWATT_DEBUG"):
            raise
        err.print(
            f"This is a fault of pledgewatt, not of your data: {type(error).__name__}: {error}. "
            "Set PLEDGEWATT_DEBUG=1 to see where it arose.",
            highlight=False,
            markup=False,
            soft_wrap=True,
        )
        sys.exit(1)
    sys.exit(0)
