"""The demo's claims: one that a household has just raised, one that waits for a second person."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Final

from dashboard import desk_acts
from dashboard.pages import home
from monitor.errors import DescriptionError
from monitor.store import audit, cases
from monitor.store.cases import What
from monitor.store.connection import Store
from monitor.store.users import User

#: Homes whose households claim.
RAISED: Final = "bracken-lane-11"
PROPOSED: Final = "cairn-view-2"


def make(store: Store, people: Mapping[str, User], warranty: User, now: datetime) -> None:
    """Raise both claims and take the second one to where a second person confirms it.

    Parameters
    ----------
    people
        The households by site.
    warranty
        Who works on the second claim.
    """
    _raise(
        store,
        people[PROPOSED],
        "Our bills went up after the power cut and never came down again. The installer said the "
        "heat pump would give at least 3.2 times the electricity.",
        now - timedelta(days=12),
    )
    _raise(
        store,
        people[RAISED],
        "We were told 3.4 and your page says about 3.0. The rooms are warm enough, but we pay more "
        "than we expected. Please look into it.",
        now - timedelta(days=2),
    )
    claim = cases.load_claims(store, PROPOSED)[-1]
    with audit.acting("person", warranty.user_id):
        for said, item, days in (
            ("Rang the household: warm all winter, nobody moved in or out.", "household", 9),
            ("Nothing on the page doubts the meters.", "doubts", 8),
        ):
            at = now - timedelta(days=days)
            desk_acts.step(warranty, store, claim.number, What.CHECKED, said, at, item=item)
        note = "The inline heater ran through the winter; the installer has been asked why."
        desk_acts.step(warranty, store, claim.number, What.NOTE, note, now - timedelta(days=6))
        try:
            desk_acts.propose(
                warranty,
                store,
                claim.number,
                "As measured. The backup heater explains the difference; please look at the meters "
                "once more before you confirm.",
                now,
            )
        except DescriptionError as error:
            # A short demo ends before the promise does.
            desk_acts.step(warranty, store, claim.number, What.NOTE, error.user_message, now)


def _raise(store: Store, who: User, words: str, at: datetime) -> None:
    with audit.acting("person", who.user_id):
        home.raise_claim(who, store, words, at)
