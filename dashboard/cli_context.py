"""Commands about what figures are held against: prices and weather."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import polars as pl
import typer
from pydantic import TypeAdapter, ValidationError

from dashboard.cli_common import DEFAULT_STORE, AsJson, StorePath, plain, records, show, table
from ingest.inbox import content_hash
from ingest.price_file import PriceLayout, read_price_file
from ingest.weather_file import read_weather_file
from monitor.errors import DescriptionError
from monitor.metrics import periods
from monitor.models import Identifier
from monitor.schemas import WEATHER, check
from monitor.store.connection import open_store
from monitor.store.prices import price_quarantine, price_series, record_prices
from monitor.store.weather import WeatherBatch, record_weather, weather_series

prices_app = typer.Typer(no_args_is_help=True, help="Prices that change by the hour or faster.")
weather_app = typer.Typer(no_args_is_help=True, help="Weather files of places.")


def register(app: typer.Typer) -> None:
    """Add these commands to the program."""
    app.add_typer(prices_app, name="prices")
    app.add_typer(weather_app, name="weather")


@prices_app.command("add")
def prices_add(
    file: Annotated[Path, typer.Argument(metavar="FILE")],
    series: Annotated[str, typer.Option(help="Name that tariffs use for these prices.")],
    time: Annotated[str, typer.Option(help="Column of the time a price begins.")] = "time",
    price: Annotated[str, typer.Option(help="Column of the price.")] = "price",
    zone: Annotated[str, typer.Option(help="Zone of times without an offset.")] = "UTC",
    scale: Annotated[
        float, typer.Option(help="Factor to a price per kWh in the tariff's currency.")
    ] = 1.0,
    correction: Annotated[
        bool, typer.Option("--correction", help="Replace prices that differ.")
    ] = False,
    store: StorePath = DEFAULT_STORE,
    as_json: AsJson = False,
) -> None:
    """Import prices by the hour, half hour or quarter of an hour."""
    layout = PriceLayout(time=time, price=price, zone=zone, scale=scale)
    with open_store(store) as opened:
        batch = read_price_file(file, series, layout, correction=correction)
        counts = record_prices(opened, batch, periods.utc_now())
        refused = price_quarantine(opened, counts.price_import_id)
    show(
        as_json,
        {
            "series": series,
            "rows_read": counts.rows_read,
            "accepted": counts.accepted,
            "duplicates": counts.duplicates,
            "conflicts": counts.conflicts,
            "rejected": counts.rejected,
            "refused": records(refused),
        },
        f"{file.name}: {counts.rows_read:,} prices read = {counts.accepted:,} accepted + "
        f"{counts.duplicates:,} duplicates + {counts.conflicts:,} conflicts + "
        f"{counts.rejected:,} rejected.",
    )


@prices_app.command("list")
def prices_list(store: StorePath = DEFAULT_STORE, as_json: AsJson = False) -> None:
    """List the series of prices."""
    with open_store(store) as opened:
        frame = price_series(opened)
    rows = table(*frame.columns)
    for row in frame.iter_rows():
        rows.add_row(*(plain(cell) for cell in row))
    show(as_json, records(frame), rows)


@weather_app.command("add")
def weather_add(
    file: Annotated[Path, typer.Argument(metavar="FILE")],
    series: Annotated[str, typer.Option(help="Name that sites use for this weather.")],
    correction: Annotated[
        bool, typer.Option("--correction", help="Replace days that differ.")
    ] = False,
    store: StorePath = DEFAULT_STORE,
    as_json: AsJson = False,
) -> None:
    """Import an hourly EPW or TMY3 weather file as daily outdoor temperatures."""
    try:
        name = TypeAdapter(Identifier).validate_python(series)
    except ValidationError as error:
        message = (
            f"'{series}' cannot name a series; use lower-case letters, digits and hyphens, "
            "beginning with a letter or digit."
        )
        raise DescriptionError(message) from error
    found = read_weather_file(file)
    days = found.daily.with_columns(
        pl.lit(name).alias("series"), pl.lit(found.is_typical).alias("typical")
    )
    with open_store(store) as opened:
        counts = record_weather(
            opened,
            WeatherBatch(
                series=name,
                file_name=file.name,
                content_hash=content_hash(file),
                correction=correction,
                days=check(days, WEATHER),
                hours=found.hours,
                missing_hours=found.missing_hours,
                wrong_lines=found.wrong_lines,
                short_days=found.short_days,
                remarks=found.remarks,
            ),
            periods.utc_now(),
        )
    kind = (
        "a typical year: it tells the climate, and not what the weather was"
        if found.is_typical
        else "days of real years"
    )
    show(
        as_json,
        {
            "series": name,
            "place": found.place,
            "typical": found.is_typical,
            "hours": found.hours,
            "missing_hours": found.missing_hours,
            "wrong_lines": found.wrong_lines,
            "short_days": found.short_days,
            "days": counts.days,
            "accepted": counts.accepted,
            "duplicates": counts.duplicates,
            "conflicts": counts.conflicts,
            "remarks": found.remarks,
        },
        "\n".join(
            [
                f"{file.name} ({found.place}), {kind}: {counts.days:,} days = "
                f"{counts.accepted:,} accepted + {counts.duplicates:,} duplicates + "
                f"{counts.conflicts:,} conflicts. Of {found.hours:,} hours {found.missing_hours:,} "
                f"have no temperature and {found.wrong_lines:,} cannot be read; "
                f"{found.short_days:,} days have too few hours.",
                *found.remarks,
            ]
        ),
    )


@weather_app.command("list")
def weather_list(store: StorePath = DEFAULT_STORE, as_json: AsJson = False) -> None:
    """List the series of weather."""
    with open_store(store) as opened:
        frame = weather_series(opened)
    rows = table(*frame.columns)
    for row in frame.iter_rows():
        rows.add_row(*("–" if cell is None else plain(cell) for cell in row))
    show(as_json, records(frame), rows)
