"""What the import page does: looks at a file that was sent, and brings it in once confirmed."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Final

from dashboard import data, fleet_data
from dashboard.looks import looked
from dashboard.uploads import Upload, UploadError
from ingest.inbox import ImportReport, import_file
from ingest.propose import Answers, Preview, preview, propose
from monitor.errors import NotFoundError, PledgewattError
from monitor.models import Site
from monitor.refresh import refresh_site
from monitor.store.connection import Store
from monitor.store.users import User

#: Most sites that are offered at once to choose from.
MOST_OFFERED: Final = 12


def find(
    user: User, store: Store, text: str, now: datetime
) -> tuple[list[tuple[str, str, str]], int]:
    """The first few sites that an installer may import for and that a text finds.

    Returns
    -------
    tuple
        Id, name and place of each, at most `MOST_OFFERED`; and how many there are.
    """
    _must_import(user)
    return fleet_data.find(user, store, text, now, most=MOST_OFFERED)


def site_of(user: User, store: Store, site_id: object) -> Site:
    """The site that was chosen.

    Raises
    ------
    NotFoundError
        The person has no such site.
    """
    _must_import(user)
    site = data.must_exist(user, store, site_id if isinstance(site_id, str) else "")
    looked(site.id)
    return site


def _must_import(user: User) -> None:
    if user.role != "installer":
        message = "There is nothing here."
        raise NotFoundError(message)


def look(upload: Upload, site: Site, *, now: datetime) -> tuple[Preview | None, str]:
    """Propose for a file, and say what an import would bring.

    Returns
    -------
    tuple
        The preview, or None with a sentence on why there is none. What was previewed is
        kept with the upload: nothing else can be confirmed.
    """
    upload.previewed = None
    upload.answers.whole.setdefault("name", f"Export like {upload.name}"[:80])
    upload.proposal = propose(upload.path, site, upload.answers)
    if upload.proposal.profile is None:
        return None, ""
    try:
        seen = preview(upload.path, upload.proposal.profile, site, now=now)
    except PledgewattError as error:
        return None, in_their_words(error.user_message, upload)
    upload.previewed = (upload.proposal.profile, site.id)
    return seen, ""


def correct(upload: Upload, whole: Mapping[str, object], columns: Mapping[str, object]) -> bool:
    """Add to what a person has said of a file what differs from the last proposal.

    Parameters
    ----------
    whole
        `zone`, `time_format`, `name`, as the form has them.
    columns
        By `COLUMN.key`, as the form has them.

    Returns
    -------
    bool
        Whether anything differs.
    """
    proposal = upload.proposal
    if proposal is None:
        return False
    answers = Answers(
        dict(upload.answers.whole), {k: dict(v) for k, v in upload.answers.columns.items()}
    )
    now = form_values(upload)
    changed = False
    for key, value in {**whole, **columns}.items():
        text = "" if value is None else str(value).strip()
        if key not in now or text == now[key]:
            continue
        changed = True
        column, _, what = key.rpartition(".")
        told = answers.columns.setdefault(column, {}) if key in columns else answers.whole
        name = what if key in columns else key
        if text:
            told[name] = text
        else:
            told.pop(name, None)
    upload.answers = answers
    return changed


def form_values(upload: Upload) -> dict[str, str]:
    """What the fields of the form hold after a proposal, by their keys."""
    proposal = upload.proposal
    if proposal is None:
        return {}
    facts = {fact.name: fact.guess.value or "" for fact in proposal.facts}
    values = {"zone": facts.get("zone", ""), "time_format": facts.get("time format", "")}
    values["name"] = upload.answers.whole.get("name", "")
    for one in proposal.columns:
        values[f"{one.column}.role"] = one.role.value or "none"
        values[f"{one.column}.kind"] = one.kind.value or ""
        values[f"{one.column}.unit"] = one.unit.value or ""
    return values


def confirm(
    user: User, store: Store, upload: Upload, site_id: object, *, now: datetime
) -> ImportReport:
    """Import what the person has seen the preview of, and bring the figures up to date.

    Raises
    ------
    UploadError
        Nothing was previewed for this site.
    PledgewattError
        The file cannot be used; nothing was changed.
    """
    site = site_of(user, store, site_id)
    if upload.previewed is None or upload.previewed[1] != site.id:
        message = "The site was changed since the preview. Look at the file again first."
        raise UploadError(message)
    profile, _ = upload.previewed
    try:
        report = import_file(store, site.id, upload.path, profile, now=now)
    except PledgewattError as error:
        raise UploadError(in_their_words(error.user_message, upload)) from error
    refresh_site(store, site.id, now=now)
    return report


def in_their_words(text: str, upload: Upload) -> str:
    """Give a sentence about a file with the name that its sender knows it by."""
    return text.replace(str(upload.path), upload.name).replace(upload.path.name, upload.name)
