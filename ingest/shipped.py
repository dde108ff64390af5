"""Profiles that come with pledgewatt, for layouts that a publication or standard fixes."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from difflib import get_close_matches
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path

from ingest.numbers import shown
from ingest.profile import Profile, profile_from_toml
from monitor.errors import DescriptionError
from monitor.models import record_from_data


@dataclass(frozen=True)
class Shipped:
    """A shipped profile: its name, and in one line what it reads."""

    name: str
    line: str


def _folder() -> Traversable:
    return files("ingest") / "profiles"


def shipped() -> list[Shipped]:
    """List the shipped profiles by name."""
    found = [
        Shipped(one.name.removesuffix(".toml"), text.partition("\n")[0].lstrip("# "))
        for one in _folder().iterdir()
        if one.name.endswith(".toml") and (text := one.read_text(encoding="utf-8"))
    ]
    return sorted(found, key=lambda one: one.name)


def text_of(name: str) -> str:
    """Give a shipped profile as it is written, with its comments, to copy and change.

    Raises
    ------
    DescriptionError
        No shipped profile has that name.
    """
    names = [one.name for one in shipped()]
    if name not in names:
        message = f"{_unknown(name, names)} {_choice(names)}"
        raise DescriptionError(message)
    return (_folder() / f"{name}.toml").read_text(encoding="utf-8")


def load(name: str) -> Profile:
    """Give a shipped profile.

    Raises
    ------
    DescriptionError
        No shipped profile has that name.
    """
    data = tomllib.loads(text_of(name))
    return record_from_data(Profile, data, where=f"The shipped profile '{name}'", what="profile")


def profile_named(text: str) -> Profile:
    """Give the profile that a person names: the path of a file, or a shipped name.

    A file goes before a shipped profile of the same name.

    Raises
    ------
    DescriptionError
        There is neither; or the file is no usable profile.
    """
    names = [one.name for one in shipped()]
    path = Path(text)
    try:
        there, is_file = bool(text) and path.exists(), path.is_file()
    except OSError:  # a text that no path can be
        there = is_file = False
    if text in names and not is_file:
        return load(text)
    if not there:
        asked = shown(text)
        why = f"There is no profile file at {asked}. {_unknown(asked, names)}"
        message = f"{why} {_choice(names)}"
        raise DescriptionError(message)
    return profile_from_toml(path)


def _unknown(name: str, names: list[str]) -> str:
    close = get_close_matches(name, names, n=1, cutoff=0.5)
    nearest = f"; the nearest is '{close[0]}'" if close else ""
    return f"No profile named '{name}' comes with pledgewatt{nearest}."


def _choice(names: list[str]) -> str:
    return f"Give the path of a profile file, or one of: {', '.join(names)}."
