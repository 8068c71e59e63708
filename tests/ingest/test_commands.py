from decimal import Decimal
from pathlib import Path

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
)
from tests.ingest.desk import Desk

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
    "maturity  ripe": Command(Verb.MATURITY, "ripe"),
    "mark AD": Command(Verb.MARK, "AD"),
    "anomaly lesion": Command(Verb.ANOMALY, "lesion"),
    "sample S-014": Command(Verb.SAMPLE, "S-014"),
    "count +1": Command(Verb.COUNT, "+1"),
    "Count 012": Command(Verb.COUNT, "+12"),
    "count yellow perch +7": Command(Verb.COUNT, "yellow perch 7"),
    "batch count=40": Command(Verb.BATCH, "count=40"),
    "Batch yellow  perch, Count=040 weight=Scale, container=850.5 lengths=120, 131,145 fate=Kept note=live well": Command(
        Verb.BATCH,
        "yellow perch count=40, weight=scale, container=850.5, lengths=120,131,145, fate=kept, note=live well",
    ),
    "batch bluegill count=9 lengths=BOARD": Command(Verb.BATCH, "bluegill count=9, lengths=board"),
    "run start area=3, upper gear=boat pass=2 settings=DC 60 Hz, 25 %": Command(
        Verb.RUN_START, "area=3, upper, gear=boat, pass=2, settings=DC 60 Hz, 25 %"
    ),
    "work-up run 02": Command(Verb.WORK_UP_RUN, "2"),
    "work-up run Last": Command(Verb.WORK_UP_RUN, "last"),
    "crew Netter=AB2 tagger=CD": Command(Verb.CREW, "netter=AB2, tagger=CD"),
    "treatment agent=invented, dose=40 mg/l withdrawal=2026-06-02": Command(
        Verb.TREATMENT, "agent=invented, dose=40 mg/l, withdrawal=2026-06-02"
    ),
    "treatment end": Command(Verb.TREATMENT_END),
    "survey open": Command(Verb.SURVEY_OPEN),
    "Survey Open water=Mill Pond, upper name = Spring": Command(
        Verb.SURVEY_OPEN, "water=Mill Pond, upper, name=Spring"
    ),
    "survey close": Command(Verb.SURVEY_CLOSE),
    "survey name Spring 2026": Command(Verb.SURVEY_NAME, "Spring 2026"),
    "run start": Command(Verb.RUN_START),
    "run end": Command(Verb.RUN_END),
    "run end Seconds=640.5": Command(Verb.RUN_END, "seconds=640.5"),
    "run start area=dam Temperature=14,5, conductivity=240": Command(
        Verb.RUN_START, "area=dam, temperature=14.5, conductivity=240"
    ),
    "run end temperature=-0.5 seconds=640 conductivity=1284.5": Command(
        Verb.RUN_END, "temperature=-0.5, seconds=640, conductivity=1284.5"
    ),
}


@pytest.mark.parametrize(("text", "command"), EXAMPLES.items())
def test_each_way_of_writing_gives_its_command(text: str, command: Command) -> None:
    assert parse_command(text) == command


def test_every_verb_has_a_row_an_example_and_plain_words() -> None:
    assert set(GRAMMAR) == set(Verb) == {command.verb for command in EXAMPLES.values()}
    assert len({describe(command) for command in EXAMPLES.values()}) == len(set(EXAMPLES.values()))


@pytest.mark.parametrize("verb", Verb)
def test_a_station_answers_every_verb_in_hand_or_not(verb: Verb, tmp_path: Path) -> None:
    text = str(next(command for command in EXAMPLES.values() if command.verb is verb))
    desk = Desk.at(tmp_path).length(312)
    for _ in ("in hand", "saved"):
        before = len(desk.said)
        desk.command(text)
        assert len(desk.said) > before
        desk.weigh(412)


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
        (Command(Verb.COUNT, "+3"), "count 3 of the species chosen"),
        (Command(Verb.COUNT, "yellow_perch 3"), "count 3 yellow perch"),
        (Command(Verb.BATCH, "yellow_perch count=3, weight=90"), "a batch: yellow perch, count 3, weight 90"),
        (Command(Verb.WORK_UP_RUN, "last"), "fish now belong to run last"),
    ],
)
def test_a_command_is_described_in_plain_words(command: Command, words: str) -> None:
    assert describe(command) == words


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "an empty command says nothing; possible are: species, species-once, fate,"),
        ("viod", 'meant "void"?'),
        ("make tea", "possible are: species, species-once, fate,"),
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
        ("count", "does not say which; write count +NUMBER"),
        ("count 0", "counts no fish"),
        ("count bluegill", "write count +NUMBER or count SPECIES NUMBER"),
        ("count -3", "counts no fish"),
        ("batch bluegill", "does not say enough; write batch SPECIES count=NUMBER"),
        ("batch bluegill count=few", "count=few is not a whole number from 1"),
        ("batch count=3 weight=heavy", "weight=heavy is not a weight in g"),
        ("batch count=3 container=-5", "container=-5 is not a weight in g"),
        ("batch count=3 lengths=120,0", "lengths=120,0 are not lengths in mm"),
        ("batch count=3 fate=lost", "write fate=released|removed"),
        ("work-up run", "does not say which; write work-up run NUMBER|last"),
        ("work-up run first", "names no run"),
        ("crew", "does not say enough; write crew POST=CODE"),
        ("crew netter=Anna Lee", "is not a code of a person"),
        ("treatment dose=40", "does not say enough; write treatment agent=AGENT"),
        ("treatment agent=x withdrawal=June", "withdrawal=June is not a day"),
        ("treatment agent=x withdrawal=2026-02-30", "withdrawal=2026-02-30 is not a day"),
        ("run start pass=first", "pass=first is not a whole number"),
        ("run start temperature=warm", "temperature=warm is not a temperature in degrees Celsius"),
        ("run start temperature=14.5 C", "write for example temperature=14.5"),
        ("run start temperature=58", "temperature=58 is not that of a water: give -2 to 45 degrees Celsius"),
        ("run end temperature=-2.1", "give -2 to 45 degrees Celsius"),
        ("run end conductivity=0.24", "give 1 to 60000 uS/cm (0.24 mS/cm are 240 uS/cm)"),
        ("run end conductivity=60000.1", "give 1 to 60000 uS/cm"),
        ("run start conductivity=1,284", "conductivity=1,284 is not a conductivity in uS/cm"),
        ("run start conductivity=nan", "write for example conductivity=240"),
        ("run start conductivity=240 temperature=14 conductivity=24", "gives conductivity twice"),
    ],
)
def test_what_is_no_command_is_refused_with_what_is_possible(text: str, says: str) -> None:
    with pytest.raises(CommandError) as refusal:
        parse_command(text)
    assert says in str(refusal.value)


_WORDS = st.sampled_from(
    [
        *(verb.value for verb in Verb),
        "count=",
        "weight=",
        "lengths=",
        "withdrawal=",
        "+1",
        "water=",
        "name=",
        "seconds=",
        "temperature=",
        "conductivity=",
        "-1,5",
        ",",
        "640",
        "F",
        "ſ",
        "x",
    ]
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
    renamed = command.with_species("yellow_perch")
    assert renamed.species() == (None if command.species() is None else "yellow_perch")
    assert parse_command(str(renamed)) == renamed
    assert (renamed.options(), renamed.number()) == (command.options(), command.number())


@settings(deadline=None)
@given(
    st.sampled_from(["run start", "run end"]),
    st.decimals(-200, 200, places=2),
    st.decimals(0, 200_000, places=1),
    st.sampled_from([".", ","]),
)
def test_what_is_read_of_the_water_is_taken_to_the_digit_or_refused_and_never_something_else(
    verb: str, celsius: Decimal, us_per_cm: Decimal, point: str
) -> None:
    text = f"{verb} temperature={str(celsius).replace('.', point)}, conductivity={us_per_cm}"
    if not (-2 <= celsius <= 45 and 1 <= us_per_cm <= 60_000):
        with pytest.raises(CommandError, match="is not that of a water"):
            parse_command(text)
        return
    options = parse_command(text).options()
    assert {key: Decimal(value) for key, value in options.items()} == {
        "temperature": celsius,
        "conductivity": us_per_cm,
    }
