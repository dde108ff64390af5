"""Messages of a broker: none lost, none invented, each file whole."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from hypothesis import given
from hypothesis import strategies as st
from paho.mqtt.enums import CallbackAPIVersion

from ingest.errors import Terminal
from ingest.listen_mqtt import Listener
from ingest.messages import MOST_BYTES, MessageSpool, lines_of
from ingest.profile import Profile, profile_from_toml
from ingest.run_once import run_once
from ingest.spool import Spool
from tests.ingest_store.broker import Broker, matches
from tests.ingest_store.intake import NOW, Intake, wait_for

COLUMNS = """
[[column]]
column = "heat"
role = "heat_total"
kind = "register"
unit = "kWh"

[[column]]
column = "unit"
role = "elec_unit"
kind = "register"
unit = "kWh"
"""
JSONL = 'name = "messages"\nformat = "jsonl"\n[jsonl]\ntime = "received"\n' + COLUMNS
TOPIC = "homes/mill-lane-1/meter"


def layout(form: str, **more: Any) -> Profile:
    column = {"column": "heat", "role": "heat_total", "kind": "register", "unit": "kWh"}
    return Profile.model_validate({"name": "m", "format": form, "column": [column], **more})


def lines(payload: str | bytes, form: str = "jsonl", **more: Any) -> list[str]:
    data = payload.encode() if isinstance(payload, str) else payload
    return lines_of(data, TOPIC, NOW, layout(form, **more))


class TestLines:
    def test_an_object_gets_its_topic_and_the_time_of_reception(self) -> None:
        (line,) = lines('{"heat": 12.50}')
        assert line == (
            '{"heat": 12.50, "topic": "homes/mill-lane-1/meter", '
            '"received": "2024-06-01T08:30:00.000000Z"}'
        )

    def test_digits_stay_as_they_were_sent(self) -> None:
        (line,) = lines('{"heat":  1234567890.12345678901234567890e0}')
        assert "1234567890.12345678901234567890e0" in line

    def test_what_an_object_says_itself_is_not_overwritten(self) -> None:
        (line,) = lines('{"received": 5, "topic": "mine"}')
        assert json.loads(line) == {"received": 5, "topic": "mine"}

    def test_an_object_over_several_lines_becomes_one(self) -> None:
        (line,) = lines('{\r\n  "heat": 1,\n  "unit": 2\n}\n')
        assert json.loads(line) | {"heat": 1, "unit": 2} == json.loads(line)
        assert json.loads(lines("{}")[0]).keys() == {"topic", "received"}

    def test_a_bare_number_is_a_value(self) -> None:
        assert json.loads(lines("21.5")[0])["value"] == 21.5

    def test_an_array_is_an_object_a_line(self) -> None:
        found = [json.loads(line) for line in lines('[{"heat": 1}, {"heat": 2}]')]
        assert [item["heat"] for item in found] == [1, 2]
        assert {item["topic"] for item in found} == {TOPIC}

    @pytest.mark.parametrize(
        ("line", "becomes"),
        [
            ("meter heat=1", "meter heat=1 1717230600000000000"),
            (
                "meter,home=a\\ b heat=1,unit=2",
                "meter,home=a\\ b heat=1,unit=2 1717230600000000000",
            ),
            ('meter note="two words",heat=1', 'meter note="two words",heat=1 1717230600000000000'),
            ("meter heat=1 1717230000000000000", "meter heat=1 1717230000000000000"),
            ('meter note="a 5",heat=1 17', 'meter note="a 5",heat=1 17'),
            ("meter heat=1 \n", "meter heat=1 1717230600000000000"),
        ],
    )
    def test_a_line_without_time_gets_that_of_its_reception(self, line: str, becomes: str) -> None:
        assert lines(line, "line_protocol") == [becomes]

    def test_the_time_is_in_the_profile_s_precision(self) -> None:
        (line,) = lines("meter heat=1", "line_protocol", line_protocol={"precision": "s"})
        assert line == "meter heat=1 1717230600"

    def test_comments_and_empty_lines_are_no_readings(self) -> None:
        assert lines("# hello\n\nmeter heat=1 5\n", "line_protocol") == ["meter heat=1 5"]

    def test_a_pack_means_the_same_tomorrow(self) -> None:
        pack = [
            {"bn": "m:", "bt": -60, "n": "heat", "u": "kWh", "v": 1},
            {"n": "unit", "t": 30, "v": 2},
        ]
        (line,) = lines(json.dumps(pack), "senml")
        found = json.loads(line)
        # RFC 8428, section 4.5.3: times below 2**28 are relative to now.
        assert [record["t"] for record in found] == [
            NOW.timestamp() - 60,
            NOW.timestamp() - 30,
        ]
        assert found[0]["bn"] == "m:"
        assert all("bt" not in record for record in found)

    def test_absolute_times_of_a_pack_stay(self) -> None:
        # RFC 8428, section 5.1.3: multiple data points in time.
        pack = (
            '[{"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09,"bu":"%RH","v":20},'
            '{"u":"lon","v":24.30621},{"t":60,"v":20.3}]'
        )
        found = json.loads(lines(pack, "senml")[0])
        assert [record["t"] for record in found] == [1320067464, 1320067464, 1320067524]

    @pytest.mark.parametrize(
        ("payload", "form"),
        [
            (b"\xff\xfe", "jsonl"),
            (b"{", "jsonl"),
            (b"", "jsonl"),
            (b"[" * 100_000, "jsonl"),
            (b"{}", "senml"),
            (b"[1]", "senml"),
            (b'[{"bt": "soon"}]', "senml"),
            (b'[{"t": 1e999}]', "senml"),
            (b"\xff", "line_protocol"),
            (b"1" * (MOST_BYTES + 1), "jsonl"),
        ],
    )
    def test_a_message_that_is_something_else_is_refused(self, payload: bytes, form: str) -> None:
        with pytest.raises(Terminal, match=f"A message of {TOPIC}"):
            lines(payload, form)

    @given(st.binary(max_size=200), st.sampled_from(["jsonl", "senml", "line_protocol"]))
    def test_no_message_breaks_a_line_or_the_program(self, payload: bytes, form: str) -> None:
        try:
            made = lines(payload, form)
        except Terminal:
            return
        assert all("\n" not in line for line in made)

    @given(
        st.recursive(
            st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(),
            lambda inner: (
                st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3)
            ),
            max_leaves=8,
        ),
        st.sampled_from([None, 2]),
    )
    def test_every_value_that_was_sent_is_in_the_file(self, value: Any, indent: int | None) -> None:
        made = [json.loads(line) for line in lines(json.dumps(value, indent=indent))]
        items = value if isinstance(value, list) else [value]
        assert len(made) == len(items)
        for found, item in zip(made, items, strict=True):
            assert found | (item if isinstance(item, dict) else {"value": item}) == found


class TestSpooled:
    @pytest.fixture
    def spool(self, tmp_path: Path) -> Spool:
        spool = Spool(tmp_path / "in")
        spool.prepare(make_root=True)
        return spool

    def test_a_stretch_of_time_becomes_one_file_a_topic(self, spool: Spool) -> None:
        messages = MessageSpool(spool, timedelta(hours=1))
        profile = layout("jsonl")
        for minutes, topic in ((0, "a"), (20, "a"), (20, "b"), (31, "a")):
            messages.append(b"1", topic, NOW + timedelta(minutes=minutes), profile)
        assert messages.roll(NOW + timedelta(minutes=29)) == 0
        assert messages.next_roll(NOW + timedelta(minutes=29)) == NOW + timedelta(minutes=30)
        assert messages.roll(NOW + timedelta(minutes=30)) == 2
        assert [p.stat().st_size > 0 for p in spool.root.glob("*.jsonl")] == [True, True]
        assert messages.roll(NOW + timedelta(minutes=90)) == 1
        assert messages.next_roll(NOW) is None

    def test_a_line_that_a_lost_process_left_half_spoils_no_other(self, spool: Spool) -> None:
        messages = MessageSpool(spool, timedelta(hours=1))
        path = messages.append(b"1", "a", NOW, layout("jsonl"))
        assert path is not None
        with path.open("ab") as file:
            file.write(b'{"value": 2, "to')
        messages.append(b"3", "a", NOW, layout("jsonl"))
        found = path.read_text().splitlines()
        assert [json.loads(found[n])["value"] for n in (0, 2)] == [1, 3]
        assert len(found) == 3

    def test_a_clock_that_steps_back_overwrites_nothing(self, spool: Spool) -> None:
        messages = MessageSpool(spool, timedelta(hours=1))
        for _ in range(2):
            messages.append(b"1", "a", NOW, layout("jsonl"))
            assert messages.roll(NOW + timedelta(hours=1)) == 1
        assert len(list(spool.root.glob("*.jsonl"))) == 2

    @pytest.mark.parametrize("topic", ["../../etc/passwd", "/", "a/../b", "\u202e", "x" * 5000])
    def test_no_topic_leads_out_of_the_spool(self, spool: Spool, topic: str) -> None:
        messages = MessageSpool(spool, timedelta(hours=1))
        path = messages.append(b"1", topic, NOW, layout("jsonl"))
        assert path is not None
        assert path.parent == spool.part
        assert messages.roll(NOW + timedelta(hours=1)) == 1

    def test_topics_that_look_alike_keep_files_of_their_own(self, spool: Spool) -> None:
        messages = MessageSpool(spool, timedelta(hours=1))
        paths = {messages.append(b"1", t, NOW, layout("jsonl")) for t in ("a/b", "a_b", "a.b")}
        assert len(paths) == 3


@pytest.fixture
def broker() -> Iterator[Broker]:
    made = Broker()
    yield made
    made.close()


@pytest.fixture
def make(tmp_path: Path, broker: Broker) -> Iterator[Callable[..., Intake]]:
    opened: list[Intake] = []

    def build(more: str = "", profile: str = JSONL) -> Intake:
        made = Intake(
            tmp_path,
            '[[source]]\nname = "wire"\nsite = "mill-lane-1"\nprofile = "logger.toml"\n'
            f'kind = "mqtt"\nhost = "127.0.0.1"\nport = {broker.port}\ntls = false\n'
            f'topics = ["homes/+/meter"]\n{more}\n',
            profile=profile,
        )
        opened.append(made)
        return made

    yield build
    for intake in opened:
        intake.store.close()


def listening(intake: Intake) -> Listener:
    source: Any = intake.source()
    profile = profile_from_toml(intake.folder / "logger.toml")
    listener = Listener(source, profile, intake.collector.messages(source), intake.clock)
    listener.start()
    wait_for(lambda: listener.error is None)
    return listener


def test_messages_become_readings_of_the_hour_once_it_is_over(
    make: Callable[..., Intake], broker: Broker
) -> None:
    intake = make()
    listener = listening(intake)
    for minute in range(5):
        intake.clock.forward(minutes=1)
        broker.publish(TOPIC, f'{{"heat": {100 + minute}, "unit": {30 + minute}}}'.encode())
        wait_for(lambda done=minute + 1: broker.acknowledged == done)
    broker.publish("elsewhere/meter", b'{"heat": 1}')
    listener.stop()
    assert intake.run().done == 0
    intake.clock.now = datetime(2024, 6, 1, 9, 0, tzinfo=UTC)
    assert intake.run().done == 1
    ((name, *counts),) = intake.counts()
    assert counts == [10, 0, 0]
    assert name.startswith("homes_mill-lane-1_meter-")
    assert name.endswith("-20240601T080000Z.jsonl")
    assert intake.state().newest == NOW + timedelta(minutes=5)


def test_a_message_is_on_disk_before_it_is_acknowledged(
    make: Callable[..., Intake], broker: Broker, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A disk that is full for a while: the broker keeps the message and sends it again."""
    intake = make()
    full = threading.Event()
    full.set()
    append = MessageSpool.append

    def refusing(self: MessageSpool, *given: Any) -> Any:
        if full.is_set():
            raise OSError(28, "No space left on device")
        return append(self, *given)

    monkeypatch.setattr(MessageSpool, "append", refusing)
    listener = listening(intake)
    broker.publish(TOPIC, b'{"heat": 100, "unit": 30}')
    wait_for(lambda: listener.error is not None)
    assert "cannot be written" in str(listener.error)
    assert (broker.acknowledged, broker.waiting()) == (0, 1)
    full.clear()
    broker.drop()
    wait_for(lambda: broker.acknowledged == 1)
    listener.stop()
    intake.clock.forward(hours=1)
    assert intake.run().done == 1
    assert [c[1:] for c in intake.counts()] == [(2, 0, 0)]


def test_what_comes_while_nobody_listens_is_kept_by_the_broker(
    make: Callable[..., Intake], broker: Broker
) -> None:
    intake = make()
    listening(intake).stop()
    for n in range(20):
        broker.publish(TOPIC, f'{{"heat": {100 + n}, "received": "{_at(n)}"}}'.encode())
    assert broker.waiting() == 20
    (result,) = run_once(intake.collector, list(intake.sources.source))
    assert broker.waiting() == 0
    assert result.problem is None
    intake.clock.forward(hours=1)
    intake.run()
    assert [c[1:] for c in intake.counts()] == [(20, 0, 0)]


def _at(minute: int) -> str:
    return f"{NOW - timedelta(minutes=minute):%Y-%m-%dT%H:%M:%SZ}"


def test_a_message_that_comes_twice_is_a_duplicate(
    make: Callable[..., Intake], broker: Broker
) -> None:
    intake = make()
    listener = listening(intake)
    for _ in range(2):
        broker.publish(TOPIC, f'{{"heat": 100, "received": "{_at(1)}"}}'.encode())
    wait_for(lambda: broker.acknowledged == 2)
    listener.stop()
    intake.clock.forward(hours=1)
    intake.run()
    assert [c[1:] for c in intake.counts()] == [(1, 1, 0)]


def test_a_connection_that_is_cut_is_made_again(
    make: Callable[..., Intake], broker: Broker
) -> None:
    intake = make()
    listener = listening(intake)
    broker.drop()
    broker.publish(TOPIC, b'{"heat": 100}')
    wait_for(lambda: broker.acknowledged == 1)
    wait_for(lambda: listener.error is None)
    listener.stop()


def test_a_message_that_the_broker_kept_from_before_gets_no_invented_time(
    make: Callable[..., Intake], broker: Broker
) -> None:
    broker.publish(TOPIC, b'{"heat": 1}', keep=True)
    intake = make()
    listener = listening(intake)
    wait_for(lambda: broker.waiting() == 0)
    listener.stop()
    assert "1 messages that the broker had kept from before" in str(listener.note())
    assert listener.note() is None
    intake.clock.forward(hours=1)
    assert intake.run().done == 0


def test_a_message_that_is_nonsense_is_kept_apart_with_its_reason(
    make: Callable[..., Intake], broker: Broker
) -> None:
    intake = make()
    listener = listening(intake)
    broker.publish(TOPIC, b"\xff\x00nonsense")
    broker.publish(TOPIC, b'{"heat": 100}')
    wait_for(lambda: broker.acknowledged == 2)
    listener.stop()
    ((name, report),) = intake.reports("failed").items()
    assert (intake.folder / "spool" / "wire" / "failed" / name).read_bytes() == b"\xff\x00nonsense"
    assert report["topic"] == TOPIC
    assert "is not jsonl" in report["sentence"]
    assert "1 messages were refused" in str(listener.note())
    intake.clock.forward(hours=1)
    assert intake.run().done == 1


def test_a_password_opens_the_door(
    make: Callable[..., Intake], broker: Broker, monkeypatch: pytest.MonkeyPatch
) -> None:
    broker.people = {"reader": "nine green bottles"}
    monkeypatch.setenv("MQTT_USER", "reader")
    monkeypatch.setenv("MQTT_PASSWORD", "wrong bottles")
    intake = make('username_env = "MQTT_USER"\npassword_env = "MQTT_PASSWORD"')
    (refused,) = run_once(intake.collector, list(intake.sources.source))
    assert "refuses the connection" in str(refused.problem)
    assert "bottles" not in str(refused.problem)
    monkeypatch.setenv("MQTT_PASSWORD", "nine green bottles")
    (let_in,) = run_once(intake.collector, list(intake.sources.source))
    assert let_in.problem is None


def test_a_topic_that_may_not_be_read_is_said(make: Callable[..., Intake], broker: Broker) -> None:
    broker.refused_topics = {"homes/+/meter"}
    intake = make()
    (result,) = run_once(intake.collector, list(intake.sources.source))
    assert "does not let 'homes/+/meter' be subscribed to" in str(result.problem)


@pytest.mark.parametrize(
    ("profile", "payload"),
    [
        (
            'name = "m"\nformat = "senml"\n' + COLUMNS,
            b'[{"n": "heat", "u": "kWh", "v": 100}, {"n": "unit", "u": "kWh", "v": 30}]',
        ),
        (
            'name = "m"\nformat = "line_protocol"\n'
            + COLUMNS.replace('"heat"', '"meter heat"').replace('"unit"\n', '"meter unit"\n'),
            b"meter heat=100,unit=30",
        ),
    ],
)
def test_every_format_of_messages_reaches_the_store(
    make: Callable[..., Intake], broker: Broker, profile: str, payload: bytes
) -> None:
    intake = make(profile=profile)
    listener = listening(intake)
    broker.publish(TOPIC, payload)
    intake.clock.forward(seconds=1)
    wait_for(lambda: broker.acknowledged == 1)
    listener.stop()
    intake.clock.forward(hours=1)
    intake.run()
    assert [c[1:] for c in intake.counts()] == [(2, 0, 0)]


def test_the_broker_of_these_tests_serves_a_client_that_knows_nothing_of_them(
    broker: Broker,
) -> None:
    heard: list[tuple[str, bytes, int]] = []
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="other")
    client.on_message = lambda _c, _d, m: heard.append((m.topic, m.payload, m.qos))
    client.connect("127.0.0.1", broker.port)
    client.loop_start()
    client.subscribe("a/#", 1)
    wait_for(lambda: "other" in broker.sessions and broker.sessions["other"].topics != {})
    client.publish("a/b", b"one", qos=1).wait_for_publish(5)
    client.publish("a/b", b"none", qos=0)
    wait_for(lambda: len(heard) == 2)
    client.disconnect()
    client.loop_stop()
    assert heard == [("a/b", b"one", 1), ("a/b", b"none", 0)]
    assert matches("a/+/c", "a/b/c")
    assert not matches("a/+", "a/b/c")
