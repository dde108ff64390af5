"""Writes feeds of ESPI XML, by other means than the product reads them."""

from __future__ import annotations

from collections.abc import Iterable

HOST = "https://portal.example/espi/1_1/resource"


def entry(
    content: str, *, own: str = "", up: str = "", related: Iterable[str] = (), title: str = ""
) -> str:
    """An Atom entry; addresses are given without their host."""
    links = [("self", own), ("up", up), *(("related", href) for href in related)]
    lines = [f'<link rel="{rel}" href="{HOST}{href}"/>' for rel, href in links if href]
    return "\n".join(
        [
            "<entry>",
            *lines,
            f"<title>{title}</title>",
            "<content>",
            content,
            "</content>",
            "</entry>",
        ]
    )


def kind(**codes: object) -> str:
    """A ReadingType: energy forward in Wh in intervals, or as `codes` say."""
    stated = {
        "accumulationBehaviour": 4,
        "commodity": 1,
        "flowDirection": 1,
        "kind": 12,
        "powerOfTenMultiplier": 0,
        "uom": 72,
    } | codes
    lines = [f"<{name}>{value}</{name}>" for name, value in stated.items() if value is not None]
    return f'<ReadingType xmlns="http://naesb.org/espi">{"".join(lines)}</ReadingType>'


def reading(
    start: object, value: object, duration: object = 3600, *quality: object, extra: str = ""
) -> str:
    """An IntervalReading; None leaves a part out."""
    period = "".join(
        f"<{name}>{part}</{name}>"
        for name, part in (("duration", duration), ("start", start))
        if part is not None
    )
    marks = "".join(f"<ReadingQuality><quality>{one}</quality></ReadingQuality>" for one in quality)
    shown = f"<value>{value}</value>" if value is not None else ""
    return (
        f"<IntervalReading>{extra}{marks}<timePeriod>{period}</timePeriod>{shown}</IntervalReading>"
    )


def block(*readings: str) -> str:
    """An IntervalBlock whose own interval says nothing of its readings."""
    inside = "\n".join(readings)
    return (
        '<IntervalBlock xmlns="http://naesb.org/espi"><interval><duration>1</duration>'
        f"<start>10</start></interval>\n{inside}\n</IntervalBlock>"
    )


def meter(
    number: int,
    *blocks: str,
    title: str = "",
    codes: str | None = None,
    point: int = 1,
) -> list[str]:
    """The entries of one MeterReading with a ReadingType of its own."""
    own = f"/UsagePoint/{point}/MeterReading/{number}"
    types = f"/ReadingType/{point}{number}"
    entries = [
        entry(
            '<MeterReading xmlns="http://naesb.org/espi"/>',
            own=own,
            up=f"/UsagePoint/{point}/MeterReading",
            related=[f"{own}/IntervalBlock", types],
            title=title,
        ),
        entry(codes if codes is not None else kind(), own=types, up="/ReadingType"),
    ]
    return entries + [
        entry(one, own=f"{own}/IntervalBlock/{index}", up=f"{own}/IntervalBlock")
        for index, one in enumerate(blocks)
    ]


def usage_point(number: int = 1) -> str:
    """The entry of a UsagePoint."""
    own = f"/UsagePoint/{number}"
    return entry(
        '<UsagePoint xmlns="http://naesb.org/espi"><ServiceCategory><kind>0</kind>'
        "</ServiceCategory></UsagePoint>",
        own=own,
        up="/UsagePoint",
        related=[f"{own}/MeterReading"],
        title="Plant room",
    )


def summary() -> str:
    """A summary, whose dates and sums are those of nothing."""
    return entry(
        '<UsageSummary xmlns="http://naesb.org/espi"><billingPeriod><duration>1</duration>'
        "<start>2303413200</start></billingPeriod><overallConsumptionLastPeriod>"
        "<powerOfTenMultiplier>0</powerOfTenMultiplier><timeStamp>2303413200</timeStamp>"
        "<uom>72</uom><value>999</value></overallConsumptionLastPeriod></UsageSummary>",
        own="/UsagePoint/1/UsageSummary/1",
    )


def feed(*entries: str, head: str = '<?xml version="1.0" encoding="UTF-8"?>') -> str:
    """A whole feed."""
    return "\n".join([head, '<feed xmlns="http://www.w3.org/2005/Atom">', *entries, "</feed>", ""])
