"""Sound exports of every format, which the fuzz then spoils, each with its profile.

What comes from elsewhere stands in tests/data with its source; the rest follows the
standards that docs/profile-file.md names, with invented figures.
"""

from __future__ import annotations

import gzip
import json
import tomllib
import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cache
from io import BytesIO
from pathlib import Path
from zoneinfo import ZoneInfo

import polars as pl

from ingest.profile import Profile
from tests.ingest.workbooks import workbook
from tests.ingest.writers_espi import block, feed, meter, reading, summary, usage_point
from tests.ingest.writers_obis import p1

DATA = Path(__file__).parents[1] / "data"
BEGIN = datetime(2024, 10, 26, 12, tzinfo=UTC)
FORMATS = (
    "delimited",
    "espi",
    "excel",
    "jsonl",
    "line_protocol",
    "mbus",
    "mbus_xml",
    "obis",
    "parquet",
    "senml",
)

Pack = Callable[[bytes], bytes]


@dataclass(frozen=True)
class Sample:
    """A sound file as the bytes that are spoilt, and how they become a file.

    Attributes
    ----------
    pack
        Turns the spoilt bytes into the file: compresses them, or puts them back into the
        workbook that they are a part of.
    by_line
        True where each line stands alone, so that rubbish between two of them may cost none.
    """

    name: str
    format: str
    content: bytes
    profile: Profile
    file: str
    pack: Pack = bytes
    by_line: bool = False


def _profile(text: str) -> Profile:
    return Profile.model_validate(tomllib.loads(text))


def _moments(count: int, minutes: int) -> list[datetime]:
    return [BEGIN + k * timedelta(minutes=minutes) for k in range(count)]


COLUMNS = """
[[column]]
column = "heat"
role = "heat_total"
kind = "register"
unit = "kWh"

[[column]]
column = "elec"
role = "elec_total"
kind = "register"
unit = "kWh"
sentinels = [-999]

[[column]]
column = "flow"
role = "flow_temp"
kind = "state"
unit = "degC"
"""
INTERVALS = """
[[column]]
column = "elec"
role = "elec_total"
kind = "interval"
unit = "Wh"
stamp = "end"
"""


def _delimited() -> list[Sample]:
    wide = ["time;note;heat;elec;flow"]
    for k, moment in enumerate(_moments(60, 15)):
        local = moment.astimezone(ZoneInfo("Europe/London"))
        note = '"a; ""b"""' if k % 9 == 0 else ""
        wide.append(f"{local:%Y-%m-%d %H:%M};{note};{1000 + k / 4};{300 + k / 16};{38 + k % 5}.5")
    comma = ["Zählerstände;Haus 3", "Datum;Uhrzeit;elec", ";;Wh"]
    for k, moment in enumerate(_moments(48, 30)):
        comma.append(f"{moment:%d.%m.%Y};{moment:%H:%M};1.2{k:02d},5")
    long = ["timestamp,device,point,value"]
    for k, moment in enumerate(_moments(40, 15)):
        long.append(f"{moment:%Y-%m-%dT%H:%M:%SZ},HM-1,heat,{100 + k}")
        long.append(f"{moment:%Y-%m-%dT%H:%M:%SZ},EM-2,elec,{30 + k / 4}")
        long.append(f"{moment:%Y-%m-%dT%H:%M:%SZ},EM-2,flow,{30 + k % 7}")
    real = gzip.decompress((DATA / "british_series" / "electricity.csv.gz").read_bytes())
    head = '[delimited]\ntime = "time"\n'
    return [
        Sample(
            "wide, local time",
            "delimited",
            "\n".join([*wide, ""]).encode(),
            _profile(f'name = "w"\nformat = "delimited"\nzone = "Europe/London"\n{head}{COLUMNS}'),
            "export.csv",
        ),
        Sample(
            "decimal comma, end of the half hour",
            "delimited",
            "\r\n".join([*comma, ""]).encode("cp1252"),
            _profile(
                'name = "c"\nformat = "delimited"\nzone = "+01:00"\n[delimited]\n'
                'time = ["Datum", "Uhrzeit"]\ntime_format = "%d.%m.%Y %H:%M"\ndecimal = ","\n'
                f'thousands = "."\nencoding = "cp1252"\n{INTERVALS}'
            ),
            "export.txt",
        ),
        Sample(
            "one row a value",
            "delimited",
            "\n".join([*long, ""]).encode(),
            _profile(
                'name = "l"\nformat = "delimited"\n[delimited]\nlayout = "long"\n'
                'time = "timestamp"\npoint = "point"\nvalue = "value"\nserial = "device"\n'
                + COLUMNS
            ),
            "export.csv",
            by_line=True,
        ),
        Sample(
            "a real series, gzipped",
            "delimited",
            b"".join(real.splitlines(keepends=True)[:300]),
            _profile(
                'name = "r"\nformat = "delimited"\n[delimited]\ntime = "start"\n[[column]]\n'
                'column = "value"\nrole = "elec_total"\nkind = "interval"\nunit = "kWh"\n'
                'interval = "PT1H"\n'
            ),
            "series.csv.gz",
            pack=gzip.compress,
            by_line=True,
        ),
    ]


def _part_of(book: bytes, part: str) -> tuple[bytes, Pack]:
    """Give a part of a workbook, and what puts a spoilt one back into it."""
    with zipfile.ZipFile(BytesIO(book)) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}

    def pack(spoilt: bytes) -> bytes:
        stream = BytesIO()
        with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
            for name, content in parts.items():
                archive.writestr(name, spoilt if name == part else content)
        return stream.getvalue()

    return parts[part], pack


def _excel() -> list[Sample]:
    rows: list[list[object]] = [["Site", "Fern Cottage"], ["time", "heat", "elec", "flow"]]
    rows += [
        [moment.replace(tzinfo=None), 1000 + k / 4, 300 + k / 16, "38.5" if k % 4 else None]
        for k, moment in enumerate(_moments(40, 15))
    ]
    book = workbook(("Log", rows), ("Other", [["x", 1]]))
    used = _profile(
        f'name = "x"\nformat = "excel"\nzone = "Europe/London"\n[excel]\ntime = "time"\n{COLUMNS}'
    )
    samples = [Sample("workbook", "excel", book, used, "export.xlsx")]
    for part in (
        "xl/worksheets/sheet1.xml",
        "xl/sharedStrings.xml",
        "xl/styles.xml",
        "xl/workbook.xml",
        "xl/_rels/workbook.xml.rels",
    ):
        content, pack = _part_of(book, part)
        samples.append(Sample(part, "excel", content, used, "export.xlsx", pack=pack))
    return samples


def _parquet() -> list[Sample]:
    moments = _moments(60, 15)
    frame = pl.DataFrame(
        {
            "time": pl.Series(moments).cast(pl.Datetime("us", "UTC")),
            "heat": [1000 + k / 4 for k in range(60)],
            "elec": [str(300 + k) for k in range(60)],
            "flow": [None if k % 7 == 0 else float(k) for k in range(60)],
        }
    )
    used = _profile(f'name = "q"\nformat = "parquet"\n[parquet]\ntime = "time"\n{COLUMNS}')
    samples = []
    for compression in ("uncompressed", "zstd", "snappy"):
        stream = BytesIO()
        frame.write_parquet(stream, compression=compression)
        samples.append(Sample(compression, "parquet", stream.getvalue(), used, "export.parquet"))
    return samples


def _jsonl() -> list[Sample]:
    wide, long = [], []
    for k, moment in enumerate(_moments(50, 15)):
        wide.append(
            json.dumps(
                {
                    "received": f"{moment:%Y-%m-%dT%H:%M:%SZ}",
                    "meter": {"id": "HM-7", "heat": {"energy": 36.8 + k / 1000}},
                    "flow": None if k % 5 == 0 else 38.5,
                }
            )
        )
        long.append(
            json.dumps({"t": int(moment.timestamp()), "p": "heat", "v": f"{100 + k}", "u": "kWh"})
        )
    return [
        Sample(
            "messages",
            "jsonl",
            "\n".join([*wide, ""]).encode(),
            _profile(
                'name = "j"\nformat = "jsonl"\n[jsonl]\ntime = "received"\nserial = "meter.id"\n'
                '[[column]]\ncolumn = "meter.heat.energy"\nrole = "heat_total"\n'
                'kind = "register"\nunit = "MWh"\n[[column]]\ncolumn = "flow"\n'
                'role = "flow_temp"\nkind = "state"\nunit = "degC"\n'
            ),
            "messages.jsonl",
            by_line=True,
        ),
        Sample(
            "one object a value",
            "jsonl",
            "\n".join([*long, ""]).encode(),
            _profile(
                'name = "k"\nformat = "jsonl"\n[jsonl]\nlayout = "long"\ntime = "t"\n'
                'time_format = "epoch_s"\npoint = "p"\nvalue = "v"\nunit = "u"\n'
                '[[column]]\ncolumn = "heat"\nrole = "heat_total"\nkind = "register"\n'
            ),
            "values.jsonl",
            by_line=True,
        ),
    ]


def _line_protocol() -> list[Sample]:
    lines = []
    for k, moment in enumerate(_moments(50, 15)):
        second = int(moment.timestamp())
        lines.append(
            f"meter,id=HM-7,place=plant\\ room energy={100 + k / 4},flow_temp=38.5,"
            f'state="on \\"1\\"",n={k}i {second}'
        )
    return [
        Sample(
            "dump",
            "line_protocol",
            "\n".join(["# dump", *lines, ""]).encode(),
            _profile(
                'name = "i"\nformat = "line_protocol"\n[line_protocol]\nprecision = "s"\n'
                'serial = "id"\n[[column]]\ncolumn = "meter,place=plant room energy"\n'
                'role = "heat_total"\nkind = "register"\nunit = "kWh"\n[[column]]\n'
                'column = "meter,place=plant room flow_temp"\nrole = "flow_temp"\n'
                'kind = "state"\nunit = "degC"\n'
            ),
            "dump.lp",
            by_line=True,
        )
    ]


def _senml() -> list[Sample]:
    packs = []
    for k in range(0, 40, 2):
        packs.append(
            json.dumps(
                [
                    {
                        "bn": "urn:dev:mac:0024befffe804ff1:",
                        "bt": 1_729_944_000 + 900 * k,
                        "bu": "kWh",
                        "n": "heat",
                        "v": 100 + k,
                    },
                    {"n": "flow", "u": "Cel", "v": 38.5},
                    {"n": "heat", "t": 900, "v": 101 + k},
                    {"n": "unit", "u": "W", "v": 1200, "s": 3.6e9 + k},
                ]
            )
        )
    name = "urn:dev:mac:0024befffe804ff1:"
    used = _profile(
        f'name = "s"\nformat = "senml"\n[[column]]\ncolumn = "{name}heat"\n'
        f'role = "heat_total"\nkind = "register"\n[[column]]\ncolumn = "{name}flow"\n'
        f'role = "flow_temp"\nkind = "state"\n[[column]]\ncolumn = "{name}unit sum"\n'
        'role = "elec_unit"\nkind = "register"\n'
    )
    whole = json.dumps([one for pack in packs for one in json.loads(pack)], indent=1)
    return [
        Sample(
            "a pack a line",
            "senml",
            "\n".join([*packs, ""]).encode(),
            used,
            "packs.senml",
            by_line=True,
        ),
        Sample("one pack", "senml", whole.encode(), used, "pack.json"),
    ]


def _records(*quantities: str) -> str:
    roles = {
        "energy": ("heat_total", "register"),
        "power": ("heat_space", "power"),
        "flow_rate": ("flow_rate", "state"),
        "flow_temp": ("flow_temp", "state"),
        "return_temp": ("return_temp", "state"),
    }
    return "".join(
        f'[[column]]\nrole = "{roles[one][0]}"\nkind = "{roles[one][1]}"\n'
        f'record = {{ quantity = "{one}" }}\n'
        for one in quantities
    )


def _mbus() -> list[Sample]:
    frames = [path.read_text().split() for path in sorted((DATA / "mbus").glob("*.hex"))]
    lines = [
        f"{moment:%Y-%m-%dT%H:%M:%SZ};{' '.join(frame)}"
        for moment, frame in zip(_moments(2 * len(frames), 15), [*frames, *frames], strict=True)
    ]
    used = _profile(
        'name = "m"\nformat = "mbus"\n'
        + _records("energy", "flow_rate", "flow_temp", "return_temp")
    )
    return [
        Sample("real telegrams", "mbus", "\n".join([*lines, ""]).encode(), used, "capture.txt"),
        Sample("one telegram", "mbus", (lines[0] + "\n").encode(), used, "capture.txt"),
    ]


def _mbus_xml() -> list[Sample]:
    samples = []
    used = _profile(
        'name = "d"\nformat = "mbus_xml"\n' + _records("energy", "flow_temp", "flow_rate")
    )
    raw = sorted((DATA / "mbus_xml").glob("*.xml"))
    normalised = sorted((DATA / "mbus").glob("*.norm.xml"))[:6]
    for name, paths in (("raw dialect", raw), ("normalised dialect", normalised)):
        documents = [
            f"<!-- {moment:%Y-%m-%dT%H:%M:%SZ} -->\n".encode() + path.read_bytes()
            for moment, path in zip(_moments(len(paths), 15), paths, strict=True)
        ]
        samples.append(Sample(name, "mbus_xml", b"\n".join(documents), used, "dump.xml"))
    return samples


def _obis() -> list[Sample]:
    telegrams = "".join(
        p1(moment, low=1 + k / 8, normal=2 + k / 4, heat=(moment, 240 + k / 10))
        for k, moment in enumerate(_moments(24, 60))
    )
    readout = "".join(
        f"{moment:%d.%m.%Y %H:%M:%S}\n/LUG4\n6.8({203 + k / 100:08.3f}*GJ)6.26(02062.98*m3)"
        f"9.20(66153690)\n6.33(000.528*m3ph)9.36({moment:%Y-%m-%d&%H:%M:%S})\n!\n"
        for k, moment in enumerate(_moments(24, 60))
    )
    return [
        Sample(
            "P1",
            "obis",
            telegrams.encode(),
            _profile(
                'name = "p"\nformat = "obis"\nzone = "Europe/Amsterdam"\n[[column]]\n'
                'column = "0-1:24.2.1"\nrole = "heat_total"\nkind = "register"\n[[column]]\n'
                'column = "1-0:1.8.1 + 1-0:1.8.2"\nrole = "elec_total"\nkind = "register"\n'
                '[[column]]\ncolumn = "1-0:1.7.0"\nrole = "elec_unit"\nkind = "power"\n'
            ),
            "p1.log",
        ),
        Sample(
            "optical head",
            "obis",
            readout.encode(),
            _profile(
                'name = "o"\nformat = "obis"\nzone = "Europe/Berlin"\n[obis]\n'
                'received = "line"\ntime_format = "%d.%m.%Y %H:%M:%S"\n[[column]]\n'
                'column = "6.8"\nrole = "heat_total"\nkind = "register"\n[[column]]\n'
                'column = "6.33"\nrole = "flow_rate"\nkind = "state"\n'
            ),
            "head.log",
        ),
    ]


def _espi() -> list[Sample]:
    column = '[[column]]\ncolumn = "{}"\nrole = "elec_total"\nkind = "interval"\n'
    start = int(BEGIN.timestamp())
    own = feed(
        usage_point(),
        *meter(1, block(*(reading(start + 900 * k, 282 + k, 900) for k in range(48)))),
        *meter(2, block(*(reading(start + 900 * k, k, 900, 0) for k in range(20)))),
        summary(),
    )
    paths = {
        "TestGBDataHourlyNineDaysBinnedDaily.xml": "UsagePoint/2/MeterReading/01",
        "openespi_test_usage_data_1.xml": "UsagePoint/5446AF3F/MeterReading/01",
    }
    real = [
        Sample(
            path,
            "espi",
            (DATA / "espi" / path).read_bytes(),
            _profile('name = "e"\nformat = "espi"\n' + column.format(point)),
            "feed.xml",
        )
        for path, point in paths.items()
    ]
    used = _profile('name = "e"\nformat = "espi"\n' + column.format("UsagePoint/1/MeterReading/1"))
    return [
        Sample("a feed with two readings", "espi", own.encode(), used, "feed.xml"),
        Sample("the same, gzipped", "espi", own.encode(), used, "feed.xml.gz", pack=gzip.compress),
        *real,
    ]


@cache
def samples(name: str) -> tuple[Sample, ...]:
    """Give the sound files of a format."""
    makers = {
        "delimited": _delimited,
        "espi": _espi,
        "excel": _excel,
        "jsonl": _jsonl,
        "line_protocol": _line_protocol,
        "mbus": _mbus,
        "mbus_xml": _mbus_xml,
        "obis": _obis,
        "parquet": _parquet,
        "senml": _senml,
    }
    return tuple(makers[name]())
