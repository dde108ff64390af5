"""What a finding costs: from electricity that was too much to SPF, a year and its price."""

from __future__ import annotations

from monitor.findings.finding import Effect, Finding, Seen


def of_electricity(
    seen: Seen, kwh: float, low: float, high: float, *, days: float
) -> Effect | None:
    """What electricity that made no use costs the promise and the household.

    Parameters
    ----------
    kwh, low, high
        Electricity of the window that would not have been needed, with its 95 % interval.
    days
        Length of the window, for the rate a year.

    Returns
    -------
    Effect or None
        The SPF is that of the period so far; None where that is not known.
    """
    account = seen.standing.account
    if account is None or account.spf is None or days <= 0:
        return None
    used, spf = account.electricity_kwh, account.spf

    def lost(too_much: float) -> float:
        # Not all of it may be spared: the rest must stay above nothing.
        return account.heat_kwh / max(used - too_much, 0.05 * used) - spf

    year = kwh / days * 365.25
    priced = seen.price_per_kwh
    return Effect(
        spf=lost(kwh),
        low=lost(low),
        high=lost(high),
        kwh_year=year,
        money_year=None if priced is None else year * priced,
        currency=None if priced is None else seen.currency,
    )


def of_heat(seen: Seen, share: float, low: float, high: float, *, days: float) -> Effect | None:
    """What heat that a meter failed to show takes from the SPF; no electricity is lost.

    Parameters
    ----------
    share, low, high
        Heat not shown, as a share of the heat shown, with its 95 % interval; negative where
        the meter shows too much.
    """
    account = seen.standing.account
    if account is None or account.spf is None or days <= 0:
        return None
    spf = account.spf
    return Effect(spf=spf * share, low=spf * low, high=spf * high, kwh_year=0.0)


def with_stakes(seen: Seen, finding: Finding) -> Finding:
    """Say what a finding costs from now to the end of the period, and how long that is.

    A meter that reads wrong spends nothing; what is at stake there is the electricity by
    which the promise would be judged wrong.
    """
    standing, cost = seen.standing, finding.effect
    account, left = standing.account, standing.days_left
    if left is None or standing.settlement is not None:
        return finding
    at_stake = None
    if cost is not None and account is not None and account.spf:
        year = cost.money_year
        known = account.hours.measured + account.hours.bridged
        if not cost.kwh_year and seen.price_per_kwh is not None and known:
            used = account.electricity_kwh / known * 24.0 * 365.25
            year = abs(cost.spf) / account.spf * used * seen.price_per_kwh
        at_stake = None if year is None else year * left / 365.25
    return finding.model_copy(update={"at_stake": at_stake, "days_left": left})
