"""The commands that a crew can give, from any door: command tag, key zone, card, pedal, control socket.

A command is one short text: a verb of one or two words, then its argument. The table `GRAMMAR` is the whole
grammar: a new verb is a new member of `Verb` and one new row.
"""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from enum import StrEnum

FATES = ("released", "removed", "kept", "died", "escaped")
SEXES = ("F", "M", "unknown")


class CommandError(Exception):
    """A text is no command. The message says which text, and what is possible instead."""


class Verb(StrEnum):
    """What is to be done. The value is the verb as it is written."""

    SPECIES = "species"  # from now on
    SPECIES_ONCE = "species-once"  # this fish only
    FATE = "fate"
    SEX = "sex"
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
    SURVEY_OPEN = "survey open"
    SURVEY_CLOSE = "survey close"
    SURVEY_NAME = "survey name"
    RUN_START = "run start"
    RUN_END = "run end"


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
        return _split_options(self.verb, rule.options, self.argument or "") if rule.options else {}


def _a_number_of_seconds(text: str) -> str:
    if re.fullmatch(r"[0-9]{1,6}(\.[0-9]{1,3})?", text) is None:
        raise CommandError(f"seconds={text} is not a number of seconds; write for example seconds=640")
    return text


def _any_text(text: str) -> str:
    return text


@dataclass(frozen=True, slots=True)
class _Rule:
    """One row of the grammar. At most one of `text`, `choices`, `options` describes the argument.

    usage: what the list of possibilities shows. says: the plain words, `{}` stands for the argument.
    """

    usage: str
    says: str
    text: bool = False
    choices: tuple[str, ...] = ()
    options: Mapping[str, Callable[[str], str]] | None = None


GRAMMAR: Mapping[Verb, _Rule] = {
    Verb.SPECIES: _Rule("species NAME", "species {} from now on", text=True),
    Verb.SPECIES_ONCE: _Rule("species-once NAME", "species {} for this fish only", text=True),
    Verb.FATE: _Rule(f"fate {'|'.join(FATES)}", "fate of this fish: {}", choices=FATES),
    Verb.SEX: _Rule(f"sex {'|'.join(SEXES)}", "sex of this fish: {}", choices=SEXES),
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
    Verb.SURVEY_OPEN: _Rule(
        "survey open [water=WATER, name=NAME]",
        "open a survey: {}",
        options={"water": _any_text, "name": _any_text},
    ),
    Verb.SURVEY_CLOSE: _Rule("survey close", "close the survey"),
    Verb.SURVEY_NAME: _Rule("survey name NAME", "name the survey {}", text=True),
    Verb.RUN_START: _Rule("run start", "start a run"),
    Verb.RUN_END: _Rule(
        "run end [seconds=NNN]", "end the run: {}", options={"seconds": _a_number_of_seconds}
    ),
}


def possible_commands() -> tuple[str, ...]:
    """How every command is written, in the order of the table."""
    return tuple(rule.usage for rule in GRAMMAR.values())


def parse_command(text: str) -> Command:
    """The command that `text` says. Verbs, choices and option names may be written in any case.

    Runs of blanks count as one. Raises CommandError with what is possible when the text is no command.
    """
    words = " ".join(text.split())
    verb, rest = _split_verb(words)
    rule = GRAMMAR[verb]
    if rule.options is not None:
        return Command(verb, _join_options(_split_options(verb, rule.options, rest)))
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
    elif rule.options is not None:
        argument = ", ".join(f"{key} {value}" for key, value in command.options().items())
    return rule.says.format(argument)


def _split_verb(words: str) -> tuple[Verb, str]:
    parts = words.split(" ")
    for count in (2, 1):  # the longer verb first: "survey open" before any "survey"
        head = " ".join(parts[:count]).lower()
        for verb in Verb:
            if head == verb and len(parts) >= count:
                return verb, " ".join(parts[count:])
    possible = "; ".join(possible_commands())
    if not words:
        raise CommandError(f"an empty command says nothing; possible are: {possible}")
    near = get_close_matches(parts[0].lower(), [verb.split(" ")[0] for verb in Verb], n=1)
    meant = f' (meant "{near[0]}"?)' if near else ""
    raise CommandError(f'"{words}" is no command{meant}; possible are: {possible}')


def _split_options(verb: Verb, known: Mapping[str, Callable[[str], str]], text: str) -> dict[str, str]:
    """`water=Mill Pond, upper, name=Spring` -> both values: a value ends where the next `key=` begins."""
    pieces = re.split(r"(?:^|,\s*|\s+)([A-Za-z_]+)\s*=", text)
    usage = GRAMMAR[verb].usage
    if pieces[0].strip(" ,"):
        raise CommandError(f'"{verb} {text}" is not possible; write {usage}')
    options: dict[str, str] = {}
    for key, raw in zip(pieces[1::2], pieces[2::2], strict=True):
        value = raw.strip(" ,")
        if key.lower() not in known:
            raise CommandError(f'"{verb}" knows no option "{key}"; write {usage}')
        if key.lower() in options:
            raise CommandError(f'"{verb} {text}" gives {key} twice; write {usage}')
        if not value:
            raise CommandError(f'"{verb} {text}" gives no value for {key}; write {usage}')
        options[key.lower()] = known[key.lower()](value)
    return options


def _join_options(options: Mapping[str, str]) -> str | None:
    return ", ".join(f"{key}={value}" for key, value in options.items()) or None
