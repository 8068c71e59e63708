"""How a survey was fished, and whether its catch may be laid beside another's; power transfer as advice, never control."""

import re
from collections.abc import Sequence
from statistics import fmean

from fishery.answers import Refused
from fishery.comparability import Difference, SurveyConditions, differences
from fishery.power_transfer import power_advice
from office.answers.model import Answer, Column, Table
from office.answers.records import Occasion, Records, Run
from office.answers.telling import refusal, some

_NO_CURRENT = re.compile(
    r"angl|hook|\brods?\b|\blines?\b|longline|trotline|creel|seine|\b(?:gill|trammel|fyke|hoop)\b|gill-?net|fyke-?net|"
    r"\btraps?\b|trawl|spear|rotenone|snorkel",
    re.IGNORECASE,
)
"""Words of gear, in English, that has no current. A dip net or a landing net belongs to electrofishing."""


def main_gear(runs: Sequence[Run]) -> str | None:
    """Of the gear that has a current, the one with the most time, in small letters; "" where none was named. None where
    all runs had gear without a current: an hour of angling is none of current-on time. Two kinds of gear catch at two
    rates, so that no rate is made of both; a run whose gear nobody named goes with the others."""
    seconds: dict[str, float] = {}
    for run in runs:
        if not _NO_CURRENT.search(run.gear):
            seconds[run.gear.casefold()] = seconds.get(run.gear.casefold(), 0.0) + (run.seconds or 0.0)
    named_gear = {gear: time for gear, time in seconds.items() if gear} or seconds
    return max(named_gear, key=lambda gear: named_gear[gear], default=None)


def conditions(records: Records, occasion: int) -> SurveyConditions:
    """How an occasion was fished, as far as its runs say; settings are free text, of which the plain words are read.

    Temperature and conductivity are means over the runs that have them; see `_conductivity` where none has.
    """
    runs, texts = _runs(records, occasion)
    warm = [run.water_c for run in runs if run.water_c is not None]
    minutes = [run.seconds / 60 for run in runs if run.seconds is not None]
    gear = main_gear(runs)
    return SurveyConditions(
        gear=(", ".join(sorted({run.gear for run in runs})) if gear is None else gear) or None,
        waveform=_waveform(texts),
        pulses_hz=_read(r"(\d+(?:\.\d+)?)\s*(?:hz|pps|pulses)\b", texts),
        duty_percent=_read(r"(\d+(?:\.\d+)?)\s*%", texts),
        power_w=_read(r"(\d+(?:\.\d+)?)\s*w\b", texts),
        conductivity_us_per_cm=_conductivity(records, runs, texts)[0],
        water_c=round(fmean(warm), 1) if warm else None,
        day_of_year=records.occasions[occasion].day_of_year,
        run_minutes=fmean(minutes) if minutes else None,
        netters=records.notes.netters.get(occasion),
    )


def _runs(records: Records, occasion: int) -> tuple[list[Run], str]:
    """The runs of an occasion, and what they say of settings and gear."""
    runs = [run for run in records.runs if run.occasion == occasion]
    return runs, " ".join(sorted({f"{run.settings} {run.gear}".lower() for run in runs}))


def _conductivity(records: Records, runs: list[Run], texts: str) -> tuple[float | None, str]:
    """The ambient conductivity, uS/cm, and who says so: as read at the runs, else as their settings say in words, else
    that of the water's file."""
    read = [run.conductivity_us_per_cm for run in runs if run.conductivity_us_per_cm is not None]
    if read:
        return round(fmean(read), 1), f"as read at {some(len(read), 'run')}"
    told = _read(r"(\d+(?:\.\d+)?)\s*(?:us|µs|μs)(?:/cm)?\b", texts)
    if told is not None:
        return told, "as the settings of the runs say"
    return records.facts.conductivity_us_per_cm, "as the file of the waters says"


def _read(pattern: str, text: str) -> float | None:
    """The value, if the runs agree on one."""
    values = {float(one) for one in re.findall(pattern, text)}
    return values.pop() if len(values) == 1 else None


def _waveform(text: str) -> str | None:
    found = set(re.findall(r"\b(pdc|dc|ac)\b", text))
    return found.pop().upper() if len(found) == 1 else None


def comparable(records: Records) -> tuple[list[Answer], list[Table]]:
    """What speaks against comparing the catch with that of the occasion before; nothing where there is none with runs."""
    timed = [
        [run for run in records.runs if run.occasion == one.index and run.seconds]
        for one in records.occasions
    ]
    rated = [main_gear(runs) is not None for runs in timed]
    earlier = [one for one in records.occasions[:-1] if rated[one.index]]
    if not earlier or not rated[-1]:
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
    water, whence = _conductivity(records, *_runs(records, records.focus))
    title = "power for the same effect in fish"
    if water is None:
        why = Refused(
            "The conductivity of the water is not recorded.",
            "Its ambient conductivity, read at the runs (`run start conductivity=240`) or in the file of the waters.",
        )
        return [refusal("power", title, why)]
    advice = power_advice(water)
    return [
        Answer(
            "power",
            title,
            f"At {water:g} uS/cm, {whence}, the same power in fish takes {advice.power:.2f} times the power that it "
            f"takes where water and fish conduct alike ({advice.fish_us_per_cm:g} uS/cm). This compares surveys; it is no "
            "setting.",
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
