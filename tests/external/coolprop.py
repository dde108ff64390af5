"""CoolProp, loaded when it is first asked: that takes seconds, and one worker will do."""

from __future__ import annotations


def props_si(*given: float | str) -> float:
    """`CoolProp.CoolProp.PropsSI`: a property of a fluid in SI units."""
    from CoolProp.CoolProp import PropsSI

    return float(PropsSI(*given))
