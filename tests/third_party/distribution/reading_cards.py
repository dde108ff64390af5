"""An adapter from outside: the cards that a caretaker fills in.

    CARD HM-7 2024-01-15 12:00 = 10234.5 kWh

It takes what every adapter may take from pledgewatt: the profile, the table of points,
the clock and the two kinds of failure.
"""

from __future__ import annotations

import re
from pathlib import Path

import polars as pl

from ingest.clock import read_stamps
from ingest.errors import Terminal, Transient
from ingest.local_time import parse_zone
from ingest.normal_form import Extract
from ingest.points import POINTS, extract_points
from ingest.profile import Profile

_CARD = re.compile(r"CARD (?P<serial>\S+) (?P<time>\S+ \S+) = (?P<value>\S+) (?P<unit>\S+)")


class ReadingCards:
    """Reads cards; see `ingest.registry.Adapter`."""

    name = "reading_cards"

    def read(self, path: Path, profile: Profile) -> Extract:
        """Read a whole file."""
        try:
            lines = path.read_text(encoding="utf-8", errors="replace").splitlines()
        except OSError as error:
            message = f"{path.name} cannot be read at present: {error.strerror}."
            raise Transient(message) from error
        if not any(line.startswith("CARD ") for line in lines):
            message = f"{path.name} holds no line that begins with 'CARD'. Give another file."
            raise Terminal(message)
        cards = [_CARD.fullmatch(line) for line in lines]
        time = pl.Series([card["time"] if card else None for card in cards], dtype=pl.String)
        stamps = read_stamps(time, time_format="iso", zone=parse_zone(profile.zone))
        value = pl.Series([card["value"] if card else None for card in cards], dtype=pl.String)
        number = value.cast(pl.Float64, strict=False)
        reasons = [
            "the line is no card" if card is None else late or ("no number" if bad else None)
            for card, late, bad in zip(cards, stamps.reason, number.is_null(), strict=True)
        ]
        frame = pl.DataFrame(
            {
                "line": range(1, len(lines) + 1),
                "point": [None if card is None else "card" for card in cards],
                "serial": [None if card is None else card["serial"] for card in cards],
                "unit": [None if card is None else card["unit"] for card in cards],
                "t_utc": stamps.utc,
                "duration_s": None,
                "value": number,
                "raw": lines,
                "reason": reasons,
            },
            schema=POINTS,
        )
        return extract_points(path.name, frame, profile, lines=len(lines))


ADAPTER = ReadingCards()
