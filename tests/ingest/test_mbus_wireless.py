"""Wireless M-Bus telegrams, and answers of several telegrams, in captures."""

from __future__ import annotations

from pathlib import Path

import meterbus
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.mbus_wireless import as_long_frame, is_wireless
from ingest.normal_form import Extract
from tests.ingest.exports import read, reasons, times
from tests.ingest.exports import values as values_of
from tests.ingest.test_mbus import capture, column, energy, profile, telegram

LINK = "2423 78563412 2A 04"


def wireless(*records: str, header: str = "7A 26 00 0000", control: str = "44") -> str:
    """Build a telegram from its L field on (EN 13757-4 and -7, from memory)."""
    body = bytes.fromhex(f"{control}{LINK}{header}{''.join(records)}")
    return (bytes([len(body)]) + body).hex()


@pytest.mark.parametrize("control", ["44", "46", "08", "38"])
@pytest.mark.parametrize(
    "header",
    [
        "7A 26 00 0000",
        "72 78563412 2423 2A 04 26 00 0000",
        "78",
        "8C 20 26 7A 26 00 0000",
        "8C 20 26 72 78563412 2423 2A 04 26 00 0000",
    ],
)
def test_a_plain_wireless_telegram_reads_as_the_wired_one(
    tmp_path: Path, header: str, control: str
) -> None:
    records = (energy(100), "025B2300", "0F0102")
    used = profile(column(), column("flow_temp"))
    found = capture(
        tmp_path, used, telegram(*records), wireless(*records, header=header, control=control)
    )
    assert values_of(found, "energy") == [100.0, 100.0]
    assert values_of(found, "flow_temp") == [35.0, 35.0]
    assert {target.serial for target in found.targets} == {"12345678"}
    assert found.notes == ()


def test_the_meter_behind_a_radio_module_is_named_by_the_long_header(tmp_path: Path) -> None:
    header = "72 99999999 2423 2A 0C 26 00 0000"
    found = capture(tmp_path, profile(), wireless(energy(7), header=header))
    assert found.targets[0].serial == "99999999"


@pytest.mark.parametrize(
    ("header", "mode"),
    [
        ("7A 26 00 2005", 5),
        ("7A 26 00 1007", 7),
        ("72 78563412 2423 2A 04 26 00 1005", 5),
        ("7A 26 00 0004", 4),
    ],
)
def test_an_encrypted_wireless_telegram_is_refused(tmp_path: Path, header: str, mode: int) -> None:
    cipher = "AB" * 16
    found = capture(tmp_path, profile(), wireless(cipher, header=header), telegram(energy(1)))
    assert values_of(found, "energy") == [1.0]
    assert reasons(found) == [
        (
            1,
            "telegram",
            f"the telegram is encrypted (mode {mode}): the reader must decrypt it with the "
            "meter's key before it writes the file",
        )
    ]


def test_a_telegram_that_the_receiver_has_decrypted_is_read(tmp_path: Path) -> None:
    found = capture(tmp_path, profile(), wireless("2F2F", energy(5), header="7A 26 00 2005"))
    assert values_of(found, "energy") == [5.0]


def test_checksums_of_the_radio_link_are_noticed(tmp_path: Path) -> None:
    plain = bytes.fromhex(wireless(energy(5), energy(6, "44")))
    # Format A: two bytes after the first ten, then after each sixteen.
    blocks = [plain[:10], *(plain[at : at + 16] for at in range(10, len(plain), 16))]
    found = capture(tmp_path, profile(), b"".join(one + b"\xab\xcd" for one in blocks).hex())
    assert reasons(found) == [
        (
            1,
            "telegram",
            "the telegram still holds the checksums of the radio link; let the receiver take "
            "them out",
        )
    ]


@pytest.mark.parametrize(
    ("sent", "reason"),
    [
        (
            wireless(energy(5))[:-2],
            "the wireless telegram says that 20 bytes follow its first, but",
        ),
        (
            wireless(energy(5), header="A0"),
            "not a wireless telegram with variable data (CI field A0)",
        ),
        (wireless(header="8C"), "not a wireless telegram with variable data (CI field 00)"),
        (wireless(header="7A 26"), "the wireless telegram ends within its header"),
    ],
)
def test_a_wireless_telegram_that_cannot_be_read_says_why(
    tmp_path: Path, sent: str, reason: str
) -> None:
    found = capture(tmp_path, profile(), sent, telegram(energy(1)))
    assert values_of(found, "energy") == [1.0]
    ((line, name, said),) = reasons(found)
    assert (line, name) == (1, "telegram")
    assert said.startswith(reason)


@given(
    kwh=st.integers(0, 2**31 - 1),
    tenths=st.integers(-500, 1500),
    header=st.sampled_from(["7A 26 00 0000", "72 78563412 2423 2A 04 26 00 0000", "78"]),
)
@settings(max_examples=40, deadline=None)
def test_wireless_values_agree_with_the_library_that_cuts_the_header(
    tmp_path_factory: pytest.TempPathFactory, kwh: int, tenths: int, header: str
) -> None:
    flow = f"025A{tenths.to_bytes(2, 'little', signed=True).hex()}"
    # The library takes the two idle fillers that decrypted data begins with for a header.
    fillers = "" if header == "78" else "2F2F"
    sent = wireless(fillers, energy(kwh), flow, header=header)
    used = profile(column(), column("flow_temp"))
    found = capture(tmp_path_factory.mktemp("radio"), used, sent)
    theirs = [float(record.value) for record in meterbus.load(bytes.fromhex(sent)).records]
    assert [1000 * values_of(found, "energy")[0], values_of(found, "flow_temp")[0]] == (
        pytest.approx(theirs, rel=1e-12)
    )


@given(data=st.binary(max_size=300))
@settings(max_examples=150)
def test_no_bytes_make_the_cutting_of_headers_fail(data: bytes) -> None:
    if is_wireless(data):
        frame, said = as_long_frame(data)
        assert bool(frame) != bool(said)


def test_the_longest_wireless_telegram_is_read(tmp_path: Path) -> None:
    filler = "2F" * (255 - 14 - 6)
    found = capture(tmp_path, profile(), wireless(energy(5), filler))
    assert values_of(found, "energy") == [5.0]


def answer(*records: str, access: int, serial: str = "12345678") -> str:
    """A long frame whose access number is given."""
    body = bytearray.fromhex(telegram(*records, serial=serial))[4:-2]
    body[11] = access
    frame = bytes([0x68, len(body), len(body), 0x68]) + body + bytes([sum(body) % 256, 0x16])
    return frame.hex()


MORE = "1F"
MAKER = "1F C0FFEE"


def lines(folder: Path, *telegrams: tuple[str, str]) -> Extract:
    text = "".join(f"2024-01-15T{at}Z;{one}\n" for at, one in telegrams)
    used = profile(column(), column("flow_temp"), column(tariff=1))
    return read(folder, text, used)


def test_an_answer_of_several_telegrams_is_read_at_the_time_of_its_first(tmp_path: Path) -> None:
    found = lines(
        tmp_path,
        ("12:00:00", answer(energy(100), MAKER, access=255)),
        ("12:00:02", answer("025B2300", MORE, access=0)),
        ("12:00:04", answer(energy(40, "8410"), access=1)),
    )
    assert values_of(found, "energy") == [100.0]
    assert values_of(found, "flow_temp") == [35.0]
    assert values_of(found, "energy tariff 1") == [40.0]
    assert found.readings["t_utc"].n_unique() == 1
    assert found.readings["line"].to_list() == [1, 1, 1]
    assert found.notes == (
        "Telegrams that continue the one before them, and were read with it: 2.",
    )
    assert found.lines == 3


def test_the_telegrams_of_one_answer_may_not_contradict_each_other(tmp_path: Path) -> None:
    found = lines(
        tmp_path,
        ("12:00:00", answer(energy(100), MORE, access=5)),
        ("12:00:02", answer(energy(101), "025B2300", access=6)),
    )
    assert reasons(found) == [
        (1, "energy", "the telegram holds this record twice, with different values")
    ]
    assert values_of(found, "flow_temp") == [35.0]


def test_answers_of_two_meters_that_are_read_in_turn_are_kept_apart(tmp_path: Path) -> None:
    found = lines(
        tmp_path,
        ("12:00:00", answer(energy(1), MORE, access=5, serial="00000001")),
        ("12:00:01", answer(energy(2), MORE, access=5, serial="00000002")),
        ("12:00:02", answer("025B2300", access=6, serial="00000001")),
        ("12:00:03", answer("025B2400", access=6, serial="00000002")),
    )
    both = {
        (found.targets[target].serial, line): value
        for target, line, value in found.readings.select("target", "line", "value").rows()
        if found.targets[target].label == "flow_temp"
    }
    assert both == {("00000001", 1): 35.0, ("00000002", 2): 36.0}


@pytest.mark.parametrize(
    ("second", "at"),
    [
        (answer("025B2300", access=7), "12:00:02"),
        (answer("025B2300", access=6), "12:05:00"),
        (answer("025B2300", access=6, serial="87654321"), "12:00:02"),
        (answer(energy(101), MORE, access=6), "12:00:02"),
    ],
    ids=["another access number", "much later", "another meter", "the same build"],
)
def test_what_does_not_continue_an_answer_is_read_by_itself(
    tmp_path: Path, second: str, at: str
) -> None:
    found = lines(tmp_path, ("12:00:00", answer(energy(100), MORE, access=5)), (at, second))
    assert found.rejects.is_empty()
    assert sorted(found.readings["line"].to_list()) == [1, 2]
    assert found.notes[0].startswith("Telegrams that announce more records, of which none follow: ")
    moments = times(found, "flow_temp") or times(found, "energy")
    assert moments[-1] == f"2024-01-15 {at[:5]}"


def test_an_answer_whose_time_is_unknown_is_not_joined(tmp_path: Path) -> None:
    text = (
        f"noon;{answer(energy(100), MORE, access=5)}\n"
        f"2024-01-15T12:00:00Z;{answer('025B2300', access=6)}\n"
    )
    found = read(tmp_path, text, profile(column(), column("flow_temp")))
    assert [line for line, _, _ in reasons(found)] == [1]
    assert values_of(found, "flow_temp") == [35.0]
