"""Every address and every callback, for everybody, with what is theirs and what is not.

The lists are taken from the application itself: a route or callback that is new and has no
line in `dashboard.rules` fails here.
"""

from __future__ import annotations

import base64
import io
import json
import re
import zipfile

import pytest

from dashboard import access, accounts, data, home_data, rules
from dashboard.pages import claim, claim_of_site, import_page
from dashboard.rules import CALLBACK, CALLBACKS, RULES, Verdict, decide
from monitor.errors import NotFoundError
from monitor.store import audit
from monitor.store.connection import query
from tests.dashboard.access.conftest import FOREIGN, INSIDE, OF_SITE, OUTSIDE, OWN, World
from tests.dashboard.conftest import NOW

#: Routes of the framework that nobody needs: they are shut for everybody.
SHUT = {"/_reload-hash", "/<path>"}
#: Parts of the framework whose rule says the same with another name of the part.
RENAMED = {
    "/assets/<filename>": "/assets/<file>",
    "/_dash-component-suites/<package_name>/<fingerprinted_path>": "/_dash-component-suites/<path>",
}
#: Where the callbacks of a module are at home, if not on a site's page.
PAGE_OF = {
    "import_page": "/import",
    "import_site": "/import",
    "claim": "/claim/<number>",
    "claim_of_site": "/claim/<number>",
    "fleet_pages": "/",
}
#: Who sees what of whom, written down once more and by hand.
SEES = {
    "ines": {OWN, FOREIGN},
    "iris": {OWN},
    "wanda": {OWN, FOREIGN},
    "walter": {OWN},
    "hugo": {OWN},
    "olga": {FOREIGN},
    "agnes": set(),
}


def routes(app) -> dict[str, set[str]]:
    """Methods by address, its parts without their converters."""
    found: dict[str, set[str]] = {}
    for rule in app.server.url_map.iter_rules():
        path = re.sub(r"<(?:\w+(?:\([^)]*\))?:)?(\w+)>", r"<\1>", rule.rule)
        path = RENAMED.get(path, path)
        found.setdefault(path, set()).update(rule.methods - {"HEAD", "OPTIONS"})
    return found


def concrete(world: World, path: str, site_id: str) -> str:
    """An address with something in each of its parts that belongs to a site."""
    numbers = {
        "/site/<site_id>/finding/<number>": world.findings[site_id],
        "/claim/<number>": world.claims[site_id],
        "/people/withdraw/<number>": world.invitation,
    }
    who = "hugo" if site_id == OWN else "olga"
    parts = {
        "site_id": site_id,
        "what": "daily",
        "number": str(numbers.get(path, world.findings[site_id])),
        "nth": "0",
        "user_id": str(world.people[who].user_id),
        "token": "x" * 43,
        "file": "clientside.js",
        "path": world.script,
    }
    return re.sub(r"<(\w+)>", lambda found: parts.get(found[1], "1"), path)


def text(answer) -> str:
    """Body of an answer; of an archive, all that is in it."""
    if answer.mimetype != "application/zip":
        return answer.get_data().decode(errors="replace")
    with zipfile.ZipFile(io.BytesIO(answer.get_data())) as archive:
        return "".join(archive.read(name).decode() for name in archive.namelist())


def leaks(world: World, who: str, body: str) -> list[str]:
    """What an answer says of homes and people that are none of somebody's business."""
    seen = SEES.get(who, set())
    found = [word for site, words in OF_SITE.items() if site not in seen for word in words]
    if who != "agnes":
        people = {"hugo": OWN, "olga": FOREIGN, "fred": FOREIGN}
        found += [
            f"{name}@example.org"
            for name in (*world.people, "fred")
            if name != who and not (who in {"ines", "iris"} and people.get(name) in seen)
        ]
    return [word for word in found if word in body]


# The table and the application ---------------------------------------------------------------


def test_every_route_has_a_rule(world):
    paths = {rule.path for rule in RULES}
    assert set(routes(world.app)) - paths - SHUT == set()


def test_every_rule_names_the_methods_that_its_route_has(world):
    served = routes(world.app)
    for rule in RULES:
        methods = served.get(rule.path, {"GET"})
        assert rule.methods - {"HEAD"} <= methods, rule.path


def test_every_callback_has_a_rule_and_asks_who_is_asking(world):
    served = [one["callback"] for one in world.app.callback_map.values() if "callback" in one]
    assert len(served) >= 8
    assert {getattr(one, "rule", one.__name__) for one in served} == set(CALLBACKS)


def test_a_callback_without_a_rule_cannot_be_made():
    def forgotten() -> None: ...

    with pytest.raises(LookupError, match="no line in CALLBACKS"):
        access.guarded(forgotten)


def test_whoever_signs_in_begins_on_a_page_that_is_theirs(world):
    for who in INSIDE:
        user = world.people[who]
        assert rules.reaches(user, rules.start(user)), who


# Addresses -----------------------------------------------------------------------------------


@pytest.mark.parametrize("who", [*OUTSIDE, *INSIDE])
def test_every_address_is_open_to_those_whom_its_rule_names_and_to_nobody_else(world, who):
    client, user = world.client(who), world.user(who)
    for rule in RULES:
        # An address that names nothing is the same for both homes.
        ways = {concrete(world, rule.path, site_id): site_id for site_id in (FOREIGN, OWN)}
        for path, site_id in ways.items():
            for method in sorted(rule.methods - {"HEAD"}):
                if rule.roles is None and who in INSIDE and path != "/health":
                    continue
                # What changes something is sent without the token of a page.
                answer = client.open(path, method=method, buffered=True)
                where = f"{who} {method} {path}"
                mine = "<site_id>" not in rule.path or site_id in SEES.get(who, set())
                if rule.roles is None:
                    assert answer.status_code in {200, 303, 400, 404}, where
                elif user is None:
                    expected = 401 if path.startswith("/_") else 303
                    assert answer.status_code == expected, where
                    if expected == 303:
                        assert answer.location.startswith("/login"), where
                elif user.role not in rule.roles and path == "/":
                    assert answer.location == rules.start(user), where
                elif user.role not in rule.roles or not mine:
                    assert answer.status_code == 404, where
                elif method == "POST":
                    assert answer.status_code == (403 if path == CALLBACK else 400), where
                else:
                    # A finding may have no series; a claim or person may be another's.
                    loose = re.search(r"<(number|nth)>", rule.path)
                    assert answer.status_code in ({200, 404} if loose else {200}), where
                body = text(answer)
                assert leaks(world, who, body) == [], where
    # A cookie is handed out to who is known only.
    assert (client.get_cookie("_csrf_token") is not None) is (user is not None)


@pytest.mark.parametrize("who", [*OUTSIDE, *INSIDE])
def test_what_has_no_rule_is_there_for_nobody(world, who):
    client = world.client(who)
    for path in (
        "/_reload-hash",
        "/anything/else",
        "/home/",
        "/Home",
        "/home/../site/x",
        "/people/",
    ):
        for method in ("GET", "POST", "PUT", "DELETE", "PATCH", "OPTIONS"):
            answer = client.open(path, method=method)
            assert answer.status_code in ({404} if who in INSIDE else {303, 401}), path


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "OPTIONS", "TRACE"])
def test_no_method_but_reading_and_sending_is_known(world, method):
    for who in INSIDE:
        for rule in RULES:
            path = concrete(world, rule.path, OWN)
            if rule.roles is not None:
                assert decide(world.people[who], method, path) is Verdict.NOT_FOUND


def test_a_homeowners_page_names_no_other_home(world):
    body = world.client("hugo").get("/home").get_data(as_text=True)
    assert "3 Alder Row" in body
    assert leaks(world, "hugo", body) == []


# Callbacks -----------------------------------------------------------------------------------


def requests(world: World) -> list[tuple[str, dict]]:
    """A request of every callback, with a foreign site wherever a value may stand."""
    names = {id(entry["callback"]): entry["callback"].rule
             for entry in world.app.callback_map.values() if "callback" in entry}  # fmt: skip
    file = base64.b64encode(b"time,heat\n2026-01-01,1\n").decode()
    usual = {
        "search": "",
        "value": "brook",
        "data": FOREIGN,
        "n_clicks": 1,
        "contents": f"data:text/csv;base64,{file}",
        "filename": "export.csv",
    }
    own = {
        import_page.SITE: FOREIGN,
        claim.NUMBER: world.claims[FOREIGN],
        claim_of_site.NUMBER: world.claims[FOREIGN],
        claim_of_site.DAY: "2026-03-01",
    }
    found = []
    for spec in world.app._callback_list:
        if spec.get("clientside_function"):
            continue
        entry = world.app.callback_map[spec["output"]]

        def filled(parts):
            return [
                part | {"value": own.get(part["id"], usual.get(part["property"]))} for part in parts
            ]

        outputs = [
            dict(zip(("id", "property"), one.rsplit(".", 1), strict=True))
            for one in spec["output"].strip(".").split("...")
        ]
        body = {
            "output": spec["output"],
            "outputs": outputs if spec["output"].startswith("..") else outputs[0],
            "inputs": filled(spec["inputs"]),
            "state": filled(spec["state"]),
            "changedPropIds": [f"{i['id']}.{i['property']}" for i in spec["inputs"][:1]],
        }
        found.append((names[id(entry["callback"])], body))
    return found


def at(body: dict, path: str) -> dict:
    """A request as from a page of this address."""
    return body | {
        key: [p | {"value": path} if p["property"] == "pathname" else p for p in body[key]]
        for key in ("inputs", "state")
    }


def run(client, body: dict, token: str = "token"):
    return client.post(CALLBACK, json=body, headers={"X-CSRFToken": token})


def foreign_rows(world: World) -> str:
    """What the store holds of the foreign home, but for the log."""
    tables = ("site_version", "import", "exclusion", "settlement", "finding", "claim")
    held = [
        query(
            world.store.cursor(), f"SELECT * FROM {name} WHERE site_id = $site", {"site": FOREIGN}
        ).to_dicts()
        for name in tables
    ]
    loose = [
        query(world.store.cursor(), f"SELECT * FROM {name}").to_dicts()
        for name in ("claim_step", "finding_note", "exclusion_withdrawn")
    ]
    return repr((held, loose))


@pytest.mark.parametrize("who", [*OUTSIDE, "hugo", "olga", "agnes"])
def test_a_callback_is_not_there_for_whoever_has_no_pages_with_scripts(world, who):
    client = world.client(who)
    for _, body in requests(world):
        assert run(client, body).status_code == (401 if who in OUTSIDE else 404)


@pytest.mark.parametrize("who", ["iris", "walter"])
def test_no_callback_gives_away_or_changes_a_foreign_home(world, who):
    client, role = world.client(who), world.people[who].role
    before = foreign_rows(world)
    pages = [
        concrete(world, rule.path, FOREIGN)
        for rule in RULES
        if rule.roles and rule.roles & rules.FLEET and "GET" in rule.methods
        and not re.match(r"/(_|assets|download)|.*\.(csv|zip)", rule.path)
    ]  # fmt: skip
    for name, body in requests(world):
        for path in pages if "pathname" in json.dumps(body) else ["/"]:
            answer = run(client, at(body, path))
            where = f"{who} {name} {path}"
            allowed = {200, 204, 404} if role in CALLBACKS[name] else {404}
            assert answer.status_code in allowed, where
            assert leaks(world, who, text(answer)) == [], where
    assert foreign_rows(world) == before


@pytest.mark.parametrize("who", ["ines", "wanda"])
def test_a_callback_runs_for_whom_its_rule_names(world, who):
    client, role = world.client(who), world.people[who].role
    for name, body in requests(world):
        # Reading only: what a click or a file does is tested where it belongs.
        if any(part["property"] in {"n_clicks", "contents"} for part in body["inputs"]):
            continue
        page = PAGE_OF.get(name.partition(".")[0], "/site/<site_id>")
        answer = run(client, at(body, concrete(world, page, FOREIGN)))
        assert answer.status_code in ({200, 204} if role in CALLBACKS[name] else {404}), name


def test_a_page_that_is_not_theirs_is_not_there_by_callback_either(world):
    routing = next(body for name, body in requests(world) if name == "app.route")
    assert run(world.client("ines"), at(routing, "/import")).status_code == 200
    for path in ("/import", "/sources", "/people", "/audit", "/home"):
        assert run(world.client("wanda"), at(routing, path)).status_code == 404, path


@pytest.mark.parametrize("token", ["", "wrong", "tökén"])
def test_a_callback_without_the_token_of_its_page_is_refused(world, token):
    client = world.client("ines")
    for _, body in requests(world):
        assert run(client, body, token).status_code == 403


@pytest.mark.parametrize("who", ["ines", "wanda"])
def test_every_page_that_shows_homes_is_logged_as_a_look(world, who):
    client, routing = world.client(who), next(b for n, b in requests(world) if n == "app.route")
    pages = [
        rule.path
        for rule in RULES
        if rule.roles and world.people[who].role in rule.roles and "GET" in rule.methods
        and not re.match(r"/(_|assets|download|own-data|people|told)|.*(\.csv|/home)$", rule.path)
    ]  # fmt: skip
    for page in pages:
        before = audit.entries(world.store, most=1)[0].number
        assert run(client, at(routing, concrete(world, page, FOREIGN))).status_code == 200, page
        new = [row for row in audit.entries(world.store, most=9) if row.number > before]
        assert [row.actor.person for row in new if row.action.startswith("looked")], page


# What the pages know -------------------------------------------------------------------------

READERS = [
    lambda u, s, i: data.record(u, s, i, NOW),
    lambda u, s, i: home_data.home(u, s, i, NOW),
    lambda u, s, i: data.imports(u, s, i),
    lambda u, s, i: data.quarantine(u, s, i),
    lambda u, s, i: data.must_exist(u, s, i),
]


@pytest.mark.parametrize("read", READERS)
@pytest.mark.parametrize("who", ["hugo", "iris", "walter"])
def test_no_reader_gives_a_foreign_site(world, who, read):
    user = world.people[who]
    with pytest.raises(NotFoundError) as foreign:
        read(user, world.store, FOREIGN)
    with pytest.raises(NotFoundError) as absent:
        read(user, world.store, "no-such-home")
    assert str(foreign.value).replace(FOREIGN, "X") == str(absent.value).replace(
        "no-such-home", "X"
    )
    read(user, world.store, OWN)


@pytest.mark.parametrize("who", ["wanda", "hugo", "agnes"])
def test_only_installers_learn_what_brings_files(world, who):
    with pytest.raises(NotFoundError):
        data.sources(world.people[who], world.store)


@pytest.mark.parametrize("who", ["ines", "wanda", "hugo"])
def test_only_an_administrator_reads_the_log_or_touches_accounts(world, who):
    user, olga = world.people[who], world.people["olga"].user_id
    for touch in (
        lambda: accounts.log(user, world.store, None),
        lambda: accounts.verify(user, world.store),
        lambda: accounts.account(user, world.store, olga, other=True),
        lambda: accounts.erase(user, world.store, olga, "olga@example.org"),
        lambda: accounts.new_password(user, world.store, olga, NOW),
        lambda: accounts.lock(user, world.store, olga, locked=True),
    ):
        with pytest.raises(NotFoundError):
            touch()


# Headers and files ---------------------------------------------------------------------------


def test_scripts_run_from_files_or_by_hash_only(world):
    response = world.client("ines").get("/")
    policy = response.headers["Content-Security-Policy"]
    scripts = next(p for p in policy.split("; ") if p.startswith("script-src"))
    assert "unsafe" not in scripts
    assert "'sha256-" in scripts
    assert "frame-ancestors 'none'" in policy
    assert response.headers["X-Content-Type-Options"] == "nosniff"


@pytest.mark.parametrize(
    ("who", "path"),
    [
        ("hugo", "/home"),
        ("hugo", "/told"),
        ("wanda", "/told"),
        ("agnes", "/people"),
        ("agnes", "/audit"),
        ("ines", "/people"),
    ],
)
def test_pages_that_the_server_writes_run_no_script_and_are_not_kept(world, who, path):
    response = world.client(who).get(path)
    assert "default-src 'none'" in response.headers["Content-Security-Policy"]
    assert "script-src" not in response.headers["Content-Security-Policy"]
    assert "<script" not in response.get_data(as_text=True)
    assert response.headers["Cache-Control"] == "no-store"
    assert "X-Plain-Page" not in response.headers


def test_texts_of_a_hostile_file_stay_texts(world):
    body = world.client("ines").get(f"/download/{FOREIGN}/quarantine.csv").get_data(as_text=True)
    assert "'=1+1" in body
    assert ",=1+1" not in body


@pytest.mark.parametrize("path", ["/site/no-such-home", "/site/no-such-home/home", "/anything",
                                  "/download/no-such-home/daily.csv",
                                  f"/download/{OWN}/passwords.csv"])  # fmt: skip
def test_what_does_not_exist_is_not_there_for_an_installer(world, path):
    assert world.client("ines").get(path).status_code == 404
