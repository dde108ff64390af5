"""Claims as the installer of a home knows them: what may be read, and what may be added."""

from __future__ import annotations

import json
from datetime import date, datetime
from typing import Final

from dashboard.desk_data import Moment, own_claim, words
from monitor.errors import DescriptionError
from monitor.store import cases
from monitor.store.cases import Claim, What
from monitor.store.connection import Store
from monitor.store.sites import load_site
from monitor.store.users import User

#: Steps of the warranty team that others may know of, and how they are told.
_KNOWN: Final = {
    What.PROPOSED: ("A settlement was proposed", "A second person has to confirm it."),
    What.REFUSED: ("The proposed settlement was sent back", ""),
    What.CONFIRMED: ("The claim was decided", ""),
    What.CLOSED: ("The claim was closed", ""),
}
#: Steps of others, and who they are.
_STEPS: Final = {
    What.RAISED: "Claim raised by",
    What.NOTE: "Note of",
    What.VISIT: "Visit of",
}
_WHO: Final = {"homeowner": "the household", "installer": "an installer"}


def for_installers(claim: Claim) -> list[Moment]:
    """Steps of a claim that the installer of the home may read, the newest first.

    Words of the household and of installers; of the warranty team what it did, and its words
    where they are the answer to the household.
    """
    lines = []
    for step in claim.steps:
        if step.what in _KNOWN:
            what, said = _KNOWN[step.what]
            answer = step.said if step.what in {What.CONFIRMED, What.CLOSED} else said
            lines.append(Moment(step.at, what, answer))
        elif step.what in _STEPS and (step.role in _WHO or step.what is What.RAISED):
            who = _WHO.get(step.role, "the warranty team")
            lines.append(Moment(step.at, f"{_STEPS[step.what]} {who}", words(step)))
    return lines[::-1]


def add(user: User, store: Store, number: int, said: str, day: str, now: datetime) -> None:
    """Add what an installer saw or did to a claim on one of their homes.

    Parameters
    ----------
    day
        Of the visit that it is about, as `2026-01-31`; empty for a mere note.

    Raises
    ------
    DescriptionError
        There are no words, the day is none or is yet to come, or the claim is closed.
    """
    claim = own_claim(user, store, number)
    if not claim.is_open:
        message = "The claim is closed; nothing can be added to it."
        raise DescriptionError(message)
    if not said.strip():
        message = "Say in a few words what you saw, did or found out."
        raise DescriptionError(message)
    document = None
    if day.strip():
        try:
            on = date.fromisoformat(day.strip())
        except ValueError as error:
            message = f"'{day.strip()}' is no day such as 2026-01-31."
            raise DescriptionError(message) from error
        if on > now.astimezone(load_site(store, claim.site_id).tz).date():
            message = "The day of the visit is yet to come."
            raise DescriptionError(message)
        document = json.dumps({"on": on.isoformat()})
    cases.add_step(
        store,
        number,
        What.NOTE if document is None else What.VISIT,
        user_id=user.user_id,
        role=user.role,
        said=said.strip(),
        now=now,
        document=document,
    )
