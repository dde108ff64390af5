"""The command that looks at an unknown export and proposes a profile."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated, Any

import polars as pl
import typer
from rich.console import Group
from rich.table import Table
from rich.text import Text

from dashboard.cli_common import DEFAULT_STORE, AsJson, StorePath, err, records, show, table
from dashboard.proposal_text import how_sure, kind_of, reasons_of, verdict
from ingest.propose import (
    Answers,
    Preview,
    Proposal,
    preview,
    profile_to_toml,
    propose,
    read_answers,
)
from monitor.errors import PledgewattError
from monitor.metrics import periods
from monitor.models import Site
from monitor.store.connection import open_store
from monitor.store.sites import load_site

Settings = Annotated[
    list[str] | None,
    typer.Option(
        "--set",
        metavar="KEY=VALUE",
        help="What you know better: zone=Europe/London, time_format=%d.%m.%Y, COLUMN.role=none ...",
    ),
]


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command("propose")(propose_profile)


def propose_profile(
    file: Annotated[Path, typer.Argument(metavar="FILE")],
    site: Annotated[
        str | None, typer.Option("--site", help="Site that it is of: its zone, meters and sizes.")
    ] = None,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="PROFILE.toml", help="Write the profile here.")
    ] = None,
    settings: Settings = None,
    with_preview: Annotated[
        bool, typer.Option("--preview", help="Say what an import would bring.")
    ] = False,
    store: StorePath = DEFAULT_STORE,
    as_json: AsJson = False,
) -> None:
    """Look at an unknown export and propose a profile; nothing is imported."""
    known = _site(store, site)
    given = read_answers(settings or ())
    proposal = propose(file, known, given)
    if not as_json and at_a_terminal():
        proposal = _asked(file, known, given, proposal)
    seen = _previewed(file, proposal, known) if with_preview else None
    written = _write(proposal, out)
    show(as_json, _document(proposal, seen, written), _text(proposal, seen, written))
    if proposal.profile is None:
        raise typer.Exit(2)


def at_a_terminal() -> bool:
    """Whether somebody is there to be asked."""
    return sys.stdin.isatty() and sys.stdout.isatty()


def _site(store: Path, site: str | None) -> Site | None:
    if site is None:
        return None
    with open_store(store) as opened:
        return load_site(opened, site)


def _asked(file: Path, site: Site | None, given: Answers, proposal: Proposal) -> Proposal:
    """Ask at a terminal what must be known, until all is or the person gives up."""
    asked: set[str] = set()
    while left := [one for one in proposal.missing if one.key not in asked]:
        question = left[0]
        asked.add(question.key)
        if question.options:
            err.print(f"Answers: {', '.join(question.options)}", highlight=False, markup=False)
        answer = typer.prompt(question.text, default="", show_default=False, err=True).strip()
        if answer:
            more = read_answers([f"{question.key}={answer}"])
            given.whole |= more.whole
            for name, said in more.columns.items():
                given.columns.setdefault(name, {}).update(said)
            proposal = propose(file, site, given)
    return proposal


def _previewed(file: Path, proposal: Proposal, site: Site | None) -> Preview | None:
    if proposal.profile is None:
        return None
    return preview(file, proposal.profile, site, now=periods.utc_now())


def _write(proposal: Proposal, out: Path | None) -> str | None:
    if out is None or proposal.profile is None:
        return None
    if out.exists():
        message = f"{out} exists already and will not be overwritten. Name another file."
        raise PledgewattError(message)
    try:
        out.write_text(profile_to_toml(proposal.profile), encoding="utf-8")
    except OSError as error:
        message = f"{out} cannot be written: {error.strerror or error}."
        raise PledgewattError(message) from error
    return str(out)


def _document(proposal: Proposal, seen: Preview | None, written: str | None) -> dict[str, Any]:
    document = proposal.document() | {"verdict": verdict(proposal), "written": written}
    if proposal.profile is not None:
        document["toml"] = profile_to_toml(proposal.profile)
    if seen is not None:
        counts = seen.report.counts
        document["preview"] = {
            "rows_read": counts.rows_read,
            "accepted": counts.accepted,
            "duplicates": counts.duplicates,
            "conflicts": counts.conflicts,
            "quarantined": counts.quarantined,
            "notes": list(seen.report.notes),
            "refused": records(seen.refused),
            "suspects": records(seen.suspects),
            "days": records(seen.days),
            "bridged_kwh": seen.bridged_kwh,
        }
    return document


def _text(proposal: Proposal, seen: Preview | None, written: str | None) -> Group:
    parts: list[Text | Table] = [Text(verdict(proposal))]
    if proposal.facts:
        rows = table("file", "is", "how sure", "because")
        for fact in proposal.facts:
            rows.add_row(
                fact.name,
                Text(fact.guess.value or "not told"),
                how_sure(fact.guess),
                Text(" ".join(fact.guess.reasons)),
            )
        parts += [Text(""), rows]
    if proposal.columns:
        rows = table("column", "role", "kind", "unit", "how sure", "because")
        for one in proposal.columns:
            rows.add_row(
                Text(one.column),
                one.role.value or "left out",
                kind_of(one) if one.used else "",
                Text(one.unit.value or "") if one.used else "",
                how_sure(one.confidence) if one.used else "",
                Text(reasons_of(one)),
            )
        parts += [Text(""), rows]
    for title, lines in (
        ("Doubts", [] if proposal.format is None else list(proposal.doubts)),
        ("Questions", [_question(one.key, one.text, one.options) for one in proposal.questions]),
    ):
        if lines:
            parts += [Text(f"\n{title}"), *(Text(f"  {line}") for line in lines)]
    if seen is not None:
        parts += _preview_text(seen)
    if written is not None:
        parts.append(Text(f"\nThe profile was written to {written}. Import with it:"))
        parts.append(Text(f"  pledgewatt import {proposal.file} --site SITE --profile {written}"))
    elif proposal.profile is not None:
        parts.append(Text("\nKeep it as a file with --out PROFILE.toml; correct it with --set."))
    return Group(*parts)


def _question(key: str, text: str, options: tuple[str, ...]) -> str:
    listed = f" ({', '.join(options)})" if options and len(options) < 8 else ""
    return f"{text}{listed} Answer with --set '{key}=...'."


def _preview_text(seen: Preview) -> list[Text | Table]:
    parts: list[Text | Table] = [Text(f"\nAn import would bring: {seen.report.sentence}")]
    parts += [Text(f"  note: {note}") for note in seen.report.notes]
    for title, frame in (("Refused", seen.refused), ("Set aside", seen.suspects)):
        for row in frame.head(10).iter_rows(named=True):
            parts.append(
                Text(
                    f"  {title}: {row['count']:,} × {row['column']}: {row['reason']} ({row['raw']})"
                )
            )
    if seen.days.height:
        rows = table(
            "role", ">days", ">measured kWh", ">kWh a day", ">bridged kWh", ">hours missing"
        )
        totals = (
            seen.days.group_by("role")
            .agg(pl.len().alias("days"), pl.col("kwh", "missing_h").sum())
            .sort("role")
        )
        for role, days, kwh, missing in totals.iter_rows():
            bridged = seen.bridged_kwh.get(role, 0.0)
            rows.add_row(
                role,
                f"{days:,}",
                f"{kwh:,.1f}",
                f"{(kwh + bridged) / days:,.1f}",
                f"{bridged:,.1f}",
                f"{missing:,}",
            )
        parts += [Text(""), rows]
    return parts
