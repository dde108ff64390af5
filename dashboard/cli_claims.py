"""Commands about the end of a period: outlook, exclusions, settlement."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated

import typer

from dashboard import format as say
from dashboard.cli_common import (
    DEFAULT_STORE,
    AsJson,
    MaybeSite,
    SiteId,
    StorePath,
    plain,
    show,
    table,
)
from monitor.errors import DescriptionError
from monitor.guarantee.outlook import Outlook
from monitor.guarantee.settlement import Exclusion, Settlement
from monitor.metrics import periods
from monitor.models import Site
from monitor.refresh import refresh_site, settle_site
from monitor.store import claims, derived
from monitor.store.connection import open_store
from monitor.store.sites import list_sites, load_site

exclude_app = typer.Typer(no_args_is_help=True, help="Stretches of time that do not count.")

MOMENT = ["%Y-%m-%dT%H:%M", "%Y-%m-%d"]
By = Annotated[str, typer.Option("--by", help="Who enters it.")]


def register(app: typer.Typer) -> None:
    """Add these commands to the program."""
    app.command()(outlook)
    app.command()(settle)
    app.command()(settlements)
    app.add_typer(exclude_app, name="exclude")


def outlook(
    site: MaybeSite = None, store: StorePath = DEFAULT_STORE, as_json: AsJson = False
) -> None:
    """How the promise is likely to end, for periods that are not over."""
    now = periods.utc_now()
    with open_store(store) as opened:
        sites = [load_site(opened, site)] if site else list_sites(opened)
        found = []
        for described in sites:
            standing = refresh_site(opened, described.id, now=now)
            ahead = derived.load_outlook(opened, described.id)
            if ahead is not None and standing.settlement is None:
                found.append(ahead)
    rows = table("site", ">promise", ">SPF at the end", "90 % interval", ">probability", "outlook")
    for ahead in found:
        rows.add_row(
            ahead.site,
            f"{ahead.promise:.2f}",
            say.spf(ahead.median) if ahead.is_forecast else say.NOTHING,
            say.interval(ahead.low_90, ahead.high_90) if ahead.is_forecast else say.NOTHING,
            say.share(ahead.deciding_probability),
            ahead.sentence,
        )
    documents = [_outlook(ahead) for ahead in found]
    if site and not documents:
        show(as_json, None, f"There is no outlook for site '{site}': no promise, or it is over.")
        return
    show(as_json, documents[0] if site else documents, rows)


def _outlook(ahead: Outlook) -> dict[str, object]:
    return ahead.model_dump(mode="json")


@exclude_app.command("add")
def exclude_add(
    site: SiteId,
    first: Annotated[
        datetime, typer.Option("--from", formats=MOMENT, help="Start, local, on the hour.")
    ],
    end: Annotated[datetime, typer.Option("--to", formats=MOMENT, help="End, local.")],
    reason: Annotated[str, typer.Option(help="Why it does not count.")],
    by: By,
    condition: Annotated[
        int | None,
        typer.Option(help="Number of the terms' condition that was not met, from 1."),
    ] = None,
    store: StorePath = DEFAULT_STORE,
    as_json: AsJson = False,
) -> None:
    """Exclude a stretch of time from the promise; the figure is shown with and without."""
    now = periods.utc_now()
    with open_store(store) as opened:
        described = load_site(opened, site)
        start_utc, end_utc = described.utc(first), described.utc(end)
        if end_utc <= start_utc or start_utc.minute or end_utc.minute or not reason.strip():
            message = "An exclusion needs a reason, and a start before its end, both on the hour."
            raise DescriptionError(message)
        number = claims.add_exclusion(
            opened,
            site,
            Exclusion(
                start_utc=start_utc,
                end_utc=end_utc,
                reason=reason,
                by=by,
                at=now,
                condition=_condition(described, condition),
            ),
        )
        standing = refresh_site(opened, site, now=now)
    with_it = standing.account.spf if standing.account else None
    show(
        as_json,
        {
            "site": site,
            "exclusion": number,
            "spf": with_it,
            "spf_all_hours": standing.all_hours_spf,
            "excluded_hours": standing.excluded_hours,
        },
        f"Exclusion {number} entered. SPF so far {say.spf(with_it)} without the excluded hours, "
        f"{say.spf(standing.all_hours_spf)} with them.",
    )


def _condition(site: Site, number: int | None) -> str | None:
    """A condition of the terms in force, word for word."""
    if number is None:
        return None
    agreed = site.current_terms.conditions if site.current_terms else ()
    if not 1 <= number <= len(agreed):
        message = (
            f"The terms of site '{site.id}' have {len(agreed)} conditions; there is no number "
            f"{number}."
        )
        raise DescriptionError(message)
    return agreed[number - 1]


@exclude_app.command("list")
def exclude_list(site: SiteId, store: StorePath = DEFAULT_STORE, as_json: AsJson = False) -> None:
    """List the exclusions in force."""
    with open_store(store) as opened:
        load_site(opened, site)
        found = claims.exclusions(opened, site)
    rows = table(">number", "from (UTC)", "to (UTC)", "reason", "condition", "by", "entered (UTC)")
    for number, e in found.items():
        rows.add_row(
            str(number),
            plain(e.start_utc),
            plain(e.end_utc),
            e.reason,
            e.condition or say.NOTHING,
            e.by,
            plain(e.at),
        )
    show(
        as_json,
        [{"exclusion": n, **e.model_dump(mode="json")} for n, e in found.items()],
        rows,
    )


@exclude_app.command("withdraw")
def exclude_withdraw(
    number: int,
    site: SiteId,
    by: By,
    store: StorePath = DEFAULT_STORE,
    as_json: AsJson = False,
) -> None:
    """Withdraw an exclusion; it stays on record."""
    now = periods.utc_now()
    with open_store(store) as opened:
        load_site(opened, site)
        claims.withdraw_exclusion(opened, site, number, by, now)
        refresh_site(opened, site, now=now)
    show(as_json, {"site": site, "withdrawn": number}, f"Exclusion {number} is withdrawn.")


def settle(site: SiteId, store: StorePath = DEFAULT_STORE, as_json: AsJson = False) -> None:
    """Settle a promise whose period is over: kept, not kept or undecided."""
    with open_store(store) as opened:
        number, result = settle_site(opened, site, now=periods.utc_now())
    show(
        as_json,
        {"settlement": number, "site": site, **result.model_dump(mode="json")},
        _settlement_text(number, site, result),
    )


def _settlement_text(number: int, site: str, result: Settlement) -> str:
    a = result.account
    lines = [
        f"Settlement {number} of {site}: {result.decision}. {result.why}",
        f"  SPF          {say.spf(a.spf, a.u_spf)} (standard uncertainty "
        f"{say.number(a.u_spf, 3)}), all hours {say.spf(result.all_hours.spf)}",
        f"  promise      {result.promise:.2f}, {result.rule} acceptance, kept from "
        f"{say.number(result.accept_from, 2)}, not kept up to {say.number(result.reject_up_to, 2)}",
        f"  probability  {say.share(result.probability)}",
        f"  coverage     {say.share(a.coverage)} of {a.hours.total} h; the terms ask for "
        f"{say.share(result.minimum_coverage)}",
    ]
    if result.allowance is not None:
        lines += [
            f"  allowance    {result.allowance.sentence}",
            f"  as measured  the decision would be: {result.decision_as_measured}",
        ]
    lines += [
        f"  excluded     {e.hours} h: {e.exclusion.reason} ({e.exclusion.by}); SPF with these "
        f"hours counted {say.spf(e.spf_with_it_counted)}"
        for e in result.exclusion_effects
    ]
    lines += [f"  doubt        {d.sentence} {d.caution or ''}".rstrip() for d in result.doubts]
    if result.money is not None:
        lines.append(f"  remedy       {say.remedy(result.money)}")
    lines.append(f"  record       sha256 {result.input_hash}")
    return "\n".join(lines)


def settlements(
    site: MaybeSite = None, store: StorePath = DEFAULT_STORE, as_json: AsJson = False
) -> None:
    """Settlements so far, with the records that they were computed from."""
    with open_store(store) as opened:
        frame = claims.settlements(opened, site)
    rows = table(">number", "site", "settled (UTC)", "decision", "record (sha256)")
    documents = []
    for row in frame.iter_rows(named=True):
        result = Settlement.model_validate_json(row["document"])
        rows.add_row(
            str(row["settlement_id"]),
            row["site_id"],
            plain(row["settled_at"]),
            result.decision,
            row["input_hash"],
        )
        documents.append(
            {
                "settlement": row["settlement_id"],
                "site": row["site_id"],
                "settled_at": row["settled_at"],
                **result.model_dump(mode="json"),
            }
        )
    show(as_json, documents, rows)
