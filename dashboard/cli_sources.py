"""Commands about what brings files by itself."""

from __future__ import annotations

import os
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any

import typer

from dashboard import format as say
from dashboard.cli_common import DEFAULT_STORE, AsJson, StorePath, err, show, table
from dashboard.serve import collector, take_in
from dashboard.source_text import duration, look, worst_first
from ingest.collect import Pass
from ingest.run_once import run_once
from ingest.sources import (
    FolderSource,
    HttpSource,
    MqttSource,
    Source,
    secret_names,
    sources_from_toml,
)
from monitor.errors import NotFoundError, PledgewattError
from monitor.metrics import periods
from monitor.store.connection import open_store
from monitor.store.sources import SourceState, failed_files, source_states

sources_app = typer.Typer(no_args_is_help=True, help="What brings files by itself.")

_OPTION = typer.Option(
    "--sources", metavar="SOURCES.toml", envvar="PLEDGEWATT_SOURCES", help="What the sources are."
)
SourcesPath = Annotated[Path, _OPTION]
MaybeSources = Annotated[Path | None, _OPTION]
DEFAULT_SOURCES = Path("sources.toml")


def register(app: typer.Typer) -> None:
    """Add these commands to the program."""
    app.add_typer(sources_app, name="sources")


@sources_app.command("list")
def sources_list(sources: SourcesPath = DEFAULT_SOURCES, as_json: AsJson = False) -> None:
    """List what is described, and what each source still lacks."""
    described = sources_from_toml(sources)
    rows = table("source", "site", "kind", "from", "every", "silent after", "lacks")
    documents = []
    for source in described.source:
        lacks = _lacks(source)
        rows.add_row(
            source.name,
            source.site,
            source.kind,
            _where(source),
            duration(source.every),
            duration(source.silent_after),
            "; ".join(lacks) or "nothing",
        )
        documents.append(source.model_dump(mode="json") | {"lacks": lacks})
    show(as_json, documents, rows)


def _where(source: Source) -> str:
    if isinstance(source, FolderSource):
        return str(source.folder / source.match)
    if isinstance(source, HttpSource):
        return source.url
    if isinstance(source, MqttSource):
        return f"{source.host}: {', '.join(source.topics)}"
    return f"{source.host}:{source.folder}/{source.match}"


def _lacks(source: Source) -> list[str]:
    """What has to be put right before a source can work."""
    lacks = [f"{name} is not set" for name in secret_names(source) if not os.environ.get(name)]
    try:
        source.layout()
    except PledgewattError as error:
        lacks.append(error.user_message)
    return lacks


@sources_app.command("status")
def sources_status(store: StorePath = DEFAULT_STORE, as_json: AsJson = False) -> None:
    """When each source last brought something, and what became of it; silent ones first."""
    now = periods.utc_now()
    with open_store(store) as opened:
        states = worst_first(source_states(opened), now)
        failed = {state.name: failed_files(opened, state.name) for state in states}
    rows = table(
        "source", "site", "state", "last success", "newest reading", ">files", ">failed",
        ">readings", ">rejects", "last error",
    )  # fmt: skip
    for state in states:
        rows.add_row(
            state.name,
            state.site_id,
            look(state, now).word,
            say.age(state.succeeded_at, now),
            say.age(state.newest, now),
            f"{state.files:,}",
            f"{state.failed:,}",
            f"{state.readings:,}",
            f"{state.rejects:,}",
            state.error or say.NOTHING,
        )
    show(as_json, [_document(state, failed[state.name], now) for state in states], rows)


def _document(state: SourceState, failed: list[tuple[str, str]], now: datetime) -> dict[str, Any]:
    lag = state.lag(now)
    return asdict(state) | {
        "silent_after": state.silent_after.total_seconds(),
        "lag": lag.total_seconds() if lag is not None else None,
        "silent": state.is_silent(now),
        "state": look(state, now).word,
        "failed_files": [{"file": name, "reason": reason} for name, reason in failed],
    }


@sources_app.command("run")
def sources_run(
    sources: SourcesPath = DEFAULT_SOURCES,
    once: Annotated[
        bool, typer.Option("--once", help="Look at each source once, and end.")
    ] = False,
    source: Annotated[
        list[str] | None, typer.Option("--source", help="Only this source; may be repeated.")
    ] = None,
    store: StorePath = DEFAULT_STORE,
    as_json: AsJson = False,
) -> None:
    """Take in files without serving pages, until interrupted or once."""
    described = sources_from_toml(sources)
    unknown = sorted(set(source or ()) - {s.name for s in described.source})
    if unknown:
        message = f"There is no source '{unknown[0]}' in {sources}."
        raise NotFoundError(message)
    if not once:
        if source:
            message = "'--source' goes with '--once' only."
            raise PledgewattError(message)
        with open_store(store) as opened:
            ready = f"Taking in files of {say.plural(len(described.source), 'source')}."
            take_in(
                opened,
                described,
                on_ready=lambda: show(as_json, {"sources": len(described.source)}, ready),
            )
        return
    wanted = [s for s in described.source if not source or s.name in source]
    with open_store(store) as opened:
        results = run_once(collector(opened, described), wanted)
    lines = [line for result in results for line in _lines(result)]
    show(as_json, [asdict(result) for result in results], "\n".join(lines))
    for result in results:
        if result.problem:
            err.print(result.problem, highlight=False, markup=False, soft_wrap=True)
    if any(result.problem or result.failed for result in results):
        raise typer.Exit(2)


def _lines(result: Pass) -> list[str]:
    counts = (
        f"{result.source}: {say.plural(result.done, 'file')} taken, {result.failed} failed, "
        f"{result.waiting} waiting for another try."
    )
    return [counts, *(f"  {sentence}" for sentence in result.sentences)]
