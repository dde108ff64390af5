"""Words by which the trade names its columns, in eight languages.

English, German, French, Dutch, Danish (with Norwegian and Swedish forms where they are
the same word), Spanish, Italian. The lists are common practice, no source.
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from typing import Final

from monitor.models import Role

#: The dimensions that a role can have.
ENERGY, TEMPERATURE, FLOW = "energy", "temperature", "flow"

_FOLDS: Final = str.maketrans(
    {"ä": "a", "ö": "o", "ü": "u", "ß": "ss", "æ": "ae", "ø": "o", "å": "a"}
)
_CAMEL: Final = re.compile(r"(?<=[a-z])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])")
_SIGNS: Final = re.compile(r"[^a-z0-9]+")

#: So much of a name is looked at.
_LONGEST: Final = 200

#: A heat pump is no heat: the phrase is taken out before heat is looked for.
_HEAT_PUMP: Final = re.compile(
    r"heat ?pumps?|w(?:a|ae)rmepumpen?|\bwp\b|pompe a chaleur|\bpac\b|warmtepomp|varmepumpe?"
    r"|bomba de calor|pompa di calore|\bhp\b"
)

_HEAT: Final = (
    r"heat(?!er)|thermal|warme|waerme|\bwmz\b|chaleur|thermique|warmte|varme|calor|termic"
)
_WATER: Final = (
    r"hot ?water|\bdhw\b|warmwasser|brauchwasser|trinkwasser|\bww\b|\becs\b|eau chaude|tapwater"
    r"|warm ?water|brugsvand|varmt ?vand|\bacs\b|agua caliente|acqua calda|cylinder|zylinder"
    r"|\btank\b|speicher|ballon|\bboiler\b|beholder"
)
_ELECTRICITY: Final = (
    r"\belec|strom|electri|elektr|elettric|\bel\b|elforbrug|\bmains\b|\bgrid\b|netzbezug"
)

#: Words in the order in which they are looked for: the more particular come first. A role
#: of water or heater is named before the general words for heat and electricity.
_ENERGY_WORDS: Final[tuple[tuple[Role, str, float], ...]] = (
    (
        Role.ELEC_IMMERSION,
        r"immersion|einschraubheiz|thermoplongeur|dompelaar|dyppe|inmersion"
        r"|(?:cylinder|speicher|tank) ?(?:heater|heizstab)",
        0.92,
    ),
    (
        Role.ELEC_BACKUP,
        r"back ?up|inline ?heater|auxiliary|\baux\b|heizstab|heizpatrone|zusatzheiz|elektroheiz"
        r"|appoint|bijverwarming|bijstook|e ?heater|booster|elpatron|resistencia|resistenza"
        r"|tilskud",
        0.92,
    ),
    (
        Role.ELEC_SOURCE,
        r"(?:brine|source|ground ?loop|sole|quellen?|bron|jord) ?(?:pump|pomp)|pompe.{0,12}captage"
        r"|\bfan\b|\bventilat|\bventilador|lufter|ventilateur|blaser",
        0.92,
    ),
    (
        Role.ELEC_PUMPS,
        r"(?:circulation|umwalz|heizkreis|heizungs|distribution|cirkulations|circulatie) ?"
        r"(?:pump|pomp)|circulateur|circolator|circulador|bomba de circ|pompe de circ"
        r"|(?<!heat )\bpumps?\b|\bpumpen?\b|\bpompe?n?\b|\bbombas?\b",
        0.88,
    ),
    (
        Role.HEAT_SPACE,
        r"space ?heat|raumheiz|raumwarme|heizwarme|heizkreis|\bheizung\b|chauffage"
        r"|ruimteverwarming|\bcv\b|rumvarme|calefaccion|riscaldamento|central ?heating",
        0.9,
    ),
    (Role.HEAT_DHW, _WATER, 0.9),
)
_TOTAL: Final = r"\bwhole|\btotal|\bsystem|gesamt|summe|totaal|\bi ?alt\b|totale|\bsum\b|haupt"
_UNIT: Final = r"compress|verdichter|\bunit\b|kompressor|aussengerat|outdoor unit"

_TEMPERATURE_WORDS: Final[tuple[tuple[Role, str, float], ...]] = (
    (
        Role.RETURN_TEMP,
        r"return|rucklauf|ruecklauf|\brl\b|retour|\bretur\b|retorno|ritorno|returlob|\btr\b",
        0.92,
    ),
    (
        Role.DHW_TEMP,
        _WATER,
        0.9,
    ),
    (
        Role.SOURCE_TEMP,
        r"brine|\bsource\b|\bsole|quelle|\bbron|ground|glycol|captage|sorgente|jordslange"
        r"|fuente|salmuera",
        0.9,
    ),
    (
        Role.OUTDOOR_TEMP,
        r"outdoor|outside|ambient\b|external|exterior|aussen|exterieur|buiten|\bude|esterna"
        r"|\boat\b|\bouter\b|weather",
        0.92,
    ),
    (
        Role.FLOW_TEMP,
        r"\bflow|supply|vorlauf|\bvl\b|\bdepart\b|aanvoer|fremlob|\bfrem\b|impulsion|\bida\b"
        r"|mandata|\btf\b|leaving",
        0.9,
    ),
    (
        Role.ROOM_TEMP,
        r"\broom|indoor|inside|living|\braum|innen|piece|interieur|ambiance|kamer|binnen|\brum\b"
        r"|\binde|\bstue|interior|habitacion|salon|interna|ambiente|lounge|hall",
        0.9,
    ),
)
_FLOW_WORDS: Final = (
    r"flow ?rate|volume ?flow|circulation|durchfluss|volumenstrom|debit|doorstroming|debiet"
    r"|gennemstrom|flow ?ml?|caudal|portata|\bflow\b|litre|umlauf"
)
#: Words of quantities that no role stands for, so that they are not taken for one.
_OTHER: Final = (
    r"\bvolume\b|\bcount|\bstatus|\berror|fehler|volt|spannung|ampere|\bcurrent\b|frequen"
    r"|\bcos ?phi|humid|feuchte|press|druck|setpoint|target|sollwert|\bsoll\b|consigne|\brssi\b"
    r"|batter|\bcop\b|\bspf\b|\bjaz\b|starts|cooling|kuhlung|kaelte|koeling|export|einspeis"
    r"|rendement|price|tarif|delta|\bhours\b|uptime|\bsolar|\bpv\b"
)


@dataclass(frozen=True)
class Named:
    """A role that a name speaks for, how strongly, and by which word."""

    role: Role
    confidence: float
    word: str


def plain_words(name: str) -> str:
    """Give a name in small letters without accents, its words parted by blanks."""
    parted = _CAMEL.sub(" ", name[:_LONGEST]).casefold().translate(_FOLDS)
    bare = unicodedata.normalize("NFKD", parted).encode("ascii", "ignore").decode()
    return _SIGNS.sub(" ", bare).strip()


def named_roles(name: str, dimension: str | None) -> list[Named]:
    """List the roles that a name may speak for, the likeliest first.

    Parameters
    ----------
    name
        Header or point as the file writes it.
    dimension
        `energy`, `temperature`, `flow`, or None where it is not known.
    """
    words = plain_words(name)
    other = re.search(_OTHER, words)
    if other is not None:
        return []
    found: list[Named] = []
    if dimension in (ENERGY, None):
        found += _energy(words)
    if dimension in (TEMPERATURE, None):
        found += _of(words, _TEMPERATURE_WORDS)
    if dimension in (FLOW, None):
        hit = re.search(_FLOW_WORDS, words)
        if hit is not None:
            found.append(Named(Role.FLOW_RATE, 0.92 if dimension == FLOW else 0.5, hit[0]))
    if dimension is None and re.search(r"\btemp|temperatur|°c|\bt\b", words):
        found = [one for one in found if one.role.value.endswith("_temp")] or found
    return sorted(found, key=lambda one: -one.confidence)


def is_of_no_role(name: str) -> str | None:
    """Give the word by which a name speaks of something that no role stands for, or None."""
    hit = re.search(_OTHER, plain_words(name))
    return hit[0] if hit is not None else None


def _of(words: str, table: tuple[tuple[Role, str, float], ...]) -> list[Named]:
    found: list[Named] = []
    for role, pattern, confidence in table:
        hit = re.search(pattern, words)
        if hit is not None:
            # What is found first is the more particular; what else is found is second best.
            found.append(Named(role, confidence if not found else confidence * 0.6, hit[0]))
    return found


def _energy(words: str) -> list[Named]:
    pump = _HEAT_PUMP.search(words)
    rest = _HEAT_PUMP.sub(" ", words)
    electric = re.search(_ELECTRICITY, rest)
    found = _of(rest, _ENERGY_WORDS)
    heat = re.search(_HEAT, rest)
    if found and found[0].role in (Role.HEAT_SPACE, Role.HEAT_DHW) and electric and not heat:
        # Electricity for hot water or heating is no heat, and whose it is stays open.
        hit = found[0].word
        immersion = found[0].role is Role.HEAT_DHW
        return [
            Named(Role.ELEC_IMMERSION if immersion else Role.ELEC_UNIT, 0.5, hit),
            Named(Role.ELEC_TOTAL, 0.4, electric[0]),
        ]
    if heat is not None and electric is None:
        found.append(Named(Role.HEAT_TOTAL, 0.9 if not found else 0.5, heat[0]))
    total, unit = re.search(_TOTAL, rest), re.search(_UNIT, rest)
    if heat is None and unit is not None:
        found.append(Named(Role.ELEC_UNIT, 0.9, unit[0]))
    if heat is None and pump is not None and not found:
        found.append(Named(Role.ELEC_UNIT, 0.88, pump[0]))
    if heat is None and total is not None and not found:
        found.append(Named(Role.ELEC_TOTAL, 0.9 if electric else 0.8, total[0]))
    if electric is not None and not any(one.role.is_electricity for one in found):
        found.append(Named(Role.ELEC_TOTAL, 0.75, electric[0]))
    if electric is not None and not found:
        found.append(Named(Role.ELEC_TOTAL, 0.7, electric[0]))
    if electric is not None:
        found.append(Named(Role.ELEC_UNIT, 0.6, electric[0]))
    if not found and re.search(r"consum|verbrauch|verbruik|consommation|consumo|forbrug", rest):
        found.append(Named(Role.ELEC_TOTAL, 0.55, "consumption"))
    return found
