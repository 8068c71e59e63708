"""How a survey was fished, and whether its catch may be laid beside another's; power transfer as advice, never control."""

import re
from statistics import fmean

from fishery.answers import Refused
from fishery.comparability import Difference, SurveyConditions, differences
from fishery.power_transfer import power_advice
from office.answers.model import Answer, Column, Table
from office.answers.records import Occasion, Records
from office.answers.telling import refusal


def conditions(records: Records, occasion: int) -> SurveyConditions:
    """How an occasion was fished, as far as its runs say; settings are free text, of which the plain words are read."""
    runs = [run for run in records.runs if run.occasion == occasion]
    texts = " ".join(sorted({f"{run.settings} {run.gear}".lower() for run in runs}))
    warm = [run.water_c for run in runs if run.water_c is not None]
    minutes = [run.seconds / 60 for run in runs if run.seconds is not None]
    conductivity = _read(r"(\d+(?:\.\d+)?)\s*(?:us|µs|μs)(?:/cm)?\b", texts)
    return SurveyConditions(
        waveform=_waveform(texts),
        pulses_hz=_read(r"(\d+(?:\.\d+)?)\s*(?:hz|pps|pulses)\b", texts),
        duty_percent=_read(r"(\d+(?:\.\d+)?)\s*%", texts),
        power_w=_read(r"(\d+(?:\.\d+)?)\s*w\b", texts),
        conductivity_us_per_cm=conductivity or records.facts.conductivity_us_per_cm,
        water_c=fmean(warm) if warm else None,
        day_of_year=records.occasions[occasion].day_of_year,
        run_minutes=fmean(minutes) if minutes else None,
        netters=records.notes.netters.get(occasion),
    )


def _read(pattern: str, text: str) -> float | None:
    """The value, if the runs agree on one."""
    values = {float(one) for one in re.findall(pattern, text)}
    return values.pop() if len(values) == 1 else None


def _waveform(text: str) -> str | None:
    found = set(re.findall(r"\b(pdc|dc|ac)\b", text))
    return found.pop().upper() if len(found) == 1 else None


def comparable(records: Records) -> tuple[list[Answer], list[Table]]:
    """What speaks against comparing the catch with that of the occasion before; nothing where there is none with runs."""
    earlier = [
        one for one in records.occasions[:-1] if any(run.occasion == one.index for run in records.runs)
    ]
    if not earlier:
        return [], []
    before = earlier[-1]
    found = differences(conditions(records, before.index), conditions(records, records.focus))
    known = [one for one in found if not one.unknown]
    unknown = [one.what for one in found if one.unknown]
    differ = f"{', '.join(one.what for one in known)} differ" if known else "nothing recorded differs"
    silent = f"; not recorded: {', '.join(unknown)}" if unknown else ""
    answer = Answer(
        "comparable",
        "can the catch be compared with that of the survey before?",
        f"{before.name} and {records.when}: {differ}{silent}.",
        float(len(known)),
        "differences",
        None,
        2,
        "surveys",
        "listed, not computed",
        "Hardin and Connor 1992 (crews); Kolz 1989 (conductivity); bounds are proposals",
        cautions=("What is not recorded is no evidence of likeness.",),
    )
    return [answer], [_differences_table(before, records, found)]


def _differences_table(before: Occasion, records: Records, found: tuple[Difference, ...]) -> Table:
    rows = tuple(
        (one.what, one.figures, "not recorded" if one.unknown else "differs", one.why) for one in found
    )
    columns = (Column("condition"), Column("figures"), Column("state"), Column("why it matters"))
    title = f"Conditions of {before.name} and {records.when} that differ or are not recorded"
    return Table("comparable", title, columns, rows)


def power(records: Records) -> list[Answer]:
    """Power transfer at the conductivity of the water: for comparing, never for setting."""
    if not records.occasions:
        return []
    water = conditions(records, records.focus).conductivity_us_per_cm
    title = "power for the same effect in fish"
    if water is None:
        why = Refused(
            "The conductivity of the water is not recorded.",
            "Its ambient conductivity in the settings of the runs (`240 uS/cm`) or in the file of the waters.",
        )
        return [refusal("power", title, why)]
    advice = power_advice(water)
    return [
        Answer(
            "power",
            title,
            f"At {water:g} uS/cm the same power in fish takes {advice.power:.2f} times the power that it takes where water "
            f"and fish conduct alike ({advice.fish_us_per_cm:g} uS/cm). This compares surveys; it is no setting.",
            advice.power,
            "times",
            None,
            1,
            "water",
            advice.formula,
            advice.source,
            cautions=advice.cautions,
        )
    ]
