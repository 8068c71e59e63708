import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.commands import (
    GRAMMAR,
    Command,
    CommandError,
    Verb,
    describe,
    parse_command,
    possible_commands,
)

EXAMPLES = {
    "species largemouth_bass": Command(Verb.SPECIES, "largemouth_bass"),
    "species-once bluegill": Command(Verb.SPECIES_ONCE, "bluegill"),
    "fate removed": Command(Verb.FATE, "removed"),
    "FATE Died": Command(Verb.FATE, "died"),
    "sex f": Command(Verb.SEX, "F"),
    "sex UNKNOWN": Command(Verb.SEX, "unknown"),
    "note  old   hook scar": Command(Verb.NOTE, "old hook scar"),
    "untagged": Command(Verb.UNTAGGED),
    "Again\n": Command(Verb.AGAIN),
    "void": Command(Verb.VOID),
    "keep": Command(Verb.KEEP),
    "next": Command(Verb.NEXT),
    "both": Command(Verb.BOTH),
    "resume": Command(Verb.RESUME),
    "no-weight": Command(Verb.NO_WEIGHT),
    "shift": Command(Verb.SHIFT),
    "survey open": Command(Verb.SURVEY_OPEN),
    "Survey Open water=Mill Pond, upper name = Spring": Command(
        Verb.SURVEY_OPEN, "water=Mill Pond, upper, name=Spring"
    ),
    "survey close": Command(Verb.SURVEY_CLOSE),
    "survey name Spring 2026": Command(Verb.SURVEY_NAME, "Spring 2026"),
    "run start": Command(Verb.RUN_START),
    "run end": Command(Verb.RUN_END),
    "run end Seconds=640.5": Command(Verb.RUN_END, "seconds=640.5"),
}


@pytest.mark.parametrize(("text", "command"), EXAMPLES.items())
def test_each_way_of_writing_gives_its_command(text: str, command: Command) -> None:
    assert parse_command(text) == command


def test_every_verb_has_a_row_an_example_and_plain_words() -> None:
    assert set(GRAMMAR) == set(Verb) == {command.verb for command in EXAMPLES.values()}
    assert len({describe(command) for command in EXAMPLES.values()}) == len(set(EXAMPLES.values()))


def test_options_are_split_where_the_next_one_begins() -> None:
    command = parse_command("survey open name=Spring, water=Mill Pond, upper")
    assert command.options() == {"name": "Spring", "water": "Mill Pond, upper"}
    assert parse_command("survey open").options() == {}
    assert parse_command("fate kept").options() == {}


@pytest.mark.parametrize(
    ("command", "words"),
    [
        (Command(Verb.SPECIES, "largemouth_bass"), "species largemouth bass from now on"),
        (Command(Verb.SPECIES_ONCE, "bluegill"), "species bluegill for this fish only"),
        (Command(Verb.FATE, "removed"), "fate of this fish: removed"),
        (Command(Verb.SURVEY_OPEN), "open a survey"),
        (
            Command(Verb.SURVEY_OPEN, "water=Mill Pond, name=Spring"),
            "open a survey: water Mill Pond, name Spring",
        ),
        (Command(Verb.RUN_END, "seconds=640"), "end the run: seconds 640"),
        (Command(Verb.NOTE, "{} {0} gill"), "note on this fish: {} {0} gill"),
    ],
)
def test_a_command_is_described_in_plain_words(command: Command, words: str) -> None:
    assert describe(command) == words


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "an empty command says nothing; possible are: species NAME;"),
        ("viod", 'meant "void"?'),
        ("make tea", "possible are: species NAME; species-once NAME; fate released|removed|"),
        ("survey", '"survey" is no command'),
        ("species", "write species NAME"),
        ("fate lost", "write fate released|removed|kept|died|escaped"),
        ("sex", "write sex F|M|unknown"),
        ("void it", '"void" stands alone'),
        ("survey close now", '"survey close" stands alone'),
        ("survey open Mill Pond", "write survey open [water=WATER, name=NAME]"),
        ("survey open lake=Mill Pond", 'knows no option "lake"'),
        ("survey open water=", "gives no value for water"),
        ("survey open water=A water=B", "gives water twice"),
        ("run end seconds=soon", "seconds=soon is not a number of seconds"),
        ("run end seconds=-3", "seconds=-3 is not a number of seconds"),
        ("run end seconds=nan", "seconds=nan is not a number of seconds"),
    ],
)
def test_what_is_no_command_is_refused_with_what_is_possible(text: str, says: str) -> None:
    with pytest.raises(CommandError) as refusal:
        parse_command(text)
    assert says in str(refusal.value)


def test_the_list_of_possibilities_shows_every_verb() -> None:
    assert [usage.split(" [")[0] for usage in possible_commands()] != []
    assert all(any(usage.startswith(verb) for usage in possible_commands()) for verb in Verb)


_WORDS = st.sampled_from(
    [*(verb.value for verb in Verb), "water=", "name=", "seconds=", ",", "640", "F", "ſ", "x"]
)


@settings(deadline=None, max_examples=300)
@given(st.one_of(st.text(), st.lists(st.one_of(_WORDS, st.text(max_size=4))).map(" ".join)))
def test_any_text_is_a_command_or_a_command_error_and_commands_survive_writing(text: str) -> None:
    try:
        command = parse_command(text)
    except CommandError:
        return
    assert parse_command(str(command)) == command
    assert describe(command)
    command.options()
