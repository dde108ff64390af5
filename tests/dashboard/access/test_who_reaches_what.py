"""Every route and every callback, for a stranger, a homeowner and an installer."""

from __future__ import annotations

import re
from datetime import UTC, datetime

import pytest

from dashboard import access, data, home_data
from dashboard.access import Verdict, decide
from monitor.errors import NotFoundError

OWN, FOREIGN = "alder-row-3", "brook-cottage"
NAMES = ("Alder Row", "Brook Cottage", "Marlbeck", "alder-row", "brook-cottage")


def paths(app) -> list[str]:
    """A concrete path of every route, once for the own and once for a foreign site."""
    usual = {"what": "daily", "path": "anything/else"}
    out = {
        re.sub(
            r"<(?:\w+:)?(\w+)>",
            lambda found, values=values: values.get(found[1], "dash"),
            rule.rule,
        )
        for rule in app.server.url_map.iter_rules()
        for values in ({"site_id": site, **usual} for site in (OWN, FOREIGN))
    }
    more = [
        "/",
        "/home",
        "/import",
        "/sources",
        f"/site/{OWN}",
        f"/site/{FOREIGN}",
        f"/download/{OWN}/quarantine.csv",
    ]
    # Signing out is a form's business and changes the session: tested on its own.
    return sorted((out | set(more)) - {"/logout"})


def callbacks(app) -> list[dict[str, object]]:
    """The request of every callback, with a foreign site wherever a value may stand."""
    found = []
    for spec in app._callback_list:
        if spec.get("clientside_function"):
            continue
        values = {"pathname": f"/site/{FOREIGN}", "search": "", "value": "brook", "data": FOREIGN}

        def filled(parts, values=values):
            return [part | {"value": values.get(part["property"])} for part in parts]

        multiple = spec["output"].startswith("..")
        outputs = [
            dict(zip(("id", "property"), one.rsplit(".", 1), strict=True))
            for one in spec["output"].strip(".").split("...")
        ]
        found.append(
            {
                "output": spec["output"],
                "outputs": outputs if multiple else outputs[0],
                "inputs": filled(spec["inputs"]),
                "state": filled(spec["state"]),
                "changedPropIds": [f"{i['id']}.{i['property']}" for i in spec["inputs"]],
            }
        )
    return found


def test_a_stranger_reaches_the_form_the_style_and_the_health_check_only(app, anonymous):
    for path in paths(app):
        response = anonymous.get(path)
        if path in access.PUBLIC:
            assert response.status_code == 200, path
        elif path.startswith("/_"):
            assert response.status_code == 401, path
            assert response.is_json
        else:
            assert response.status_code == 303, path
            assert response.location.startswith("/login"), path


def test_no_answer_to_a_stranger_names_a_site(app, anonymous):
    for path in paths(app):
        # Redirects repeat the address that was asked for, and nothing else.
        body = anonymous.get(path).get_data(as_text=True).replace(path, "")
        body = body.replace(path.replace("/", "%2F"), "")
        assert not any(name in body for name in NAMES), path


def test_a_homeowner_reaches_their_home_and_nothing_else(app, as_homeowner):
    for path in paths(app):
        response = as_homeowner.get(path)
        if path == "/home" or path in access.PUBLIC - {"/login"}:
            assert response.status_code == 200, path
        elif path in {"/", "/login"}:
            assert (response.status_code, response.location) == (303, "/home"), path
        else:
            assert response.status_code == 404, path
            assert not any(name in response.get_data(as_text=True) for name in NAMES), path


def test_a_homeowners_page_names_no_other_site(as_homeowner):
    body = as_homeowner.get("/home").get_data(as_text=True)
    assert "3 Alder Row" in body
    assert not any(name in body for name in ("Brook", "Chapel", "Dene", "Elm", "Fen View"))


def test_a_homeowner_can_run_no_callback(app, as_homeowner):
    found = callbacks(app)
    assert len(found) >= 4
    for body in found:
        response = as_homeowner.post(access.CALLBACK, json=body, headers={"X-CSRFToken": "token"})
        assert response.status_code == 404, body["output"]


def test_a_stranger_can_run_no_callback(app, anonymous):
    for body in callbacks(app):
        assert anonymous.post(access.CALLBACK, json=body).status_code == 401


def test_an_installer_runs_every_callback(app, as_installer):
    for body in callbacks(app):
        response = as_installer.post(access.CALLBACK, json=body, headers={"X-CSRFToken": "token"})
        assert response.status_code in {200, 204}, body["output"]


def test_a_callback_without_the_pages_token_is_refused(app, as_installer):
    body = callbacks(app)[0]
    assert as_installer.post(access.CALLBACK, json=body).status_code == 403
    wrong = as_installer.post(access.CALLBACK, json=body, headers={"X-CSRFToken": "tökén"})
    assert wrong.status_code == 403


def test_every_callback_asks_who_is_asking(app):
    served = {output: entry for output, entry in app.callback_map.items() if "callback" in entry}
    assert len(served) >= 4
    unguarded = [o for o, entry in served.items() if not hasattr(entry["callback"], "is_guarded")]
    assert unguarded == []


@pytest.mark.parametrize("path", ["/site/no-such-home", "/site/no-such-home/home", "/anything"])
def test_an_installer_gets_404_for_what_does_not_exist(as_installer, path):
    assert as_installer.get(path).status_code == 404


def test_an_installer_gets_404_for_an_unknown_download(as_installer):
    assert as_installer.get(f"/download/{OWN}/passwords.csv").status_code == 404
    assert as_installer.get("/download/no-such-home/daily.csv").status_code == 404


@pytest.mark.parametrize(
    "path",
    [
        "/home/",
        "/home/../site/brook-cottage",
        "/Home",
        "/home%2f..%2fsite",
        "/assets/../site",
        "/assets/clientside.js",
        "/_dash-layout",
        "/_reload-hash",
    ],
)
def test_no_spelling_leads_a_homeowner_elsewhere(as_homeowner, path):
    assert as_homeowner.get(path).status_code in {404, 308}


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "OPTIONS", "POST"])
def test_no_method_but_reading_is_known_for_pages(homeowner, installer, method):
    assert decide(homeowner, method, "/home") is Verdict.NOT_FOUND
    assert decide(installer, method, "/site/alder-row-3") is Verdict.NOT_FOUND
    assert decide(None, method, "/health") is Verdict.SIGN_IN


READERS = [
    lambda u, s, i, n: data.record(u, s, i, n),
    lambda u, s, i, n: home_data.home(u, s, i, n),
    lambda u, s, i, n: data.imports(u, s, i),
    lambda u, s, i, n: data.quarantine(u, s, i),
    lambda u, s, i, n: data.site_name(u, s, i),
]


@pytest.mark.parametrize("read", READERS)
def test_no_reader_gives_a_homeowner_a_foreign_site(store, homeowner, read):
    now = datetime(2026, 3, 20, 12, 20, tzinfo=UTC)
    with pytest.raises(NotFoundError) as foreign:
        read(homeowner, store, FOREIGN, now)
    with pytest.raises(NotFoundError) as absent:
        read(homeowner, store, "no-such-home", now)
    assert str(foreign.value).replace(FOREIGN, "X") == str(absent.value).replace(
        "no-such-home", "X"
    )
    read(homeowner, store, OWN, now)


def test_a_homeowner_learns_nothing_of_what_brings_files(store, homeowner):
    with pytest.raises(NotFoundError):
        data.sources(homeowner, store)


def test_a_homeowners_fleet_is_their_home(store, homeowner):
    assert [row.site.id for row in data.fleet(homeowner, store)] == [OWN]


def test_scripts_run_from_files_or_by_hash_only(as_installer):
    response = as_installer.get("/")
    policy = response.headers["Content-Security-Policy"]
    scripts = next(p for p in policy.split("; ") if p.startswith("script-src"))
    assert "unsafe" not in scripts
    assert "'sha256-" in scripts
    assert "frame-ancestors 'none'" in policy
    assert response.headers["X-Content-Type-Options"] == "nosniff"


def test_the_homeowners_page_runs_no_script_and_is_not_kept(as_homeowner):
    response = as_homeowner.get("/home")
    assert "default-src 'none'" in response.headers["Content-Security-Policy"]
    assert "script-src" not in response.headers["Content-Security-Policy"]
    assert "<script" not in response.get_data(as_text=True)
    assert response.headers["Cache-Control"] == "no-store"
    assert "X-Plain-Page" not in response.headers


def test_texts_of_a_hostile_file_stay_texts(as_installer):
    body = as_installer.get("/download/brook-cottage/quarantine.csv").get_data(as_text=True)
    assert "'=1+1" in body
    assert ",=1+1" not in body
