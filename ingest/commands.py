"""The commands that a crew can give, from any door: command tag, key zone, card, pedal, control socket.

A command is one short text: a verb of one or two words, then its argument. The table `GRAMMAR` is the whole
grammar: a new verb is a new member of `Verb` and one new row.
"""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import date
from difflib import get_close_matches
from enum import StrEnum

FATES = ("released", "removed", "kept", "died", "escaped")
SEXES = ("F", "M", "unknown")
FROM_SCALE = "scale"  # in place of a weight: the next load says it
FROM_BOARD = "board"  # in place of lengths: those of the board are the subsample's, until `next`
# What a meter can show of a water with fish in it (common practice; sea water, from memory, freezes at -1.9 C and has
# some 53,000 uS/cm at 25 C). Beyond lies a slip, or another unit (Fahrenheit, mS/cm).
WATER_C = (-2.0, 45.0)
CONDUCTIVITY_US_PER_CM = (1.0, 60_000.0)


class CommandError(Exception):
    """A text is no command. The message says which text, and what is possible instead."""


class Verb(StrEnum):
    """What is to be done. The value is the verb as it is written."""

    SPECIES = "species"  # from now on
    SPECIES_ONCE = "species-once"  # this fish only
    FATE = "fate"
    SEX = "sex"
    MATURITY = "maturity"
    MARK = "mark"
    ANOMALY = "anomaly"
    SAMPLE = "sample"
    NOTE = "note"
    UNTAGGED = "untagged"
    AGAIN = "again"
    VOID = "void"
    KEEP = "keep"
    NEXT = "next"
    BOTH = "both"
    RESUME = "resume"
    NO_WEIGHT = "no-weight"
    SHIFT = "shift"
    COUNT = "count"
    BATCH = "batch"
    SURVEY_OPEN = "survey open"
    SURVEY_CLOSE = "survey close"
    SURVEY_NAME = "survey name"
    RUN_START = "run start"
    RUN_END = "run end"
    WORK_UP_RUN = "work-up run"
    CREW = "crew"
    TREATMENT = "treatment"
    TREATMENT_END = "treatment end"


OBSERVATION_VERBS = (Verb.SEX, Verb.MATURITY, Verb.MARK, Verb.ANOMALY, Verb.SAMPLE, Verb.NOTE)


@dataclass(frozen=True, slots=True)
class Command:
    """One command. `argument` is None for a verb that takes none; options are written `key=value, key=value`.

    `str(command)` is the canonical text: `parse_command(str(command)) == command`.
    """

    verb: Verb
    argument: str | None = None

    def __str__(self) -> str:
        return self.verb if self.argument is None else f"{self.verb} {self.argument}"

    def options(self) -> dict[str, str]:
        """The options of a verb that has some (`survey open`, `run end`), else an empty dict."""
        rule = GRAMMAR[self.verb]
        return _split_options(self.verb, rule, self.argument or "")[1] if rule.has_options else {}

    def species(self) -> str | None:
        """The species that the command names, as it is written there; None if it names none."""
        argument = self.argument or ""
        if self.verb in (Verb.SPECIES, Verb.SPECIES_ONCE):
            return self.argument
        if self.verb is Verb.COUNT:
            return _split_count(argument)[0]
        if self.verb is Verb.BATCH:
            return _split_options(self.verb, GRAMMAR[self.verb], argument)[0] or None
        return None

    def with_species(self, slug: str) -> "Command":
        """The same command with this name of the species that it names."""
        written = self.species()
        if written is None or self.argument is None:
            return self
        return replace(self, argument=slug + self.argument[len(written) :])

    def number(self) -> int | None:
        """The number of `count`, or of the run of `work-up run` (None: the run that ended last)."""
        argument = self.argument or ""
        if self.verb is Verb.COUNT:
            return _split_count(argument)[1]
        return int(argument) if self.verb is Verb.WORK_UP_RUN and argument != "last" else None


def _a_number_of_seconds(text: str) -> str:
    if re.fullmatch(r"[0-9]{1,6}(\.[0-9]{1,3})?", text) is None:
        raise CommandError(f"seconds={text} is not a number of seconds; write for example seconds=640")
    return text


def _degrees_celsius(text: str) -> str:
    written = text.replace(",", ".")  # a decimal comma: no water has a thousand degrees
    if re.fullmatch(r"-?[0-9]{1,3}(\.[0-9]{1,2})?", written) is None:
        raise CommandError(
            f"temperature={text} is not a temperature in degrees Celsius; write for example temperature=14.5"
        )
    low, high = WATER_C
    if not low <= float(written) <= high:
        raise CommandError(
            f"temperature={text} is not that of a water: give {low:g} to {high:g} degrees Celsius"
        )
    return written


def _microsiemens_per_cm(text: str) -> str:
    if re.fullmatch(r"[0-9]{1,6}(\.[0-9]{1,3})?", text) is None:
        raise CommandError(
            f"conductivity={text} is not a conductivity in uS/cm; write for example conductivity=240"
        )
    low, high = CONDUCTIVITY_US_PER_CM
    if not low <= float(text) <= high:
        raise CommandError(
            f"conductivity={text} is not that of a water: give {low:g} to {high:g} uS/cm (0.24 mS/cm are 240 uS/cm)"
        )
    return text


def _a_whole_number(key: str) -> Callable[[str], str]:
    def read(text: str) -> str:
        if re.fullmatch(r"[0-9]{1,6}", text) is None or int(text) == 0:
            raise CommandError(f"{key}={text} is not a whole number from 1; write for example {key}=40")
        return str(int(text))

    return read


def _grams(key: str) -> Callable[[str], str]:
    def read(text: str) -> str:
        if text.lower() == FROM_SCALE:
            return FROM_SCALE
        if _NUMBER.fullmatch(text) is None:
            raise CommandError(
                f"{key}={text} is not a weight in g; write for example {key}=850, or {key}={FROM_SCALE} to weigh it now"
            )
        return text

    return read


def _millimetres(text: str) -> str:
    if text.lower() == FROM_BOARD:
        return FROM_BOARD
    lengths = re.split(r"[,\s]+", text)
    if any(_NUMBER.fullmatch(one) is None or float(one) == 0 for one in lengths):
        raise CommandError(
            f"lengths={text} are not lengths in mm; write for example lengths=120,131, or lengths={FROM_BOARD} "
            "to measure them now"
        )
    return ",".join(lengths)


def _a_fate(text: str) -> str:
    if text.lower() not in FATES:
        raise CommandError(f"fate={text} is not possible; write fate={'|'.join(FATES)}")
    return text.lower()


def _a_day(text: str) -> str:
    try:
        if re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", text, re.ASCII) is None:
            raise ValueError
        return date.fromisoformat(text).isoformat()
    except ValueError:
        said = f"withdrawal={text} is not a day; write for example withdrawal=2026-06-02"
        raise CommandError(said) from None


def _a_code(text: str) -> str:
    if re.fullmatch(r"[A-Za-z0-9]{1,8}", text) is None:
        raise CommandError(f"{text} is not a code of a person; write up to 8 letters and digits, not a name")
    return text


def _any_text(text: str) -> str:
    return text


def _count_text(text: str) -> str:
    species, n = _split_count(text)
    return f"{species} {n}" if species else f"+{n}"


def _run_text(text: str) -> str:
    if text.lower() == "last":
        return "last"
    if re.fullmatch(r"[0-9]{1,6}", text) is None or int(text) == 0:
        raise CommandError(f'"work-up run {text}" names no run; write work-up run NUMBER|last')
    return str(int(text))


def _split_count(text: str) -> tuple[str | None, int]:
    found = _COUNT.fullmatch(text)
    if found is None or int(found["n"]) == 0:
        raise CommandError(f'"count {text}" counts no fish; write count +NUMBER or count SPECIES NUMBER')
    return found["species"], int(found["n"])


_NUMBER = re.compile(r"[0-9]{1,7}(\.[0-9]{1,3})?")
_COUNT = re.compile(r"(?:(?P<species>.*\S)\s+)?\+?(?P<n>[0-9]{1,6})")


@dataclass(frozen=True, slots=True)
class _Rule:
    """One row of the grammar. At most one of `text`, `choices`, `reads`, `options` (with `any_option`) describes the
    argument.

    usage: what the list of possibilities shows. says: the plain words, `{}` stands for the argument. head: a text may
    stand before the options. any_option: how the value of an option of any name is read.
    """

    usage: str
    says: str
    text: bool = False
    choices: tuple[str, ...] = ()
    reads: Callable[[str], str] | None = None
    options: Mapping[str, Callable[[str], str]] | None = None
    any_option: Callable[[str], str] | None = None
    head: bool = False

    @property
    def has_options(self) -> bool:
        return self.options is not None or self.any_option is not None


_WATER_OPTIONS: Mapping[str, Callable[[str], str]] = {
    "temperature": _degrees_celsius,
    "conductivity": _microsiemens_per_cm,
}
_WATER_USAGE = "temperature=C, conductivity=US_PER_CM"

GRAMMAR: Mapping[Verb, _Rule] = {
    Verb.SPECIES: _Rule("species NAME", "species {} from now on", text=True),
    Verb.SPECIES_ONCE: _Rule("species-once NAME", "species {} for this fish only", text=True),
    Verb.FATE: _Rule(f"fate {'|'.join(FATES)}", "fate of this fish: {}", choices=FATES),
    Verb.SEX: _Rule(f"sex {'|'.join(SEXES)}", "sex of this fish: {}", choices=SEXES),
    Verb.MATURITY: _Rule("maturity TEXT", "maturity of this fish: {}", text=True),
    Verb.MARK: _Rule("mark TEXT", "mark or clip of this fish: {}", text=True),
    Verb.ANOMALY: _Rule("anomaly TEXT", "anomaly of this fish: {}", text=True),
    Verb.SAMPLE: _Rule("sample LABEL", "sample of this fish: {}", text=True),
    Verb.NOTE: _Rule("note TEXT", "note on this fish: {}", text=True),
    Verb.UNTAGGED: _Rule("untagged", "this fish carries no tag"),
    Verb.AGAIN: _Rule("again", "measure this fish again"),
    Verb.VOID: _Rule("void", "this fish does not count"),
    Verb.KEEP: _Rule("keep", "keep the values as they are, with a query"),
    Verb.NEXT: _Rule("next", "close this fish and go to the next"),
    Verb.BOTH: _Rule("both", "this fish carries both tags"),
    Verb.RESUME: _Rule("resume", "go on with the parked fish"),
    Verb.NO_WEIGHT: _Rule("no-weight", "this fish is not weighed"),
    Verb.SHIFT: _Rule("shift", "move the weights of the line by one fish"),
    Verb.COUNT: _Rule("count +NUMBER|SPECIES NUMBER", "count {}", reads=_count_text),
    Verb.BATCH: _Rule(
        f"batch SPECIES count=NUMBER [weight=G|{FROM_SCALE}, container=G|{FROM_SCALE}, lengths=MM,MM|{FROM_BOARD}, "
        "fate=FATE, note=TEXT]",
        "a batch: {}",
        options={
            "count": _a_whole_number("count"),
            "weight": _grams("weight"),
            "container": _grams("container"),
            "lengths": _millimetres,
            "fate": _a_fate,
            "note": _any_text,
        },
        head=True,
    ),
    Verb.SURVEY_OPEN: _Rule(
        "survey open [water=WATER, name=NAME]",
        "open a survey: {}",
        options={"water": _any_text, "name": _any_text},
    ),
    Verb.SURVEY_CLOSE: _Rule("survey close", "close the survey"),
    Verb.SURVEY_NAME: _Rule("survey name NAME", "name the survey {}", text=True),
    Verb.RUN_START: _Rule(
        f"run start [area=AREA, gear=GEAR, pass=NUMBER, settings=TEXT, {_WATER_USAGE}]",
        "start a run: {}",
        options={
            "area": _any_text,
            "gear": _any_text,
            "pass": _a_whole_number("pass"),
            "settings": _any_text,
            **_WATER_OPTIONS,
        },
    ),
    Verb.RUN_END: _Rule(
        f"run end [seconds=NNN, {_WATER_USAGE}]",
        "end the run: {}",
        options={"seconds": _a_number_of_seconds, **_WATER_OPTIONS},
    ),
    Verb.WORK_UP_RUN: _Rule("work-up run NUMBER|last", "fish now belong to run {}", reads=_run_text),
    Verb.CREW: _Rule("crew POST=CODE, POST=CODE", "crew: {}", any_option=_a_code),
    Verb.TREATMENT: _Rule(
        "treatment agent=AGENT [dose=TEXT, withdrawal=YYYY-MM-DD, run=NUMBER]",
        "treatment of the fish: {}",
        options={
            "agent": _any_text,
            "dose": _any_text,
            "withdrawal": _a_day,
            "run": _a_whole_number("run"),
        },
    ),
    Verb.TREATMENT_END: _Rule("treatment end", "fish from now on are not treated"),
}
_NEEDS = {Verb.BATCH: "count", Verb.TREATMENT: "agent"}


def parse_command(text: str) -> Command:
    """The command that `text` says. Verbs, choices and option names may be written in any case.

    Runs of blanks count as one. Raises CommandError when the text is no command: with the verbs, or with how a known
    verb is written.
    """
    words = " ".join(text.split())
    verb, rest = _split_verb(words)
    rule = GRAMMAR[verb]
    if rule.has_options:
        head, options = _split_options(verb, rule, rest)
        needs = _NEEDS.get(verb)
        if (needs is not None and needs not in options) or (verb is Verb.CREW and not options):
            raise CommandError(f'"{words}" does not say enough; write {rule.usage}')
        return Command(verb, " ".join(part for part in (head, _join_options(options)) if part) or None)
    if rule.reads is not None:
        if not rest:
            raise CommandError(f'"{words}" does not say which; write {rule.usage}')
        return Command(verb, rule.reads(rest))
    if rule.text:
        if not rest:
            raise CommandError(f'"{words}" does not say what; write {rule.usage}')
        return Command(verb, rest)
    if rule.choices:
        for choice in rule.choices:
            if rest.lower() == choice.lower():
                return Command(verb, choice)
        raise CommandError(f'"{words}" is not possible; write {rule.usage}')
    if rest:
        raise CommandError(f'"{words}" says too much: "{verb}" stands alone')
    return Command(verb)


def describe(command: Command) -> str:
    """The command in plain words, for sounds and cards: `species largemouth bass from now on`."""
    rule = GRAMMAR[command.verb]
    if command.argument is None:
        return rule.says.removesuffix(": {}")
    argument = command.argument
    if command.verb in (Verb.SPECIES, Verb.SPECIES_ONCE):
        argument = argument.replace("_", " ")
    elif command.verb is Verb.COUNT:
        species, n = command.species(), command.number()
        argument = f"{n} {species.replace('_', ' ')}" if species else f"{n} of the species chosen"
    elif rule.has_options:
        species = command.species()
        said = [species.replace("_", " ")] if species else []
        argument = ", ".join(said + [f"{key} {value}" for key, value in command.options().items()])
    return rule.says.format(argument)


def _split_verb(words: str) -> tuple[Verb, str]:
    parts = words.split(" ")
    for count in (2, 1):  # the longer verb first: "survey open" before any "survey"
        head = " ".join(parts[:count]).lower()
        for verb in Verb:
            if head == verb and len(parts) >= count:
                return verb, " ".join(parts[count:])
    possible = ", ".join(Verb)
    if not words:
        raise CommandError(f"an empty command says nothing; possible are: {possible}")
    near = get_close_matches(parts[0].lower(), [verb.split(" ")[0] for verb in Verb], n=1)
    meant = f' (meant "{near[0]}"?)' if near else ""
    raise CommandError(f'"{words}" is no command{meant}; possible are: {possible}')


def _split_options(verb: Verb, rule: _Rule, text: str) -> tuple[str, dict[str, str]]:
    """`water=Mill Pond, upper, name=Spring` -> "" and both values: a value ends where the next `key=` begins."""
    pieces = re.split(r"(?:^|,\s*|\s+)([A-Za-z_]+)\s*=", text)
    known, usage = rule.options or {}, rule.usage
    head = pieces[0].strip(" ,")
    if head and not rule.head:
        raise CommandError(f'"{verb} {text}" is not possible; write {usage}')
    options: dict[str, str] = {}
    for written, raw in zip(pieces[1::2], pieces[2::2], strict=True):
        key, value = written.lower(), raw.strip(" ,")
        read = known.get(key, rule.any_option)
        if read is None:
            raise CommandError(f'"{verb}" knows no option "{written}"; write {usage}')
        if key in options:
            raise CommandError(f'"{verb} {text}" gives {written} twice; write {usage}')
        if not value:
            raise CommandError(f'"{verb} {text}" gives no value for {written}; write {usage}')
        options[key] = read(value)
    return head, options


def _join_options(options: Mapping[str, str]) -> str | None:
    return ", ".join(f"{key}={value}" for key, value in options.items()) or None
