"""What else is true of a home with a planted trouble: its known physical consequences.

A finding of the product is false where it names neither the planted trouble nor one of these.
"""

from __future__ import annotations

_FLOW = "the water in the circuit really is hotter than the design curve"
_HEAT_METER = "the heat shown really does not fit house, water or temperatures"
_GAP = "hours in which a meter counts nothing are not known"

#: Keys of findings by kind of home, with the reason.
ALSO_TRUE: dict[str, dict[str, str]] = {
    "electricity-without-heat": {
        "coverage-at-risk": _GAP,
        "heat_beside_flow_and_temperatures": _HEAT_METER,
    },
    "heat-without-electricity": {
        "coverage-at-risk": _GAP,
        "cop_beside_carnot": "more heat than the electricity shown can make",
    },
    "flow-return-swapped": {
        "electricity-without-heat": "a heat meter with turned sensors stops",
        "register-stuck": "a heat meter with turned sensors stops",
        "heat_beside_flow_and_temperatures": _HEAT_METER,
        "heat_beside_heat_loss": _HEAT_METER,
        "coverage-at-risk": _GAP,
    },
    "unit-slip": {
        "register-jumps": "the register leaps when it shows another unit",
        "register-stuck": "a thousandth of the energy hardly moves a register",
        "electricity-without-heat": "a thousandth of the heat is next to none",
        "heat-without-electricity": "a thousandth of the electricity is next to none",
        "cop_beside_carnot": "heat and electricity are not of one unit",
        "heat_beside_heat_loss": _HEAT_METER,
        "heat_beside_flow_and_temperatures": _HEAT_METER,
        "coverage-at-risk": "a thousand times the energy cannot be, and is set aside",
    },
    "heat-meter-low": {"cop_beside_carnot": "too little heat for the electricity"},
    "clock-lag": {},
    "register-stuck": {
        "electricity-without-heat": "until it has caught up it looks the same",
        "heat-without-electricity": "until it has caught up it looks the same",
    },
    "register-saturated": {
        "cop_beside_carnot": "the electricity shown is too little for the heat",
    },
    "meter-counts-house": {
        "standby-high": "what the meter shows at rest really is high",
        "cause:standby_cycling_pumps": "the share says to look at what else hangs on the meter",
        "cop_beside_carnot": "the electricity shown is too much for the heat",
    },
    "boundary-differs": {
        "cop_beside_carnot": "heat of the heater is counted with the unit's electricity alone",
        "heat_beside_heat_loss": _HEAT_METER,
        "backup-beside-unit": "the backup heater does run beside the unit",
        "cause:backup_and_immersion": "the backup heater does run beside the unit",
        "heat_beside_flow_and_temperatures": _HEAT_METER,
    },
    "flow-above-curve": {"cause:flow_temperature": _FLOW},
    "no-weather-compensation": {"cause:flow_temperature": _FLOW},
    "setback-recovery": {
        "flow-above-curve": "for three hours each morning " + _FLOW,
        "cause:flow_temperature": "for three hours each morning " + _FLOW,
        "room_temperature": "nights at 5 K below target keep the mean under what was asked for",
    },
    "short-cycling": {
        "cause:standby_cycling_pumps": "each start loses heat",
    },
    "low-flow": {
        "flow-above-curve": "less water has to leave hotter to carry the same heat",
        "cause:flow_temperature": "less water has to leave hotter to carry the same heat",
    },
    "high-flow": {"cause:standby_cycling_pumps": "a faster pump takes more"},
    "pump-always-on": {
        "standby-high": "the pump takes electricity while the unit rests",
        "cause:standby_cycling_pumps": "the pump takes electricity while the unit rests",
    },
    "backup-beside-unit": {"cause:backup_and_immersion": "the share of the same heater"},
    "backup-in-total": {"cause:backup_and_immersion": "the share of the same heater"},
    "immersion-runs": {
        "cause:hot_water": "the cylinder is kept hotter",
        "cause:backup_and_immersion": "the share of the same heater",
        "hot-water-set-point": "it heats the cylinder to 60 degC each day",
        "pasteurisation-often": "it heats the cylinder to 60 degC each day",
    },
    "hot-water-share": {
        "cause:hot_water": "the share of the same water",
        "hot-water-reheats": "what is drawn has to be reheated as often",
    },
    "hot-water-set-point": {
        "cause:hot_water": "hotter water costs more",
        "hot-water-share": "a hotter cylinder loses more, and a draw carries more",
        "pasteurisation-often": "the cylinder is as hot as for pasteurisation each day",
    },
    "pasteurisation-often": {
        "cause:hot_water": "hotter water costs more",
        "hot-water-set-point": "the cylinder is at 60 degC each day",
        "immersion-runs": "where there is an immersion heater it ends each pasteurisation",
        "cause:backup_and_immersion": "where there is an immersion heater it ends each of them",
    },
    "standby-high": {"cause:standby_cycling_pumps": "the share of the same electricity"},
    "defrost-often": {
        "cause:unit": "heat is taken back from the house more often",
        "efficiency-step": "from that day on more electricity is taken for the same heat",
    },
    "summer-heating": {
        "flow-above-curve": "in summer " + _FLOW,
        "cause:flow_temperature": "in summer " + _FLOW,
        "no-weather-compensation": "the flow stays up while it is warm outside",
        "comfort-above-terms": "rooms are wanted warmer than stated",
    },
    "efficiency-step": {
        "cause:unit": "the share of the same loss",
        "below-test-points": "less efficient than tested",
    },
    "efficiency-drift": {
        "cause:unit": "the share of the same loss",
        "below-test-points": "less efficient than tested",
    },
    "capacity-short": {
        "efficiency-step": "at its limit all day a unit is less efficient than with rests",
        "room_temperature": "rooms get cold on cold days",
        "backup-beside-unit": "a backup heater makes up for what the unit lacks",
        "cause:backup_and_immersion": "a backup heater makes up for what the unit lacks",
    },
    "below-test-points": {"cause:unit": "the share of the same loss"},
    "house-cold": {"heat_beside_heat_loss": "a cold house needs less heat than designed for"},
    "comfort-above-terms": {
        "summer-heating": "rooms wanted at 23 to 25 degC are heated on cool summer days",
        "heat_beside_heat_loss": "a warm house needs more heat than designed for",
        "flow-above-curve": "a room that lags its target lifts the flow",
        "cause:flow_temperature": "a room that lags its target lifts the flow",
    },
    "heat-loss-above-design": {
        "backup-beside-unit": "a backup heater makes up for what the unit lacks",
        "cause:backup_and_immersion": "a backup heater makes up for what the unit lacks",
    },
    "coverage-lost": {"silent-site": "days on end without a reading are a silent site"},
    "cold-winter": {
        "weather-not-system": "the winter was colder than the reference climate",
        "cause:weather": "the winter was colder than the reference climate",
    },
    "gaps": {"coverage-at-risk": "a fifth of the readings is lost"},
}
