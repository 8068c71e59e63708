"""May the catch rates of two surveys be compared? What differs between them, and why it matters."""

from dataclasses import dataclass

from fishery.power_transfer import power_in_fish, power_multiplier

CONDUCTIVITY_POWER_RATIO = 1.10
"""Flagged where equal settings put 10 % more or less power into fish (proposal)."""
POWER_RATIO = 1.25
TEMPERATURE_C = 5.0
SEASON_DAYS = 30
RATE_HZ = 10.0
DUTY_PERCENT = 10.0
EFFORT_RATIO = 2.0
"""The other bounds are proposals as well: no published figure was found."""


@dataclass(frozen=True, slots=True)
class SurveyConditions:
    """How a survey was fished. None: not recorded. conductivity is ambient; gear and waveform are free text."""

    waveform: str | None = None
    pulses_hz: float | None = None
    duty_percent: float | None = None
    power_w: float | None = None
    conductivity_us_per_cm: float | None = None
    water_c: float | None = None
    day_of_year: int | None = None
    at_night: bool | None = None
    run_minutes: float | None = None
    netters: int | None = None
    gear: str | None = None


@dataclass(frozen=True, slots=True)
class Difference:
    """One reason for care. `figures` are the two values; `unknown` where one of them was not recorded."""

    what: str
    figures: str
    why: str
    unknown: bool


def differences(first: SurveyConditions, second: SurveyConditions) -> tuple[Difference, ...]:
    """What speaks against comparing two catch rates; empty where nothing does. Order of the surveys does not matter.

    A condition that neither survey recorded is reported once, as unknown: silence is no evidence of likeness.
    """
    found = [
        _unequal("gear", first.gear, second.gear, "Gears catch at rates of their own, and other sizes."),
        _unequal("waveform", first.waveform, second.waveform, "Waveforms differ in what they catch."),
        _apart(
            "pulse rate",
            first.pulses_hz,
            second.pulses_hz,
            RATE_HZ,
            "Hz",
            "Pulse rate selects sizes and species.",
        ),
        _apart(
            "duty cycle",
            first.duty_percent,
            second.duty_percent,
            DUTY_PERCENT,
            "%",
            "Duty cycle changes the catch.",
        ),
        _conductivity(first, second),
        _power(first, second),
        _apart(
            "water temperature",
            first.water_c,
            second.water_c,
            TEMPERATURE_C,
            "C",
            "Fish move with temperature.",
        ),
        _season(first.day_of_year, second.day_of_year),
        _unequal(
            "time of day",
            _named(first.at_night),
            _named(second.at_night),
            "Night catches differ from day catches.",
        ),
        _ratio(
            "run length",
            first.run_minutes,
            second.run_minutes,
            EFFORT_RATIO,
            "min",
            "Run length changes the rate.",
        ),
        _unequal(
            "netters",
            _text(first.netters),
            _text(second.netters),
            "Crews differ in catch (Hardin and Connor 1992).",
        ),
    ]
    return tuple(one for one in found if one is not None)


def _text(value: int | None) -> str | None:
    return None if value is None else str(value)


def _named(at_night: bool | None) -> str | None:
    return None if at_night is None else "night" if at_night else "day"


def _figures(first: object, second: object, unit: str = "") -> str:
    def told(value: object) -> str:
        if value is None:
            return "not recorded"
        shown = f"{value:g}" if isinstance(value, float | int) else str(value)
        return f"{shown} {unit}".strip()

    return " / ".join(sorted((told(first), told(second))))


def _unknown(what: str, first: object, second: object, unit: str, why: str) -> Difference:
    return Difference(what, _figures(first, second, unit), why, unknown=True)


def _unequal(what: str, first: str | None, second: str | None, why: str) -> Difference | None:
    if first is None or second is None:
        return _unknown(what, first, second, "", why)
    same = first.strip().casefold() == second.strip().casefold()
    return None if same else Difference(what, _figures(first, second), why, unknown=False)


def _apart(
    what: str, first: float | None, second: float | None, bound: float, unit: str, why: str
) -> Difference | None:
    if first is None or second is None:
        return _unknown(what, first, second, unit, why)
    if abs(first - second) <= bound:
        return None
    return Difference(what, _figures(first, second, unit), why, unknown=False)


def _ratio(
    what: str, first: float | None, second: float | None, bound: float, unit: str, why: str
) -> Difference | None:
    if first is None or second is None or min(first, second) <= 0:
        return _unknown(what, first, second, unit, why)
    if max(first, second) <= bound * min(first, second):
        return None
    return Difference(what, _figures(first, second, unit), why, unknown=False)


def _conductivity(first: SurveyConditions, second: SurveyConditions) -> Difference | None:
    why = "At equal settings another conductivity puts another share of the power into fish (Kolz 1989)."
    a, b = first.conductivity_us_per_cm, second.conductivity_us_per_cm
    if a is None or b is None or min(a, b) <= 0:
        return _unknown("conductivity", a, b, "uS/cm", why)
    # Two waters far apart on either side of fish conductivity have one multiplier; voltage and current still differ.
    apart = max(power_multiplier(a), power_multiplier(b)) / min(power_multiplier(a), power_multiplier(b))
    if apart <= CONDUCTIVITY_POWER_RATIO and max(a, b) <= 2 * min(a, b):
        return None
    return Difference("conductivity", _figures(a, b, "uS/cm"), why, unknown=False)


def _power(first: SurveyConditions, second: SurveyConditions) -> Difference | None:
    why = "Unlike power in the fish means unlike reach of the field (Kolz 1989)."
    in_fish = [
        power_in_fish(one.power_w, one.conductivity_us_per_cm)
        if one.power_w and one.conductivity_us_per_cm and one.conductivity_us_per_cm > 0
        else None
        for one in (first, second)
    ]
    return _ratio("power in the fish", in_fish[0], in_fish[1], POWER_RATIO, "W", why)


def _season(first: int | None, second: int | None) -> Difference | None:
    why = "Catchability changes with season, and so do the sizes near shore."
    if first is None or second is None:
        return _unknown("day of year", first, second, "", why)
    apart = abs(first - second) % 365
    if min(apart, 365 - apart) <= SEASON_DAYS:
        return None
    return Difference("day of year", _figures(first, second), why, unknown=False)
