"""The page on which an installer looks at a file, corrects what it means, and confirms."""

from __future__ import annotations

import base64
import json
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import plotly.graph_objects as go
import pytest
from flask import Flask
from flask.testing import FlaskClient

from dashboard import access, importing, uploads
from dashboard.app import create_app
from dashboard.pages import import_page, import_site
from dashboard.uploads import Upload, UploadError, Uploads, shown_name
from monitor.errors import NotFoundError
from monitor.store import readings
from monitor.store.connection import Store, open_store
from monitor.store.sites import save_site
from monitor.store.users import User, add_user, list_users
from tests.bench import fleet_page as many
from tests.dashboard.conftest import signed_in
from tests.dashboard.test_site_page import text, walk
from tests.ingest.homes_to_propose import hours, site, table

NOW = datetime(2024, 3, 1, 12, tzinfo=UTC)
NAMES = {"heat": "Wärme [kWh]", "elec": "Strom [kWh]", "outdoor": "Außen [°C]"}
HOSTILE = "../../etc/<b>pass\u202ewd\u0000.csv"


def data_url(content: str | bytes) -> str:
    raw = content if isinstance(content, bytes) else content.encode()
    return f"data:text/csv;base64,{base64.b64encode(raw).decode()}"


def export() -> str:
    return table(hours(20), NAMES)


def settle(store: Store, count: int) -> None:
    """Put invented homes into a store."""
    rng = np.random.default_rng(1)
    for n in range(count):
        save_site(store, many.site(n, rng), NOW)


@pytest.fixture
def own(tmp_path: Path) -> Iterator[Store]:
    """A store with one home, an installer and a homeowner."""
    with open_store(tmp_path / "own.duckdb", create=True) as opened:
        save_site(opened, site(), NOW)
        for email, role, homes in (
            ("ines@example.org", "installer", ()),
            ("hugo@example.org", "homeowner", ("mill-bank-2",)),
        ):
            add_user(
                opened, email=email, name=role, role=role, password="nine green bottles",
                sites=homes, now=NOW,
            )  # fmt: skip
        yield opened


def _person(store: Store, role: str) -> User:
    return next(user for user in list_users(store) if user.role == role)


@pytest.fixture
def ines(own: Store) -> User:
    return _person(own, "installer")


def kept(
    ines: User, content: str | None = None, name: str = "export.csv"
) -> tuple[Uploads, Upload]:
    waiting = Uploads()
    return waiting, waiting.keep(ines.user_id, name, data_url(content or export()))


# Files that are sent ------------------------------------------------------------------------


def test_a_file_lies_under_a_random_name_where_nobody_else_may_look(ines: User) -> None:
    waiting, upload = kept(ines, name=HOSTILE)
    assert upload.path.parent == waiting.folder
    assert waiting.folder.stat().st_mode & 0o077 == 0
    assert upload.path.stat().st_mode & 0o177 == 0
    assert "pass" not in upload.path.name
    assert upload.name == "../../etc/<b>passwd.csv"
    assert upload.path.read_text() == export()


def test_only_who_sent_a_file_can_use_it(ines: User) -> None:
    waiting, upload = kept(ines)
    assert waiting.find(ines.user_id, upload.token) is upload
    for owner, token in ((ines.user_id + 1, upload.token), (ines.user_id, "x"), (1, None)):
        with pytest.raises(UploadError, match="not kept any more"):
            waiting.find(owner, token)


def test_a_file_is_gone_after_a_while_and_when_others_come() -> None:
    waiting = Uploads(lifetime_s=60.0)
    first = waiting.keep(1, "a", data_url("x"), now=0.0)
    assert waiting.find(1, first.token, now=59.0) is first
    with pytest.raises(UploadError):
        waiting.find(1, first.token, now=61.0)
    assert not first.path.exists()
    many = [waiting.keep(1, "a", data_url("x"), now=100.0 + n) for n in range(12)]
    assert [one.path.exists() for one in many] == [False] * 4 + [True] * 8


def test_the_folder_goes_with_the_process() -> None:
    waiting = Uploads()
    folder = waiting.folder
    waiting.keep(1, "a", data_url("x"))
    del waiting
    assert not folder.exists()


@pytest.mark.parametrize(
    "contents", [None, "", 7, "data:text/csv;base64", "data:,%%%", "data:text/csv;base64,"]
)
def test_what_did_not_arrive_whole_is_refused(contents: object) -> None:
    with pytest.raises(UploadError):
        Uploads().keep(1, "a", contents)


def test_a_file_that_is_too_large_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(uploads, "MOST_BYTES", 100)
    with pytest.raises(UploadError, match="larger than"):
        Uploads().keep(1, "a", data_url("x" * 200))


@pytest.mark.parametrize("name", [None, 3, "", "\x00\x01"])
def test_a_file_without_a_name_still_has_one(name: object) -> None:
    assert shown_name(name) == "the file"


# The page -----------------------------------------------------------------------------------


def test_the_page_offers_the_sites_and_imports_nothing(own: Store, ines: User) -> None:
    page = import_page.layout(ines, own, NOW)
    assert "nothing is imported before you confirm it" in text(page)


def test_a_large_fleet_is_typed_for_and_never_listed_as_a_whole(own: Store, ines: User) -> None:
    settle(own, 60)
    found, count = importing.find(ines, own, "", NOW)
    assert (len(found), count) == (importing.MOST_OFFERED, 61)
    page = text(import_page.layout(ines, own, NOW)).replace("\u00a0", " ")
    assert "12 of 61 sites shown: type more to find yours." in page
    (only,), count = importing.find(ines, own, "HOME-41 row", NOW)
    assert (only[0], count) == ("home-41", 1)
    assert importing.find(ines, own, "no such street", NOW) == ([], 0)
    scoped = replace(ines, everywhere=False, sites=("home-3", "home-7"))
    found, count = importing.find(scoped, own, "", NOW)
    assert ({site_id for site_id, _, _ in found}, count) == ({"home-3", "home-7"}, 2)
    assert importing.find(scoped, own, "home-41", NOW) == ([], 0)


def test_a_site_that_was_chosen_stays_in_sight_whatever_is_typed(own: Store, ines: User) -> None:
    settle(own, 3)
    client = signed_in(create_app(own, clock=lambda: NOW), ines)
    outputs = [(import_site.SITE, "options"), (import_site.OFFERED, "children")]
    answer = client.post(
        "/_dash-update-component",
        json={
            "output": ".." + "...".join(".".join(one) for one in outputs) + "..",
            "outputs": [{"id": a, "property": b} for a, b in outputs],
            "inputs": [{"id": import_site.FIND, "property": "value", "value": "home-1"}],
            "state": [{"id": import_site.SITE, "property": "value", "value": "mill-bank-2"}],
            "changedPropIds": [f"{import_site.FIND}.value"],
        },
        headers={"X-CSRFToken": "token"},
    )
    shown = answer.get_json()["response"][import_site.SITE]["options"]
    assert [one["value"] for one in shown] == ["mill-bank-2", "home-1"]


def test_a_homeowner_has_no_such_page(own: Store) -> None:
    with pytest.raises(NotFoundError):
        import_page.layout(_person(own, "homeowner"), own, NOW)


def test_a_file_is_shown_with_what_an_import_would_bring(own: Store, ines: User) -> None:
    _, upload = kept(ines, name="Januar.csv")
    seen, why_not = importing.look(upload, site(), now=NOW)
    assert seen is not None
    assert why_not == ""
    page = import_page.looked(upload, seen, why_not)
    words = text(page)
    (chart,) = [node for node in walk(page) if type(node).__name__ == "Graph"]
    assert len(go.Figure(chart.figure).data) == 2
    for wanted in (
        "Januar.csv is delimited; 3 columns are read",
        "1,443 readings read = 1,443 accepted",
        "No reading would be refused",
        "Energy of measured hours by local day",
        "Each stamp carries its own offset",
        'role = "heat_total"',
    ):
        assert wanted in words
    assert upload.path.name not in words
    assert readings.imports(own).height == 0


def test_a_correction_is_what_differs_from_the_proposal(ines: User) -> None:
    _, upload = kept(ines)
    importing.look(upload, site(), now=NOW)
    now = importing.form_values(upload)
    whole = {key: now[key] for key in ("zone", "time_format", "name")}
    columns = {key: value for key, value in now.items() if key not in whole}
    assert not importing.correct(upload, whole, columns)
    assert upload.answers.columns == {}
    assert importing.correct(upload, whole, columns | {"Außen [°C].role": "none"})
    assert upload.answers.columns == {"Außen [°C]": {"role": "none"}}
    importing.look(upload, site(), now=NOW)
    assert upload.proposal is not None
    assert [one.used for one in upload.proposal.columns] == [True, True, False]


def test_what_was_not_previewed_cannot_be_confirmed(own: Store, ines: User) -> None:
    _, upload = kept(ines, "not a table at all")
    importing.look(upload, site(), now=NOW)
    with pytest.raises(UploadError, match="Look at the file again"):
        importing.confirm(ines, own, upload, "mill-bank-2", now=NOW)
    _, upload = kept(ines)
    importing.look(upload, site(), now=NOW)
    with pytest.raises(NotFoundError):
        importing.confirm(ines, own, upload, "no-such-home", now=NOW)
    assert readings.imports(own).height == 0


@pytest.mark.parametrize(
    "content", ["", "PK\x03\x04 no zip", "<svg onload='x'>", "a;b\n1;2\n", "\x00" * 99]
)
def test_a_hostile_file_gives_sentences(own: Store, ines: User, content: str) -> None:
    waiting = Uploads()
    upload = waiting.keep(ines.user_id, HOSTILE, data_url(content or "\n"))
    seen, why_not = importing.look(upload, site(), now=NOW)
    assert seen is None
    words = text(import_page.looked(upload, seen, why_not))
    assert "Traceback" not in words
    assert str(waiting.folder) not in words
    assert upload.path.name not in words


@dataclass
class Served:
    """What `signed_in` needs of an application."""

    server: Flask


# Through the server ---------------------------------------------------------------------------


@pytest.fixture
def client(own: Store, ines: User) -> FlaskClient:
    app = create_app(own, clock=lambda: NOW)
    made = signed_in(app, ines)
    made.specs = app._callback_list  # type: ignore[attr-defined]
    return made


def press(client: FlaskClient, output: str, **values: Any) -> Any:
    """Run the callback whose output begins with a text, with the values of its parts."""
    spec = next(
        one
        for one in client.specs  # type: ignore[attr-defined]
        if output in one["output"]
    )

    def filled(part: dict[str, Any]) -> Any:
        if part["id"].startswith("{"):
            kind = json.loads(part["id"])["type"]
            found = values.get(kind, [])
            return [
                {"id": {"row": n, "type": kind}, "property": "value", "value": one}
                for n, one in enumerate(found)
            ]
        return part | {"value": values.get(f"{part['id']}.{part['property']}")}

    names = spec["output"].strip(".").split("...")
    outputs = [dict(zip(("id", "property"), one.rsplit(".", 1), strict=True)) for one in names]
    body = {
        "output": spec["output"],
        "outputs": outputs if spec["output"].startswith("..") else outputs[0],
        "inputs": [filled(one) for one in spec["inputs"]],
        "state": [filled(one) for one in spec["state"]],
        "changedPropIds": [f"{one['id']}.{one['property']}" for one in spec["inputs"]],
    }
    response = client.post(access.CALLBACK, json=body, headers={"X-CSRFToken": "token"})
    assert response.status_code == 200, response.get_data(as_text=True)
    return response.get_json()["response"]


FORM = {
    "import-whole": ["UTC", "iso", "Export like Januar.csv"],
    "import-role": ["heat_total", "elec_total", "outdoor_temp"],
    "import-kind": ["register", "register", "state"],
    "import-unit": ["kWh", "kWh", "degC"],
}


def arrive(client: FlaskClient, contents: str, site_id: str | None = "mill-bank-2") -> Any:
    return press(
        client,
        "import-token.data",
        **{
            "import-file.contents": contents,
            "import-file.filename": "Januar.csv",
            "import-site.value": site_id,
        },
    )


def test_a_file_is_sent_looked_at_confirmed_and_accounted_for(
    own: Store, client: FlaskClient
) -> None:
    found = arrive(client, data_url(export()))
    token = found["import-token"]["data"]
    assert "1,443 readings read" in json.dumps(found)
    assert readings.imports(own).height == 0
    state = {"import-token.data": token, "import-site.value": "mill-bank-2", **FORM}
    done = press(client, "import-buttons.children@", **state, **{"import-confirm.n_clicks": 1})
    words = json.dumps(done)
    assert "1,443 readings read = 1,443 accepted" in words
    assert "/site/mill-bank-2" in words
    counts = readings.imports(own).row(0, named=True)
    assert counts["rows_read"] == counts["accepted"] == 1_443
    again = press(client, "import-buttons.children@", **state, **{"import-confirm.n_clicks": 2})
    assert "not kept any more" in json.dumps(again)
    assert readings.imports(own).height == 1


def test_a_form_that_was_changed_is_looked_at_again_before_it_is_confirmed(
    own: Store, client: FlaskClient
) -> None:
    token = arrive(client, data_url(export()))["import-token"]["data"]
    changed = FORM | {"import-role": ["heat_total", "elec_total", "none"]}
    state = {"import-token.data": token, "import-site.value": "mill-bank-2", **changed}
    refused = press(client, "import-buttons.children@", **state, **{"import-confirm.n_clicks": 1})
    assert "Look again first" in json.dumps(refused)
    assert readings.imports(own).height == 0
    looked = press(client, "import-look.children@", **state, **{"import-again.n_clicks": 1})
    assert "962 readings read = 962 accepted" in json.dumps(looked)
    done = press(client, "import-buttons.children@", **state, **{"import-confirm.n_clicks": 2})
    assert "962 accepted" in json.dumps(done)


def test_without_a_site_nothing_is_kept(client: FlaskClient) -> None:
    found = arrive(client, data_url(export()), site_id=None)
    assert found["import-token"]["data"] is None
    assert "Choose the site first" in json.dumps(found)


def test_a_large_file_may_be_sent_by_an_installer_only(own: Store, client: FlaskClient) -> None:
    big = data_url(b"x" * 600_000)
    assert "cannot be read as an export" in json.dumps(arrive(client, big))
    hugo = signed_in(Served(client.application), _person(own, "homeowner"))
    body = {"output": "x", "inputs": [{"value": big}]}
    assert hugo.post(access.CALLBACK, json=body).status_code == 404
    stranger = client.application.test_client()
    assert stranger.post("/login", data={"email": big}).status_code == 413
