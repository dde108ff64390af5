"""Writes a page as the browser gets it, and tells apart what moves on it from what stands still.

Dash follows each component by itself: one that is drawn anew tells all others, so that changing
the period of a site's page took five seconds among three thousand cells. Cells, words and links
need none of that. Whatever no callback can ask for is sent as still content, drawn at once by
the few lines of `assets/still.js`; a page is then followed in a few dozen places.
"""

from __future__ import annotations

from typing import Any, Final

import orjson
from dash.development.base_component import Component

_OPTIONS: Final = orjson.OPT_SERIALIZE_NUMPY | orjson.OPT_NON_STR_KEYS
_HTML: Final = "dash_html_components"


def written(part: Any) -> Any:
    """A part of a page, written as the browser gets it: to be kept, or to be sent at once.

    Parameters
    ----------
    part
        A component, words, or a list of such; what is written already may stand in it.

    Returns
    -------
    orjson.Fragment
        It stands among components as one of them; their types do not say so.
    """
    if isinstance(part, list | tuple):
        shown: Any = _moving([_drawn(child) for child in part])
    else:
        shown = _one(_moving([_drawn(part)]))
    return orjson.Fragment(orjson.dumps(shown, default=_component, option=_OPTIONS))


def _component(part: Any) -> Any:
    if isinstance(part, Component):
        return part.to_plotly_json()  # type: ignore[no-untyped-call]
    message = f"{type(part).__name__} cannot stand on a page"
    raise TypeError(message)


def _drawn(part: Any) -> tuple[Any, bool]:
    """What is sent of a part, and whether it stands still.

    A still element is a list of its kind, its attributes (or 0) and its children.
    """
    if part is None or isinstance(part, str | int | float):
        return part, True
    if isinstance(part, Component):
        part = _component(part)
    if not isinstance(part, dict) or "namespace" not in part:
        return part, False
    kind, props = part["type"], part["props"]
    is_html = part["namespace"] == _HTML
    if not is_html and kind != "Link":
        return part, False
    inside = props.get("children")
    children = inside if isinstance(inside, list | tuple) else () if inside is None else (inside,)
    drawn = [_drawn(child) for child in children]
    rest = {name: value for name, value in props.items() if name != "children"}
    # Whatever has an id may be asked for by a callback.
    if "id" not in props and all(still for _, still in drawn):
        return [kind.lower() if is_html else kind, rest or 0, *(node for node, _ in drawn)], True
    if drawn:
        rest["children"] = _one(_moving(drawn))
    return {"namespace": part["namespace"], "type": kind, "props": rest}, False


def _moving(drawn: list[tuple[Any, bool]]) -> list[Any]:
    """Children of what does not stand still: neighbours that do go together."""
    shown: list[Any] = []
    still: list[Any] = []
    for node, stands in [*drawn, (None, False)]:
        if stands:
            still.append(node)
            continue
        if any(isinstance(one, list) for one in still):
            nodes = {"nodes": still}
            shown.append({"namespace": "pledgewatt", "type": "Still", "props": nodes})
        else:
            shown += still
        shown.append(node)
        still = []
    return shown[:-1]


def _one(shown: list[Any]) -> Any:
    return shown[0] if len(shown) == 1 else shown
