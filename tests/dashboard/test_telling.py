"""What people are told of findings: what is new, each once, worst first, and no more."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from dashboard.telling import words
from dashboard.telling.described import Telling
from dashboard.telling.digest import Digest
from dashboard.telling.wants import checked_wish, widens
from monitor.errors import DescriptionError
from monitor.findings.finding import Topic
from monitor.store import told, users
from monitor.store.connection import Store, open_store
from monitor.store.told import Wish
from tests.dashboard.telling_people import MailServer, People, body, costing, finding, forget

COLD = finding(
    "cold", Topic.HOUSEHOLD, title="Cold rooms", plainly="Your rooms have been cold.",
    caution="Somebody frail may live there.",
)  # fmt: skip
SILENT = finding("silent", Topic.DATA, title="No readings", plainly="The meters are silent.")
MUTE = finding("mute", Topic.DATA, title="A mute logger", plainly="The meters are silent.")
CURVE = costing("curve", 90.0, title="The heating curve is steep")
METER = finding("meter", Topic.METER, title="A stuck register")


@pytest.fixture(scope="module")
def server() -> Iterator[MailServer]:
    made = MailServer()
    yield made
    made.close()


@pytest.fixture
def mail(server: MailServer) -> MailServer:
    for kept in (server.letters, server.receivers, server.encrypted, server.refused):
        kept.clear()
    return server


def described(mail: MailServer | None, **more: object) -> Telling:
    port = 1 if mail is None else mail.port
    way = {"host": "127.0.0.1", "port": port, "security": "none", "sender": "pw@firm.example"}
    return Telling.model_validate({"mail": way, **more})


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    path: Path = tmp_path_factory.mktemp("told") / "told.duckdb"
    with open_store(path, create=True) as opened:
        made = People(opened, described(None))
        made.home("alder-row-3")
        made.home("brook-cottage")
        yield opened


@pytest.fixture
def people(store: Store, mail: MailServer) -> People:
    forget(store)
    return People(store, described(mail))


def told_of(people: People, mail: MailServer, **how: object) -> str:
    """What went out in one round, all of it."""
    before = len(mail.letters)
    outcomes = people.teller.tell(due=False, **how)
    assert [o.problem for o in outcomes] == [None] * len(outcomes)
    assert len(mail.letters) - before == len(outcomes)
    return "\n".join(f"{one['Subject']}\n{body(one)}" for one in mail.letters[before:])


# What is news


def test_a_finding_is_told_once(people, mail):
    people.person("ines@firm.example")
    people.found("alder-row-3", CURVE)
    assert "The heating curve is steep" in told_of(people, mail)
    people.found("alder-row-3", CURVE)
    assert told_of(people, mail) == ""
    assert mail.receivers == [["ines@firm.example"]]


def test_one_that_is_cleared_is_told_and_once_open_again_it_is_told_as_such(people, mail):
    people.person("ines@firm.example")
    people.found("alder-row-3", CURVE)
    told_of(people, mail)
    people.found("alder-row-3")
    cleared = told_of(people, mail)
    assert cleared.startswith("1 finding cleared\n")
    assert "CLEARED\n\n- The heating curve is steep (alder-row-3), since 20 Mar 2026" in cleared
    assert told_of(people, mail) == ""
    people.found("alder-row-3", CURVE)
    assert "1. Again, for the 2nd time: The heating curve is steep" in told_of(people, mail)


def test_one_that_was_cleared_and_opened_between_two_messages_is_told_as_open_again(people, mail):
    people.person("ines@firm.example")
    people.found("alder-row-3", CURVE)
    told_of(people, mail)
    people.found("alder-row-3")
    people.found("alder-row-3", CURVE)
    said = told_of(people, mail)
    assert "for the 2nd time" in said
    assert "CLEARED" not in said


def test_what_came_and_went_between_two_messages_is_told_but_not_what_did_before_the_first(
    people, mail
):
    people.person("ines@firm.example")
    people.found("alder-row-3", METER)
    people.found("alder-row-3", CURVE)
    assert "stuck" not in told_of(people, mail)
    people.found("alder-row-3", CURVE, SILENT)
    people.found("alder-row-3", CURVE)
    assert "No readings (alder-row-3), since 20 Mar 2026; it was found on 20 Mar 2026" in told_of(
        people, mail
    )
    assert told_of(people, mail) == ""


def test_the_worst_stands_first_and_in_the_subject(people, mail):
    people.person("ines@firm.example")
    dear = costing("dear", 300.0, title="The immersion heater runs")
    people.found("alder-row-3", CURVE, dear, METER, SILENT)
    people.found("brook-cottage", COLD)
    said = told_of(people, mail)
    assert said.startswith("5 new findings, worst: Cold rooms (brook-cottage)\n")
    order = ["1. Cold", "2. No readings", "3. A stuck", "4. The immersion", "5. The heating curve"]
    places = [said.index(words) for words in order]
    assert places == sorted(places)
    assert "Caution: Somebody frail may live there." in said


def test_a_long_list_is_cut_and_says_how_many_it_leaves_out(people, mail, monkeypatch):
    monkeypatch.setattr(words, "MOST_IN_FULL", 3)
    monkeypatch.setattr(words, "MOST_BY_TITLE", 4)
    people.person("ines@firm.example")
    many = [costing(f"k{n}", 1000.0 - n, title=f"Matter {n}") for n in range(9)]
    people.found("alder-row-3", *many)
    said = told_of(people, mail)
    assert said.startswith("9 new findings")
    assert "3. Matter 2 (" in said
    assert "- Matter 6 (" in said
    assert "Matter 7" not in said
    assert "and 2 more, which the pages show." in said
    page = body(mail.letters[-1], "html")
    assert page.count("<li>") == 7
    assert "and 2 more" in page
    assert told_of(people, mail) == "", "what was left out has been told by its number"
    people.found("alder-row-3")
    assert "and 5 more" in told_of(people, mail)


# Who is told what


def test_each_person_is_told_of_the_sites_that_they_may_see_and_of_no_other(people, mail):
    people.person("all@firm.example")
    people.person("one@firm.example", sites=("brook-cottage",))
    people.person("admin@firm.example", role="administrator")
    people.person("none@firm.example")
    told.save_wish(
        people.store, users.account(people.store, "none@firm.example").user_id,
        Wish(way="none"), people.clock(), anew=False,
    )  # fmt: skip
    locked = people.person("locked@firm.example")
    users.lock(people.store, locked.email, locked=True)
    people.found("alder-row-3", CURVE)
    people.found("brook-cottage", METER)
    told_of(people, mail)
    assert mail.receivers == [["all@firm.example"], ["one@firm.example"]]
    assert "alder-row-3" in body(mail.letters[0])
    assert "alder-row-3" not in body(mail.letters[1])


def wish(people: People, email: str, **wished: str) -> None:
    user = users.account(people.store, email)
    before = told.wishes(people.store).get(user.user_id, Wish())
    after = Wish(**{**vars(before), **wished})
    checked_wish(user, after)
    anew = widens(user, before, after)
    told.save_wish(people.store, user.user_id, after, people.clock(), anew=anew)


def test_a_homeowner_is_told_nothing_unless_they_asked_for_it(people, mail):
    people.person("hugo@home.example", "homeowner", ("alder-row-3",))
    people.found("alder-row-3", SILENT)
    assert told_of(people, mail) == ""
    wish(people, "hugo@home.example", way="e-mail")
    assert "The meters are silent." in told_of(people, mail)


def test_a_homeowner_is_told_plain_sentences_about_their_own_home_alone(people, mail):
    people.person("hugo@home.example", "homeowner", ("alder-row-3",))
    wish(people, "hugo@home.example", way="e-mail")
    people.found("alder-row-3", SILENT, CURVE, METER)
    people.found("brook-cottage", COLD)
    said = told_of(people, mail)
    assert said.startswith("Your heat pump: 1 new message\n")
    assert "- The meters are silent." in said
    for word in ("cold", "curve", "No readings", "stuck", "alder-row-3", "Hugo", "£"):
        assert word not in said + body(mail.letters[-1], "html")


def test_a_homeowner_reads_a_sentence_once_and_that_it_is_over_only_when_it_is(people, mail):
    people.person("hugo@home.example", "homeowner", ("alder-row-3",))
    wish(people, "hugo@home.example", way="e-mail")
    people.found("alder-row-3", SILENT)
    assert told_of(people, mail).count("The meters are silent.") == 1
    people.found("alder-row-3", SILENT, MUTE)
    assert told_of(people, mail) == ""
    people.found("alder-row-3", MUTE)
    assert told_of(people, mail) == ""
    people.found("alder-row-3")
    assert "What is over:\n\n- The meters are silent." in told_of(people, mail)
    people.found("alder-row-3", COLD)
    people.found("alder-row-3")
    assert told_of(people, mail) == "", "what came and went is no concern of a household"


def test_no_message_to_others_names_a_household(people, mail):
    people.person("ines@firm.example")
    people.person("hugo@home.example", "homeowner", ("alder-row-3",))
    people.found("alder-row-3", COLD)
    said = told_of(people, mail) + body(mail.letters[-1], "html") + mail.letters[-1].as_string()
    assert "Hugo" not in said
    assert "Alder Row" not in said
    people.use(described(mail, site_names=True))
    people.found("brook-cottage", COLD)
    assert "(3 Alder Row, Marlbeck; household" in told_of(people, mail)


def test_topics_of_less_weight_than_wished_are_left_out_until_they_are_wished(people, mail):
    people.person("ines@firm.example")
    wish(people, "ines@firm.example", least="meter")
    people.found("alder-row-3", METER, CURVE)
    assert "curve" not in told_of(people, mail)
    brief = finding("brief", Topic.UNIT, title="A brief matter")
    people.found("alder-row-3", METER, CURVE, brief)
    people.found("alder-row-3", METER, CURVE)
    assert told_of(people, mail) == ""
    wish(people, "ines@firm.example", least="promise")
    said = told_of(people, mail)
    assert "curve" in said
    assert "brief" not in said, "what came and went before is no news"


@pytest.mark.parametrize(
    ("wished", "says"),
    [
        (Wish(way="pigeon"), "'pigeon' is no way to tell a person"),
        (Wish(way="webhook:"), "is no way to tell a person"),
        (Wish(least="weather"), "'weather' is not a topic"),
        (Wish(least="nothing"), "--by none"),
    ],
)
def test_a_wish_that_cannot_be_kept_is_refused(people, wished, says):
    user = people.person("ines@firm.example")
    with pytest.raises(DescriptionError, match=says):
        checked_wish(user, wished)


def test_a_homeowner_is_told_by_mail_alone(people):
    user = people.person("hugo@home.example", "homeowner", ("alder-row-3",))
    with pytest.raises(DescriptionError, match="A homeowner is told by 'e-mail'"):
        checked_wish(user, Wish(way="webhook:desk"))


# When


def test_what_is_new_waits_for_the_time_of_the_day(people, mail):
    people.use(described(mail, daily="07:00:00", zone="Europe/London"))
    people.person("ines@firm.example")
    people.found("alder-row-3", CURVE)
    assert people.teller.tell() == []
    people.clock.now = datetime(2026, 3, 21, 6, 59, tzinfo=UTC)
    assert people.teller.tell() == []
    people.clock.forward(minutes=1)
    assert len(people.teller.tell()) == 1
    people.clock.forward(minutes=1)
    assert people.teller.tell() == []


def test_after_an_outage_over_the_time_of_the_day_it_is_told_late(people, mail):
    people.person("ines@firm.example")
    people.found("alder-row-3", CURVE)
    people.clock.forward(days=1, hours=3)
    assert len(people.teller.tell()) == 1


def test_what_touches_people_is_told_at_once_but_not_minute_by_minute(people, mail):
    people.use(described(mail, at_once="household", at_once_pause="PT1H"))
    people.person("ines@firm.example")
    people.person("calm@firm.example")
    wish(people, "calm@firm.example", at_once="nothing")
    people.found("alder-row-3", CURVE, COLD)
    assert [o.email for o in people.teller.tell()] == ["ines@firm.example"]
    assert "curve" in body(mail.letters[0]), "whatever else is new comes along"
    people.found("brook-cottage", COLD)
    assert people.teller.tell() == []
    people.clock.forward(hours=1)
    assert [o.email for o in people.teller.tell()] == ["ines@firm.example"]
    people.found("alder-row-3", CURVE, hours=2)
    assert people.teller.tell() == [], "that it is over can wait"


@pytest.mark.parametrize(
    ("now", "last"),
    [
        ("2026-03-20T07:00:00+00:00", "2026-03-20T07:00:00+00:00"),
        ("2026-03-20T06:59:59+00:00", "2026-03-19T07:00:00+00:00"),
        # The clocks went forward on 29 March 2026 (directive 2000/84/EC; the United Kingdom).
        ("2026-03-29T05:59:00+00:00", "2026-03-28T07:00:00+00:00"),
        ("2026-03-29T06:00:00+00:00", "2026-03-29T06:00:00+00:00"),
    ],
)
def test_the_time_of_the_day_is_that_of_the_wall_clock(now, last):
    telling = Telling.model_validate(
        {
            "zone": "Europe/London",
            "daily": "07:00",
            "mail": {"host": "mail.firm.example", "sender": "pw@firm.example"},
        }
    )
    assert telling.last_daily(datetime.fromisoformat(now)) == datetime.fromisoformat(last)


# How it is said


def digest(people: People) -> Digest:
    (made,) = people.teller.letters()
    return made.digest


def test_nothing_in_a_finding_can_add_a_line_to_the_head_of_a_mail(people, mail):
    people.person("ines@firm.example")
    evil = "Cold\r\nBcc: thief@elsewhere.example\r\n\r\n<b>Hello</b>\u2028\u202egnp\x00"
    people.found("alder-row-3", finding("evil", Topic.HOUSEHOLD, title=evil, what=evil))
    told_of(people, mail)
    letter = mail.letters[-1]
    assert mail.receivers[-1] == ["ines@firm.example"]
    assert letter["Bcc"] is None
    assert letter["Subject"] == (
        "1 new finding: Cold Bcc: thief@elsewhere.example <b>Hello</b> gnp (alder-row-3)"
    )
    assert "<b>Hello" not in body(letter, "html")
    assert "\u202e" not in body(letter)


def test_a_message_says_where_more_is_to_be_read(people, mail):
    people.use(described(mail, base_url="https://fleet.firm.example/"))
    people.person("ines@firm.example")
    people.found("alder-row-3", CURVE)
    page = r"https://fleet\.firm\.example/site/alder-row-3/finding/\d+"
    assert re.search(rf"   {page}\n", words.text(digest(people)))
    assert re.search(rf'href="{page}"', words.html(digest(people)))
    wish(people, "ines@firm.example", way="none")
    people.person("hugo@home.example", "homeowner", ("alder-row-3",))
    wish(people, "hugo@home.example", way="e-mail")
    people.found("alder-row-3", CURVE, SILENT)
    assert "Your page: https://fleet.firm.example/home\n" in words.text(digest(people))


def test_a_message_says_what_it_costs_and_what_to_check_first(people):
    people.person("ines@firm.example")
    stakes = {"at_stake": 41.0, "days_left": 184}
    people.found(
        "alder-row-3", costing("a", 90.0, check=("Set the curve back", "Look again"), **stakes)
    )
    said = words.text(digest(people))
    assert "Costs: 0.10 SPF (0.05 to 0.15), 360 kWh a year, £90.00" in said
    assert "At stake: £41.00 in the 184 days left" in said
    assert "Check first: Set the curve back" in said
    assert "Look again" not in said
    assert max(len(line) for line in said.splitlines()) <= 78


def test_the_same_news_has_the_same_mark_and_other_news_another(people):
    people.person("ines@firm.example")
    people.found("alder-row-3", CURVE)
    first = digest(people).delivery
    people.clock.forward(days=1)
    assert digest(people).delivery == first
    people.found("alder-row-3", CURVE, METER)
    assert digest(people).delivery != first


def test_a_finding_of_a_form_that_is_not_known_any_more_is_told_once_it_is_found_anew(people, mail):
    people.person("ines@firm.example")
    people.found("alder-row-3", CURVE, METER)
    people.store.cursor().execute(
        "UPDATE finding SET document = '{\"topic\": \"operation\"}' WHERE kind = 'curve'"
    )
    said = told_of(people, mail)
    assert "A stuck register" in said
    assert said.startswith("1 new finding")
    people.found("alder-row-3", CURVE, METER)
    assert "The heating curve is steep" in told_of(people, mail)


def test_waits_grow_with_each_failure_and_end_with_success(people, mail):
    people.person("ines@firm.example")
    people.found("alder-row-3", COLD)
    mail.refused["ines@firm.example"] = "450 4.2.1 busy"
    waits = []
    for _ in range(5):
        (outcome,) = people.teller.tell()
        assert outcome.problem is not None
        record = next(iter(told.mailed(people.store).values()))
        waits.append(record.retry_at - people.clock())
        people.clock.now = record.retry_at - timedelta(seconds=1)
        assert people.teller.tell() == [], "not before it is time to try again"
        people.clock.forward(seconds=1)
    assert waits == [timedelta(minutes=m) for m in (5, 10, 20, 40, 60)]
    mail.refused.clear()
    (outcome,) = people.teller.tell()
    assert outcome.problem is None
    assert next(iter(told.mailed(people.store).values())).failures == 0
