"""One claim: the terms, the evidence, exclusions with their effect, and two who settle."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import datetime
from typing import Any, Final

from dash import ALL, Dash, Input, Output, State, ctx, dcc, html
from dash.exceptions import PreventUpdate

from dashboard import data, desk_acts, desk_data, theme
from dashboard import format as fmt
from dashboard.access import guarded, require_user
from dashboard.components import parts
from dashboard.components.aria import aria
from dashboard.components.written import written
from dashboard.desk_acts import Effect, Outcome
from dashboard.desk_data import Item, Moment
from dashboard.desk_data import State as There
from dashboard.pages import how_cost, how_promise, how_site, site_text
from dashboard.view_models import Fact, Table, probability_text, promise_text, spf_interval
from monitor.errors import PledgewattError
from monitor.models import Site
from monitor.store import claims
from monitor.store.cases import MOST_TEXT, Claim, What
from monitor.store.connection import Store
from monitor.store.users import User

NUMBER: Final = "claim-number"
BODY: Final = "claim-body"
SAYS: Final = "claim-says"
WORDS: Final = "claim-words"
EFFECT: Final = "claim-effect"
BEGIN, END, REASON, CONDITION = ("claim-from", "claim-to", "claim-reason", "claim-condition")
ENTER: Final = "claim-enter"
ITEM: Final = "claim-item"
WITHDRAW: Final = "claim-withdraw"
DO: Final = "claim-do"

_SHAPES: Final = {There.THERE: "●", There.MISSING: "▲", There.TO_CONFIRM: "○"}

#: What a button does, by its name.
_STEPS: Final = {"note": What.NOTE, "refuse": What.REFUSED, "close": What.CLOSED}


def layout(user: User, store: Store, number: int, now: datetime) -> html.Div:
    """The whole page; callbacks replace its body after each step."""
    claim = desk_data.own_claim(user, store, number)
    record = data.record(user, store, claim.site_id, now)
    return html.Div(
        [
            html.Nav(
                dcc.Link("← Warranty desk", href="/desk"), className="crumb", **aria(label="Back")
            ),
            html.H1(f"Claim {number}: {record.site.name}", tabIndex=-1),
            dcc.Store(id=NUMBER, data=number),
            html.P(id=SAYS, role="status", className="said"),
            html.Div(body(user, store, claim, record, now), id=BODY),
        ],
        className="page",
    )


def body(user: User, store: Store, claim: Claim, record: data.Record, now: datetime) -> list[Any]:
    """Everything below the title."""
    site, standing = record.site, record.standing
    look = theme.look(standing.word if standing else None)
    figure, between = spf_interval(standing)
    received = fmt.day(claim.raised_at.astimezone(site.tz).date())
    owed = standing.money if standing else None
    items = desk_data.evidence(store, site, standing, claim)
    counted = standing.account if standing else None
    facts = [
        Fact("Received", received, fmt.age(claim.raised_at, now)),
        Fact("Promise", promise_text(standing), how=how_promise.promise(site)),
        Fact(
            "SPF so far",
            figure,
            f"95 % interval {between}" if between else "",
            how_site.spf(record, counted, how_site.guarantee(record)),
        ),
        Fact(
            "Probability that it is kept",
            probability_text(standing),
            "so far",
            how_promise.probability(standing) if standing else None,
        ),
        Fact(
            "Coverage",
            fmt.share(counted.coverage if counted else None),
            "of the period's hours so far",
            how_site.coverage(record, counted),
        ),
        Fact(
            "Left",
            fmt.days_left(standing.days_left if standing else None),
            "of the period",
            how_site.left(standing) if standing else None,
        ),
        Fact(
            "Remedy so far",
            fmt.remedy(owed) if owed is not None and owed.remedy_owed is not None else fmt.NOTHING,
            "as the terms give it",
            how_cost.remedy(site, standing) if standing else None,
        ),
    ]
    return [
        html.P(
            [
                parts.badge(look),
                " ",
                standing.why if standing else "Nothing is computed yet.",
                " ",
                dcc.Link("Open the site", href=f"/site/{site.id}"),
            ],
            className="judgement",
        ),
        parts.facts(facts, big=True),
        html.Section(
            [html.H2("Evidence"), evidence_table(items, confirm=claim.is_open)],
            className="card",
        ),
        html.Section(
            [html.H2("Hours that do not count"), *_exclusions(store, record, claim)],
            className="card",
        ),
        html.Section(
            [html.H2("Decision"), *_decision(user, claim)],
            className="card",
        ),
        terms_card(site),
        html.Section(
            [
                html.H2("What happened"),
                _timeline(desk_data.timeline(store, record, claim), site),
            ],
            className="card",
        ),
    ]


def terms_card(site: Site) -> html.Section:
    """The terms of the promise, as signed."""
    return html.Section(
        [
            html.H2("Terms as signed"),
            parts.facts(site_text.terms_facts(site.current_terms))
            if site.current_terms
            else html.P("Nothing was promised."),
        ],
        className="card",
    )


def evidence_table(items: tuple[Item, ...], *, confirm: bool) -> html.Div:
    """Each piece of evidence and whether it is there; with buttons to confirm those by hand."""
    rows = tuple(("", f"{_SHAPES[item.state]} {item.state.value}", item.why) for item in items)
    names: list[Any] = []
    for item in items:
        button: list[Any] = []
        if item.state is There.TO_CONFIRM and confirm:
            button = [
                " ",
                html.Button(
                    ["Confirm", html.Span(f": {item.name}", className="unseen")],
                    id={"type": ITEM, "key": item.key},
                    type="button",
                    className="plain",
                    n_clicks=0,
                ),
            ]
        names.append([item.name, *button])
    there = sum(item.state is There.THERE for item in items)
    return parts.table(
        Table(("Evidence", "State", "What there is"), rows, frozenset()),
        f"{there} of {len(items)} are there",
        first=names,
    )


def _exclusions(store: Store, record: data.Record, claim: Claim) -> list[Any]:
    site = record.site
    shown: list[Any] = [html.P("None so far: every hour of the period counts.")]
    if record.exclusions:
        numbers = list(claims.exclusions(store, site.id))
        rows = tuple(
            (
                "",
                fmt.moment(e.exclusion.end_utc.astimezone(site.tz)),
                fmt.plural(e.hours, "hour"),
                e.exclusion.reason,
                e.exclusion.condition or "cites no condition",
                e.exclusion.by,
                fmt.spf(e.spf_with_it_counted),
            )
            for e in record.exclusions
        )
        first = [
            [
                fmt.moment(e.exclusion.start_utc.astimezone(site.tz)),
                *(
                    [
                        " ",
                        html.Button(
                            "Withdraw",
                            id={"type": WITHDRAW, "number": number},
                            type="button",
                            className="plain",
                            n_clicks=0,
                        ),
                    ]
                    if claim.is_open
                    else []
                ),
            ]
            for number, e in zip(numbers, record.exclusions, strict=True)
        ]
        standing = record.standing
        spf = standing.account.spf if standing and standing.account else None
        hows = tuple(how_cost.exclusion(e, spf, site) for e in record.exclusions)
        head = ("From", "To", "Counted hours", "Why", "Condition of the terms", "By",
                "SPF if it counted")  # fmt: skip
        shown = [
            parts.table(
                Table(head, rows, frozenset({2, 6}), hows), "In force, by local time", first=first
            )
        ]
    if not claim.is_open:
        return shown
    agreed = site.current_terms.conditions if site.current_terms else ()
    return [
        *shown,
        html.H3("Leave out more hours"),
        html.Div(
            [
                _field("From (local, on the hour)", BEGIN, "2026-01-05 08:00"),
                _field("To", END, "2026-01-07 17:00"),
                _field("Why", REASON, ""),
                html.Fieldset(
                    [
                        html.Legend("Condition of the terms that was not met"),
                        dcc.RadioItems(
                            id=CONDITION,
                            options=[
                                *({"label": c, "value": n} for n, c in enumerate(agreed)),
                                {"label": "none: another event", "value": -1},
                            ],
                            value=-1,
                        ),
                    ]
                ),
            ],
            className="import-fields",
        ),
        html.Div(id=EFFECT, **aria(live="polite")),
        html.Button("Leave these hours out", id=ENTER, type="button", n_clicks=0),
    ]


def _field(label: str, name: str, example: str) -> html.Div:
    return html.Div(
        [
            html.Label(label, htmlFor=name),
            dcc.Input(id=name, type="text", placeholder=example, debounce=True, value=""),
        ]
    )


def _decision(user: User, claim: Claim) -> list[Any]:
    if not claim.is_open:
        return [html.P(f"The claim is closed: {claim.steps[-1].said}")]
    proposal = claim.proposal
    said: list[Any] = [
        html.P(
            "One person proposes the settlement, and a second one confirms it. Until then nothing "
            "is settled."
        )
    ]
    buttons = [_button("note", "Keep as a note"), _button("close", "Close without a settlement")]
    if proposal is None:
        buttons.insert(0, _button("propose", "Propose the settlement"))
    else:
        what = json.loads(proposal.document or "{}")
        spf = what.get("spf")
        said = [
            html.P(
                [
                    html.Strong(f"Proposed: {what.get('decision', '')}. "),
                    f"{what.get('why', '')} SPF {fmt.spf(spf)}.",
                ]
            ),
            parts.how(how_promise.proposed(what)),
            html.P(f"Words of who proposed it: {proposal.said}") if proposal.said else None,
            html.P(
                f"Hash of everything that it rests on: {what.get('input_hash', '')}",
                className="note hash",
            ),
        ]
        if proposal.user_id == user.user_id:
            said.append(html.P("A second person has to confirm it; you proposed it."))
            buttons.insert(0, _button("refuse", "Take it back"))
        else:
            buttons.insert(0, _button("confirm", "Confirm and settle"))
            buttons.insert(1, _button("refuse", "Send it back"))
    return [
        *said,
        html.Label("Your words", htmlFor=WORDS),
        dcc.Textarea(id=WORDS, rows=3, maxLength=MOST_TEXT, className="note-box", value=""),
        html.Div(buttons, className="buttons"),
    ]


def _button(name: str, words: str) -> html.Button:
    first = name in {"propose", "confirm"}
    return html.Button(
        words,
        id={"type": DO, "step": name},
        type="button",
        className="" if first else "plain",
        n_clicks=0,
    )


def _timeline(moments: list[Moment], site: Site) -> html.Div:
    rows = tuple(("", m.what, m.said) for m in moments)
    local = [m.at.astimezone(site.tz) for m in moments]
    first = [f"{fmt.short_day(at.date())}, {at:%H:%M}" for at in local]
    return parts.table(
        Table(("When", "What", "Said or noted"), rows, frozenset()),
        "Newest first, local time",
        first=first,
    )


def _outcome(name: str, outcome: Outcome) -> tuple[str, ...]:
    a = outcome.account
    return (
        name,
        fmt.spf(a.spf, a.u_spf),
        fmt.NOTHING if a.u_spf is None else f"{a.u_spf:.3f}",
        fmt.number(a.hours.total),
        fmt.share(a.coverage),
        fmt.share(outcome.probability),
        outcome.decision,
    )


def effect_says(effect: Effect | None) -> list[Any]:
    """The effect of a drafted exclusion as a table."""
    if effect is None:
        return [html.P("Nothing is measured yet, so nothing would change.")]
    head = ("", "SPF", "u", "Hours that count", "Coverage", "Probability", "Would be today")
    rows = (_outcome("As it is", effect.before), _outcome("With it left out", effect.after))
    asked = how_cost.drafted(effect.before.account, effect.after.account)
    return [
        parts.table(Table(head, rows, frozenset({1, 2, 3, 4, 5})), "What it would do; not entered"),
        parts.how(asked),
    ]


def register(app: Dash, store: Store, clock: Callable[[], datetime]) -> None:
    """Add the callbacks of this page."""

    @app.callback(
        Output(EFFECT, "children"),
        Input(BEGIN, "value"),
        Input(END, "value"),
        Input(REASON, "value"),
        Input(CONDITION, "value"),
        State(NUMBER, "data"),
        prevent_initial_call=True,
    )
    @guarded
    def claim_effect(
        begin: str | None, end: str | None, reason: str | None, condition: int | None, number: int
    ) -> Any:
        if not (begin and end):
            raise PreventUpdate
        user = require_user()
        claim = desk_data.own_claim(user, store, _whole(number))
        record = data.record(user, store, claim.site_id, clock())
        try:
            draft = desk_acts.drafted(
                record.site, begin, end, reason or "draft", _condition(condition, record.site),
                user.email, clock(),
            )  # fmt: skip
        except PledgewattError as error:
            return [html.P(error.user_message, className="problem")]
        return written(effect_says(desk_acts.effect(record, draft)))

    @app.callback(
        Output(BODY, "children"),
        Output(SAYS, "children"),
        Input(ENTER, "n_clicks"),
        Input({"type": DO, "step": ALL}, "n_clicks"),
        Input({"type": ITEM, "key": ALL}, "n_clicks"),
        Input({"type": WITHDRAW, "number": ALL}, "n_clicks"),
        State(WORDS, "value"),
        State(BEGIN, "value"),
        State(END, "value"),
        State(REASON, "value"),
        State(CONDITION, "value"),
        State(NUMBER, "data"),
        prevent_initial_call=True,
    )
    @guarded
    def claim_step(
        enter: int,  # noqa: ARG001
        do: list[int],  # noqa: ARG001
        items: list[int],  # noqa: ARG001
        withdrawn: list[int],  # noqa: ARG001
        words: str | None,
        begin: str | None,
        end: str | None,
        reason: str | None,
        condition: int | None,
        number: int,
    ) -> tuple[list[Any], str]:
        # A body that is drawn anew calls with buttons that nobody pressed.
        if not any(one.get("value") for one in ctx.triggered):
            raise PreventUpdate
        user, now, number = require_user(), clock(), _whole(number)
        claim = desk_data.own_claim(user, store, number)
        asked: Any = ctx.triggered_id
        try:
            if asked == ENTER:
                site = data.record(user, store, claim.site_id, now).site
                draft = desk_acts.drafted(
                    site, begin or "", end or "", reason or "", _condition(condition, site),
                    user.email, now,
                )  # fmt: skip
                desk_acts.exclude_hours(user, store, number, draft, now)
                said = "These hours are left out from now on."
            else:
                said = _act(user, store, number, dict(asked), words or "", now)
        except PledgewattError as error:
            said = error.user_message
        claim = desk_data.own_claim(user, store, number)
        record = data.record(user, store, claim.site_id, now)
        return written(body(user, store, claim, record, now)), said


def _act(
    user: User, store: Store, number: int, asked: dict[str, Any], words: str, now: datetime
) -> str:
    """Do what a button says; returns what to tell."""
    if asked["type"] == WITHDRAW:
        desk_acts.withdraw(user, store, number, _whole(asked["number"]), now)
        return "The exclusion is withdrawn; it stays on record."
    if asked["type"] == ITEM:
        desk_acts.step(user, store, number, What.CHECKED, words, now, item=str(asked["key"]))
        return "Confirmed."
    step = str(asked["step"])
    if step == "propose":
        found = desk_acts.propose(user, store, number, words.strip(), now)
        return f"Proposed: {found.decision}. A second person has to confirm it."
    if step == "confirm":
        found = desk_acts.confirm(user, store, number, words.strip(), now)
        return f"Settled: {found.decision}."
    desk_acts.step(user, store, number, _STEPS[step], words, now)
    return "Kept."


def _whole(value: object) -> int:
    """A number that a browser sent; anything else is no claim at all."""
    return value if isinstance(value, int) and not isinstance(value, bool) else -1


def _condition(value: object, site: Site) -> int | None:
    agreed = site.current_terms.conditions if site.current_terms else ()
    number = _whole(value)
    return number if 0 <= number < len(agreed) else None
