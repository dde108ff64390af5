"""How the figures about a promise came about: probability, decision, outlook, energy model.

As in `how_site`, every answer is written from the objects that hold the figure.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from dashboard import data, trade_words
from dashboard import format as fmt
from dashboard.pages.how_site import below, guarantee, kwh
from dashboard.view_models import How
from monitor.guarantee.assessment import ModelFit
from monitor.guarantee.conformance import Decision
from monitor.guarantee.outlook import Outlook
from monitor.guarantee.standing import Standing
from monitor.models import Site


def promise(site: Site) -> How | None:
    """The promised figure."""
    terms = site.current_terms
    if terms is None:
        return None
    return How(
        "the promise",
        (
            f"It is not computed: the terms, version {terms.version}, signed on "
            f"{fmt.day(terms.signed)}, promise at least {fmt.promise(terms.promised_spf)} over the "
            f"whole period {fmt.stretch(terms.start, terms.end)}.",
            f"Boundary {terms.boundary} (SEPEMO): {trade_words.BOUNDARIES[terms.boundary]}.",
        ),
        (("The terms in full", f"/site/{site.id}#promise"),),
    )


def probability(standing: Standing) -> How | None:
    """Probability that the promise is kept, so far."""
    account, moved = standing.account, standing.allowance
    if standing.probability is None or standing.promise is None or account is None:
        return None
    figure, u, of = account.spf, account.u_spf, "SPF so far"
    if moved is not None:
        figure, u, of = moved.spf, moved.u_spf, "SPF in the reference climate, by the terms"
    if figure is None or u is None:
        return None
    return How(
        "the probability so far",
        (
            f"p = Φ((SPF − promise) / u) = Φ(({figure:.3f} − {fmt.promise(standing.promise)}) / "
            f"{u:.3f}) = {fmt.chance(standing.probability)}, with the {of} (JCGM 106:2012, 7.3.3, "
            "one lower limit).",
            "Φ is the share of a normal distribution below a value. It speaks of the hours so far; "
            "what the rest of the period may bring is in the outlook.",
        ),
        (
            ("The SPF and its hours", f"/site/{standing.site}#spf"),
            ("What u is made of", f"/site/{standing.site}#budget"),
        ),
    )


def allowance(record: data.Record, standing: Standing) -> How | None:
    """The SPF moved to the reference climate."""
    moved = standing.allowance
    if moved is None:
        return None
    if moved.factor is None or moved.spf is None or standing.account is None:
        return How("the SPF in the reference climate", (moved.sentence,))
    parts = [
        f"{value:.4f} from {name}"
        for name, value in (
            ("the parameters of the energy model", moved.u_parameters),
            ("the outdoor temperature", moved.u_sensor),
            ("what a backup heater would have done", moved.u_backup),
            ("the form of the model", moved.u_form),
        )
        if value
    ]
    return How(
        "the SPF in the reference climate",
        (
            f"SPF as measured × factor = {standing.account.spf or 0.0:.3f} × {moved.factor:.4f} = "
            f"{moved.spf:.3f}. {moved.sentence}",
            f"The factor comes from {moved.days} whole days with {fmt.share(moved.share)} of the "
            f"heat; its standard uncertainty {moved.u_factor or 0.0:.4f} is made of "
            f"{fmt.listing(parts)}. Reference climate: {moved.climate}.",
        ),
        below(record, guarantee(record)),
    )


def settlement(standing: Standing, decision: Decision) -> How:
    """The decision of the terms."""
    account = standing.account
    return How(
        "the settlement",
        (
            "The decision rule of the terms, applied to SPF "
            f"{fmt.spf(account.spf if account else None)}, promise "
            f"{fmt.promise(standing.promise)} and coverage "
            f"{fmt.share(account.coverage if account else None)}, gives: {decision} (JCGM 106; "
            "always undecided below the coverage that the terms ask for).",
        ),
        (("The terms in full", f"/site/{standing.site}#promise"),),
    )


def proposed(what: Mapping[str, Any]) -> How:
    """A settlement that waits for a second person.

    Parameters
    ----------
    what
        The document of the proposal.
    """
    return How(
        "the proposed settlement",
        (
            f"SPF {fmt.spf(what.get('spf'))} is heat over electricity of the whole period, without "
            "the hours left out; the decision rule of the terms gives the rest.",
            "It was computed from a sealed record of terms, rules, readings by the hour, "
            "exclusions, prices and weather. The hash names that record: whoever computes it anew "
            "from the same record gets the same hash and the same result.",
        ),
    )


def outlook(ahead: Outlook, *, of_probability: bool) -> How:
    """The expected SPF at the end, or the probability of keeping the promise."""
    site = ahead.site
    parts = [("measured", ahead.measured_heat_kwh, ahead.measured_electricity_kwh)]
    for name, heat, used in (
        ("estimated for hours not known", ahead.filled_heat_kwh, ahead.filled_electricity_kwh),
        ("expected to come", ahead.coming_heat_kwh, ahead.coming_electricity_kwh),
    ):
        if heat is not None and used is not None:
            parts.append((name, heat.median, used.median))
    sums = "; ".join(f"{name} {kwh(q)} of heat from {kwh(e)}" for name, q, e in parts)
    made = (
        f"Each of {fmt.number(ahead.members)} simulated futures has its own weather, model "
        f"parameters, days and meter errors (seed {ahead.seed}); its SPF is all heat over all "
        f"electricity of the period. In the middle of them: {sums}."
    )
    if of_probability:
        first = (
            f"p = (futures at or above {fmt.promise(ahead.promise)} + ½) / "
            f"({fmt.number(ahead.members)} + 1) = {fmt.chance(ahead.deciding_probability)}."
        )
        if ahead.allowed is not None:
            first += " By the terms they are moved to the reference climate first."
    else:
        first = (
            f"{fmt.spf(ahead.median)} is the middle one of the simulated futures; nine of ten lie "
            f"between {fmt.spf(ahead.low_90)} and {fmt.spf(ahead.high_90)} (5th and 95th per cent)."
        )
    return How(
        "the probability at the end" if of_probability else "the outlook",
        (
            first,
            made,
            f"Period {fmt.stretch(ahead.period_start, ahead.period_end)}. A forecast: its "
            "estimates enter no measured figure (rule R9), and it was tested on simulated "
            "site-years.",
        ),
        (
            ("What the outlook is made from", f"/site/{site}#outlook"),
            ("What was measured, by day (CSV)", f"/download/{site}/daily.csv?period=guarantee"),
        ),
    )


def model(fit: ModelFit) -> tuple[How, How]:
    """The two halves of the home's energy model."""
    quality = (
        "CV(RMSE) = √(Σ(measured − model)² / (days − parameters)) / mean, NMBE = Σ(measured − "
        "model) / ((days − parameters) × mean); ASHRAE Guideline 14."
    )
    return (
        How(
            "the model of the heat",
            (
                f"Heat of a day = {fit.base_kwh:.1f} kWh + {fit.slope_kwh_k:.2f} kWh/K × "
                f"({fit.balance_c:.1f} °C − outdoor temperature), the last part only below "
                f"{fit.balance_c:.1f} °C: a change-point model with three parameters, fitted to "
                f"{fit.heat.days} whole days.",
                quality,
            ),
        ),
        How(
            "the model of the electricity",
            (
                f"Electricity of a day = {fit.standby_kwh:.1f} kWh standby + heat × (a + b × "
                "lift), lift being how far the flow lies above the source; fitted to "
                f"{fit.electricity.days} whole days. a and b stand in what the outlook is made "
                "from.",
                quality,
            ),
        ),
    )
