"""A profile as the TOML file that `profile_from_toml` reads."""

from __future__ import annotations

import json
from typing import Any

from ingest.profile import Profile


def _scalar(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        # JSON's escapes are TOML's, but for DEL, which TOML wants escaped.
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, int | float):
        return repr(value)
    if isinstance(value, list):
        return f"[{', '.join(_scalar(one) for one in value)}]"
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {_scalar(one)}" for key, one in value.items()) + " }"
    message = f"a profile holds no {type(value).__name__}"
    raise TypeError(message)


def profile_to_toml(profile: Profile) -> str:
    """Give a profile as TOML; what it leaves at its default is left out.

    Returns
    -------
    str
        Reading it gives an equal profile.
    """
    data = profile.model_dump(mode="json", exclude_defaults=True)
    lines = [
        f"{key} = {_scalar(value)}"
        for key, value in data.items()
        if not isinstance(value, dict) and key != "column"
    ]
    for key, value in data.items():
        if isinstance(value, dict):
            lines += ["", f"[{key}]", *(f"{name} = {_scalar(one)}" for name, one in value.items())]
    for column in data["column"]:
        lines += ["", "[[column]]", *(f"{key} = {_scalar(one)}" for key, one in column.items())]
    return "\n".join(lines) + "\n"
