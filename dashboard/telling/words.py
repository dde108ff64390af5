"""How a digest is said: subject, text, HTML, and the document that a webhook gets."""

from __future__ import annotations

import textwrap
import unicodedata
from collections.abc import Sequence
from datetime import date, datetime
from html import escape
from typing import Any, Final

from dashboard import format as fmt
from dashboard.pages.findings_text import effect, stake
from dashboard.telling.digest import Digest, Told

#: Findings that are told in full, and by their titles; how many more there are is said.
MOST_IN_FULL: Final = 20
MOST_BY_TITLE: Final = 100
#: Findings that a webhook gets at most of each kind; how many more there are is said.
MOST_POSTED: Final = 500

_WIDTH: Final = 76
_MOST_SUBJECT: Final = 150
_MOST_SAID: Final = 2000

#: Controls, marks that change the direction of writing, and what stands for no character.
_UNSAID: Final = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})

_WHY: Final = (
    "You are sent this because you have an account with pledgewatt. Whoever runs it can change "
    "what you are sent, or end it."
)


def clean(text: str, most: int = _MOST_SAID) -> str:
    """Text on one line, of signs that can be seen, and not longer than a person would read."""
    seen = "".join(" " if unicodedata.category(c) in _UNSAID else c for c in text[: 4 * most])
    line = " ".join(word for word in seen.split(" ") if word)
    return line if len(line) <= most else f"{line[: most - 1].rstrip()}…"


def subject(digest: Digest) -> str:
    """Count and worst, on one line."""
    if digest.plain:
        new = len(digest.so)
        return (
            f"Your heat pump: {_plain(fmt.plural(new, 'new message')) if new else 'what is over'}"
        )
    if not digest.opened:
        return f"{_plain(fmt.plural(len(digest.cleared), 'finding'))} cleared"
    worst = digest.opened[0]
    count = len(digest.opened)
    said = f"{fmt.plural(count, 'new finding')}{', worst' if count > 1 else ''}: "
    return clean(_plain(said) + f"{worst.finding.title} ({digest.place(worst)})", _MOST_SUBJECT)


def text(digest: Digest) -> str:
    """The message in plain text."""
    return "\n".join(_household(digest) if digest.plain else _fleet(digest)) + "\n"


def _plain(said: str) -> str:
    return said.replace(fmt.NBSP, " ")


def _wrapped(said: str, indent: str = "", first: str | None = None) -> list[str]:
    lines = textwrap.wrap(
        clean(said),
        _WIDTH,
        initial_indent=indent if first is None else first,
        subsequent_indent=indent,
        break_long_words=False,
        break_on_hyphens=False,
    )
    return [_plain(line) for line in lines]


def _lead(digest: Digest) -> str:
    new, gone = len(digest.opened), len(digest.cleared)
    again = sum(told.again for told in digest.opened)
    parts = []
    if new:
        parts.append(f"{fmt.plural(new, 'finding')} {'is' if new == 1 else 'are'} new")
        if again:
            parts[0] += f" ({again:,} of them not for the first time)"
    if gone:
        parts.append(f"{fmt.plural(gone, 'finding')} {'is' if gone == 1 else 'are'} cleared")
    return f"{fmt.listing(parts)} since you were last told."


def title(told: Told) -> str:
    """What a finding is called, and whether it was there before."""
    said = told.finding.title
    if told.again and told.news.cleared_at is None:
        said = f"Again, for the {_ordinal(told.news.times_opened)} time: {said}"
    return clean(said)


def _ordinal(n: int) -> str:
    ending = "th" if n % 100 in {11, 12, 13} else {1: "st", 2: "nd", 3: "rd"}.get(n % 10, "th")
    return f"{n}{ending}"


def _day(told: Told, moment: datetime) -> date:
    return (moment.astimezone(told.site.tz) if told.site is not None else moment).date()


def points(told: Told) -> list[tuple[str, str]]:
    """What is said of an open finding: heading and sentence."""
    finding = told.finding
    said = [("", finding.what)]
    if finding.caution:
        said.append(("Caution", finding.caution))
    if finding.effect is not None:
        said.append(("Costs", f"{effect(finding)} (95 % interval)"))
    if finding.at_stake is not None:
        said.append(("At stake", stake(finding)))
    if finding.check:
        said.append(("Check first", finding.check[0]))
    return [(heading, clean(sentence)) for heading, sentence in said]


def gone(digest: Digest, told: Told) -> str:
    """What is said of a finding that was cleared."""
    said = f"{title(told)} ({digest.place(told)})"
    ended = told.news.cleared_at
    if ended is not None:
        said += f", since {fmt.short_day(_day(told, ended))}"
    if not told.news.thought_open:
        said += f"; it was found on {fmt.short_day(_day(told, told.news.opened_at))}"
    return clean(said)


def _more(left: int) -> str:
    return f"and {left:,} more, which the pages show."


def _fleet(digest: Digest) -> list[str]:
    lines = _wrapped(_lead(digest))
    if digest.opened:
        lines += ["", "NEW"]
    for nth, told in enumerate(digest.opened[:MOST_IN_FULL], start=1):
        finding = told.finding
        head = (
            f"{title(told)} ({digest.place(told)}; {finding.topic.value}, "
            f"{finding.confidence.value})"
        )
        lines += ["", *_wrapped(head, "   ", f"{nth}. ")]
        for heading, sentence in points(told):
            lines += _wrapped(f"{heading}: {sentence}" if heading else sentence, "   ")
        if link := digest.link(told):
            lines.append(f"   {link}")
    if short := digest.opened[MOST_IN_FULL : MOST_IN_FULL + MOST_BY_TITLE]:
        lines += ["", "LESS URGENT", ""]
        for told in short:
            lines += _wrapped(f"{title(told)} ({digest.place(told)})", "  ", "- ")
    if (left := len(digest.opened) - MOST_IN_FULL - MOST_BY_TITLE) > 0:
        lines.append(_more(left))
    if digest.cleared:
        lines += ["", "CLEARED", ""]
        for told in digest.cleared[:MOST_BY_TITLE]:
            lines += _wrapped(gone(digest, told), "  ", "- ")
        if (left := len(digest.cleared) - MOST_BY_TITLE) > 0:
            lines.append(_more(left))
    return [*lines, "", *_wrapped(_WHY)]


def _household(digest: Digest) -> list[str]:
    lines = []
    for heading, said in _plainly(digest):
        lines += [heading, ""]
        for sentence in said:
            lines += _wrapped(sentence, "  ", "- ")
        lines.append("")
    if link := _home(digest):
        lines += [f"Your page: {link}", ""]
    return [*lines, *_wrapped(_WHY)]


def _plainly(digest: Digest) -> list[tuple[str, tuple[str, ...]]]:
    parts = [("What is new in your home:", digest.so), ("What is over:", digest.over)]
    return [(heading, said) for heading, said in parts if said]


def _home(digest: Digest) -> str | None:
    return digest.link((*digest.opened, *digest.cleared)[0])


def html(digest: Digest) -> str:
    """The message as a page that loads nothing from anywhere."""
    body = _household_html(digest) if digest.plain else _fleet_html(digest)
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8"><title>'
        f"{escape(subject(digest))}</title></head>"
        '<body style="font-family:sans-serif;max-width:42em">\n'
        + "\n".join(body)
        + f"\n<p><small>{escape(_WHY)}</small></p></body></html>\n"
    )


def _fleet_html(digest: Digest) -> list[str]:
    body = [f"<p>{escape(clean(_lead(digest)))}</p>"]
    if digest.opened:
        body += ["<h2>New</h2>", "<ol>"]
        body += [_one_html(digest, told) for told in digest.opened[:MOST_IN_FULL]]
        body.append("</ol>")
    short = digest.opened[MOST_IN_FULL : MOST_IN_FULL + MOST_BY_TITLE]
    if short:
        said = [f"{title(told)} ({digest.place(told)})" for told in short]
        body += ["<h2>Less urgent</h2>", _list_html(said)]
    if (left := len(digest.opened) - MOST_IN_FULL - MOST_BY_TITLE) > 0:
        body.append(f"<p>{escape(_more(left))}</p>")
    if digest.cleared:
        said = [gone(digest, told) for told in digest.cleared[:MOST_BY_TITLE]]
        body += ["<h2>Cleared</h2>", _list_html(said)]
        if (left := len(digest.cleared) - MOST_BY_TITLE) > 0:
            body.append(f"<p>{escape(_more(left))}</p>")
    return body


def _one_html(digest: Digest, told: Told) -> str:
    finding = told.finding
    place = escape(clean(digest.place(told)))
    if link := digest.link(told):
        place = f'<a href="{escape(link)}">{place}</a>'
    said = "".join(
        f"<br>{f'<b>{escape(heading)}:</b> ' if heading else ''}{escape(sentence)}"
        for heading, sentence in points(told)
    )
    return (
        f"<li><p><b>{escape(title(told))}</b> ({place}; {finding.topic.value}, "
        f"{finding.confidence.value}){said}</p></li>"
    )


def _list_html(said: Sequence[str]) -> str:
    items = "".join(f"<li>{escape(clean(sentence))}</li>" for sentence in said)
    return f"<ul>{items}</ul>"


def _household_html(digest: Digest) -> list[str]:
    body = []
    for heading, said in _plainly(digest):
        body += [f"<h2>{escape(heading)}</h2>", _list_html(said)]
    if link := _home(digest):
        body.append(f'<p><a href="{escape(link)}">Your page</a></p>')
    return body


def document(digest: Digest) -> dict[str, Any]:
    """What a webhook gets."""
    return {
        "delivery": digest.delivery,
        "receiver": digest.user.user_id,
        "subject": subject(digest),
        "opened_count": len(digest.opened),
        "cleared_count": len(digest.cleared),
        "opened": [_posted(digest, told) for told in digest.opened[:MOST_POSTED]],
        "cleared": [_posted(digest, told) for told in digest.cleared[:MOST_POSTED]],
    }


def _posted(digest: Digest, told: Told) -> dict[str, Any]:
    finding, news = told.finding, told.news
    cost = finding.effect
    return {
        "finding": news.number,
        "site": news.site_id,
        "topic": finding.topic.value,
        "confidence": finding.confidence.value,
        "title": clean(finding.title),
        "what": clean(finding.what),
        "check": [clean(step) for step in finding.check],
        "caution": None if finding.caution is None else clean(finding.caution),
        "effect": None if cost is None else cost.model_dump(mode="json"),
        "opened_at": news.opened_at.isoformat(),
        "times_opened": news.times_opened,
        "cleared_at": None if news.cleared_at is None else news.cleared_at.isoformat(),
        "url": digest.link(told),
    }
