"""The file that says how people are told: what it may say, and what the guide says of it."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from dashboard.telling.described import Mail, Telling, Webhook, telling_from_toml
from monitor.errors import DescriptionError
from monitor.models import Record

GUIDE = (Path(__file__).parents[2] / "docs" / "telling.md").read_text()

MAIL = """
[mail]
host = "mail.firm.example"
sender = "fleet@firm.example"
"""
HOOK = """
[[webhook]]
name = "desk"
url = "https://desk.firm.example/in"
secret_env = "DESK_SECRET"
"""


def read(folder: Path, text: str) -> Telling:
    path = folder / "telling.toml"
    path.write_text(text)
    return telling_from_toml(path)


def test_a_short_file_is_enough(tmp_path):
    telling = read(tmp_path, MAIL)
    assert telling.mail is not None
    assert (telling.mail.security, telling.mail.door) == ("starttls", 587)
    assert telling.daily.isoformat() == "07:00:00"
    assert read(tmp_path, MAIL + 'security = "tls"').mail.door == 465
    assert read(tmp_path, MAIL + 'security = "tls"\nport = 2465').mail.door == 2465


def test_paths_count_from_the_folder_of_the_file(tmp_path):
    telling = read(tmp_path, MAIL + 'ca_file = "own.pem"' + HOOK + 'ca_file = "desk.pem"')
    assert telling.mail.ca_file == tmp_path / "own.pem"
    assert telling.webhook[0].ca_file == tmp_path / "desk.pem"


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "describe a [mail] server or a [[webhook]]"),
        (MAIL + 'security = "none"', "mail to another computer travels by 'starttls' or 'tls'"),
        (MAIL + 'password = "four wet ducks"', "name that variable in 'password_env'"),
        (MAIL + 'password_env = "P"', "'username_env' and 'password_env' belong together"),
        (MAIL + 'sender_name = "A\\nBcc: b@firm.example"', "sender_name"),
        (MAIL.replace("fleet@", "fleet"), "is not an e-mail address"),
        (MAIL.replace("fleet@", "a@b.example, fleet@"), "is not an e-mail address"),
        (MAIL.replace("fleet@", "a\\r\\nb@"), "is not an e-mail address"),
        (MAIL + 'timeout = "PT2H"', "must lie between"),
        (MAIL + "colour = 3", "this key is not known"),
        (HOOK.replace("https:", "http:"), "http:// is for this computer only"),
        (HOOK.replace("desk.firm", "me:secret@desk.firm"), "credentials do not belong"),
        (HOOK.replace("https:", "ftp:"), "an address begins with https://"),
        (HOOK.replace("/in", ":x/in"), "this is not an address"),
        (HOOK + 'secret = "stones"', "name that variable in 'secret_env'"),
        (HOOK + HOOK, "two webhooks are called 'desk'"),
        ('base_url = "http://fleet.example"' + MAIL, "http:// is for this computer only"),
        ('base_url = "https://fleet.example/?a=1"' + MAIL, "without '?' or '#'"),
        ('at_once = "weather"' + MAIL, "at_once"),
        ('zone = "Marlbeck"' + MAIL, "is not a time zone name"),
        ('daily = "07:00Z"' + MAIL, "in the zone that 'zone' names"),
    ],
)
def test_what_cannot_be_meant_is_said_in_a_sentence(tmp_path, text, says):
    with pytest.raises(DescriptionError) as raised:
        read(tmp_path, text)
    assert says in raised.value.user_message
    assert "telling.toml is not a usable telling file" in raised.value.user_message


def test_a_password_in_the_file_is_not_repeated_in_the_sentence(tmp_path):
    with pytest.raises(DescriptionError) as raised:
        read(tmp_path, MAIL + 'password = "four wet ducks"')
    assert "ducks" not in raised.value.user_message


def test_every_example_of_the_guide_is_read():
    blocks = re.findall(r"```toml\n(.*?)```", GUIDE, flags=re.DOTALL)
    assert blocks
    for block in blocks:
        Telling.model_validate(tomllib.loads(block))


@pytest.mark.parametrize("model", [Telling, Mail, Webhook], ids=lambda m: m.__name__)
def test_every_key_is_explained_in_the_guide(model: type[Record]):
    assert [key for key in model.model_fields if f"`{key}`" not in GUIDE] == []
