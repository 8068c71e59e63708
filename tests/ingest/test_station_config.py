"""A station's file: what it gives, and what every fault in it is answered with."""

import contextlib
import os
import re
import tomllib
from collections.abc import Iterator
from dataclasses import fields
from pathlib import Path
from typing import get_args

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pydantic import BaseModel, TypeAdapter, ValidationError

from drivers.declaration import Declaration, LineSettings
from ingest.assemble.settings import BenchRules
from ingest.checks import Limits
from ingest.commands import GRAMMAR, Command, Verb
from ingest.protocol import Protocol
from ingest.shipped import shipped_config
from ingest.species import SpeciesFile
from ingest.station_config import Station, load_station, station_from_sources
from ingest.station_file import BenchTable, InstrumentTable, LineOverride, StationFile
from ingest.toml_file import ConfigError
from office.answers.waters import WatersFile

EXAMPLE = shipped_config() / "station" / "example.toml"

MINIMAL = """\
[station]
name = "bank"

[[instrument]]
name = "board"
use = "board_mm"
port = "/dev/board"
"""


def station_of(folder: Path, text: str = MINIMAL, **tables: str) -> Station:
    """The station of this text, with `inventory="..."` or `history="..."` as its CSV file."""
    for kind, rows in tables.items():
        (folder / kind).mkdir(exist_ok=True)
        (folder / kind / "tags.csv").write_text(rows)
    path = folder / "STATION.toml"
    path.write_text(text)
    return load_station(path)


def refusal_of(folder: Path, text: str, **tables: str) -> list[str]:
    """What is said, one line a problem, the folder's path taken out."""
    with pytest.raises(ConfigError) as refusal:
        station_of(folder, text, **tables)
    return [line.replace(f"{folder}{os.sep}", "") for line in str(refusal.value).split("\n")]


def switched_on() -> str:
    """The example with every option switched on."""
    return re.sub(r'^#(?=[a-z_"\[])', "", EXAMPLE.read_text(), flags=re.MULTILINE)


# --- what a file gives --------------------------------------------------------------------------------------


def test_a_minimal_file_gives_the_defaults(tmp_path: Path) -> None:
    station = station_of(tmp_path)
    assert station.name == "bank"
    assert station.database == tmp_path / "work-up.sqlite"
    assert station.journal == tmp_path / "journal"
    assert station.journal_mirror is None
    assert station.log == tmp_path / "tallywell.log"
    assert station.zone.key == "UTC"
    assert station.file.survey is None
    assert list(station.benches) == ["main"]
    assert station.benches["main"].rules == BenchRules()
    assert station.benches["main"].species is None
    assert station.limits == Limits()
    assert station.species.get("largemouth_bass") is not None
    assert station.tag_commands == {}
    assert (station.inventory, station.history, station.problems) == ((), (), ())


def test_an_instrument_joins_its_file_its_port_and_its_bench(tmp_path: Path) -> None:
    text = MINIMAL + '[instrument.line]\nbaud = 4800\nparity = "even"\n'
    (board,) = station_of(tmp_path, text).instruments
    assert (board.name, board.bench, board.declaration.kind) == ("board", "main", "board")
    assert board.declaration.measure is not None
    assert (board.port.address, board.port.baud, board.port.parity) == ("/dev/board", 4800, "even")
    assert board.port.data_bits == board.declaration.line.data_bits


def test_a_station_overrides_what_the_instrument_file_says(tmp_path: Path) -> None:
    text = """\
[station]
name = "bank"

[[instrument]]
name = "reader"
use = "tag_hex_transmission"
port = "socket://127.0.0.1:4001"
witness = "repeat"
silence_s = 30.0
hex_order = "hex_bit1_first"

[[instrument]]
name = "scale"
use = "scale_state_prefix"
port = "/dev/scale"
step = 5
"""
    reader, scale = station_of(tmp_path, text).instruments
    assert reader.declaration.tags is not None
    assert list(reader.declaration.tags.forms) == ["hex_bit1_first"]
    assert (reader.declaration.witness, reader.declaration.silence_s) == ("repeat", 30.0)
    assert scale.declaration.measure is not None
    assert scale.declaration.measure.step == 5
    assert scale.declaration.witness == "known"


def test_numbers_of_a_bench_and_of_the_checks_are_passed_on(tmp_path: Path) -> None:
    text = MINIMAL + (
        '[bench.deck]\nspecies = "Bluegill"\ntags = "last"\necho_s = 3\nlength_type = "FL"\n'
        "[checks]\nshrink_mm = 12\nwr_serious = [30, 250]\n"
    )
    station = station_of(tmp_path, text)
    deck = station.benches["deck"]
    assert deck.rules == BenchRules(tags="last", echo_s=3.0)
    assert (deck.species, deck.length_type) == ("bluegill", "FL")
    assert station.instruments[0].bench == "deck"
    assert station.limits == Limits(shrink_mm=12.0, wr_serious=(30.0, 250.0))


def test_commands_of_tags_and_keys_are_parsed_and_species_become_slugs(tmp_path: Path) -> None:
    text = MINIMAL + (
        '[instrument.keys]\n"07" = "again"\n'
        '[commands.tags]\n"3E7.0000000385" = "species Largemouth bass"\n'
        '[commands.keys]\n"07" = "void"\n"08" = "next"\n'
    )
    station = station_of(tmp_path, text)
    assert station.tag_commands == {"999000000000901": Command(Verb.SPECIES, "largemouth_bass")}
    assert station.instruments[0].keys == {"07": Command(Verb.AGAIN), "08": Command(Verb.NEXT)}


def test_inventory_and_history_are_read_in_local_time_with_species_as_slugs(tmp_path: Path) -> None:
    station = station_of(
        tmp_path,
        MINIMAL.replace("[station]", '[station]\ntimezone = "America/Chicago"'),
        inventory="tag\n999000000000101\n9.99E+14\n",
        history="tag,date,species\n"
        "999000000000102,2025-05-12,Largemouth Bass\n"
        "999000000000103,2025-05-12,unicorn\n",
    )
    assert [row.tag for row in station.inventory] == ["999000000000101"]
    assert [(row.tag, row.capture.at, row.capture.species) for row in station.history] == [
        ("999000000000102", "2025-05-12T17:00:00.000Z", "largemouth_bass"),
        ("999000000000103", "2025-05-12T17:00:00.000Z", "unicorn"),
    ]
    assert [(problem.line, problem.column) for problem in station.problems] == [(3, "tag"), (3, "species")]


def test_a_tag_in_two_inventories_counts_once_and_is_said(tmp_path: Path) -> None:
    (tmp_path / "inventory").mkdir()
    (tmp_path / "inventory" / "other.csv").write_text("tag\n999000000000101\n")
    station = station_of(tmp_path, inventory="tag\n999000000000101\n")
    assert len(station.inventory) == 1
    assert "it counts once" in str(station.problems[0])


def test_own_species_and_instrument_files_come_before_the_shipped_ones(tmp_path: Path) -> None:
    (tmp_path / "own").mkdir()
    shipped = (shipped_config() / "species" / "bluegill.toml").read_text()
    (tmp_path / "own" / "bluegill.toml").write_text(
        re.sub(r"(?m)^common = .*$", 'common = "Our bream"', shipped)
    )
    board = (shipped_config() / "instruments" / "board_mm.toml").read_text()
    (tmp_path / "own-instruments").mkdir()
    (tmp_path / "own-instruments" / "board_mm.toml").write_text(
        board.replace("ruler_max_mm = 1000", "ruler_max_mm = 700")
    )
    text = MINIMAL.replace("[station]", '[station]\nspecies = "own"\ninstruments = "own-instruments"')
    station = station_of(tmp_path, text)
    bluegill = station.species.get("bluegill")
    assert bluegill is not None
    assert bluegill.common == "Our bream"
    measure = station.instruments[0].declaration.measure
    assert measure is not None
    assert measure.ruler_max_mm == 700


def test_the_kept_sources_give_the_same_station_without_any_file(tmp_path: Path) -> None:
    text = MINIMAL + '[bench.main]\nspecies = "bluegill"\n'
    station = station_of(
        tmp_path, text, inventory="tag\n999000000000101\n", history="tag,at\n999000000000102,2025-05-12\n"
    )
    kept = [(str(source.kind), source.name, source.data) for source in station.sources]
    assert {kind for kind, _, _ in kept} == {
        "station",
        "protocol",
        "species",
        "instrument",
        "inventory",
        "history",
    }
    again = station_from_sources(kept, tmp_path)
    assert (again.file, again.benches, again.instruments) == (
        station.file,
        station.benches,
        station.instruments,
    )
    assert (again.species, again.protocol) == (station.species, station.protocol)
    assert (again.inventory, again.history) == (station.inventory, station.history)
    assert again.sources == station.sources


@pytest.mark.parametrize("left_out", ["station", "protocol", "instrument", "species"])
def test_sources_that_are_not_complete_are_a_config_error(tmp_path: Path, left_out: str) -> None:
    text = MINIMAL + '[bench.main]\nspecies = "bluegill"\n'
    kept = [source for source in station_of(tmp_path, text).sources if source.kind != left_out]
    with pytest.raises(ConfigError):
        station_from_sources(kept)


def test_a_kind_of_source_that_is_unknown_is_a_config_error() -> None:
    with pytest.raises(ConfigError, match='"weather" is no kind of source'):
        station_from_sources([("weather", "x", b"")])


# --- what is refused ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "line", "key", "said"),
    [
        (
            MINIMAL.replace("board_mm", "board_mn"),
            6,
            "instrument[0].use",
            'there is no instrument file "board_mn"; did you mean "board_mm"?',
        ),
        (
            MINIMAL.replace("board_mm", "mine.toml"),
            6,
            "instrument[0].use",
            'there is no instrument file "mine.toml"; mine.toml is no file.',
        ),
        (
            MINIMAL.replace('"/dev/board"', '"COM3"'),
            7,
            "instrument[0].port",
            "the address 'COM3' is in no known form",
        ),
        (
            MINIMAL + 'bench = "deck"\n',
            8,
            "instrument[0].bench",
            'there is no bench "deck"; known are main.',
        ),
        (
            MINIMAL + "[bench.one]\n[bench.two]\n",
            4,
            "instrument[0]",
            "the station has several benches: add bench = one of one, two.",
        ),
        (
            MINIMAL + '[[instrument]]\nname = "board"\nuse = "board_cm"\nport = "/dev/other"\n',
            9,
            "instrument[1].name",
            '"board" names two instruments; change one.',
        ),
        (
            MINIMAL + '[[instrument]]\nname = "b2"\nuse = "board_cm"\nport = "/dev/board"\n',
            11,
            "instrument[1].port",
            '/dev/board is the port of "board" too;',
        ),
        (MINIMAL + "step = 3\n", 8, "instrument[0].step", "should be 1, 2 or 5, but it is 3."),
        (
            MINIMAL + 'witness = "never"\n',
            8,
            "instrument[0].witness",
            "should be 'known' or",
        ),
        (
            MINIMAL + 'hex_order = "hex_transmission"\n',
            8,
            "instrument[0].hex_order",
            "board_mm is no reader that sends 16 hex digits",
        ),
        (
            MINIMAL + "[instrument.line]\nbaud = 1\n",
            9,
            "instrument[0].line.baud",
            "should be greater than or equal to 50, but it is 1.",
        ),
        (
            MINIMAL.replace("board_mm", "tag_plain") + "step = 2\n",
            8,
            "instrument[0].step",
            "tag_plain measures nothing: take the step out.",
        ),
        (
            MINIMAL + '[bench.main]\nspecies = "largemouth bas"\n',
            9,
            "bench.main.species",
            '"largemouth bas" is no species of the book; did you mean "largemouth_bass"?',
        ),
        (
            MINIMAL + '[commands.tags]\n"999000000000901" = "species unicorn"\n',
            9,
            "commands.tags.999000000000901",
            '"unicorn" is no species of the book; look for',
        ),
        (
            MINIMAL + '[commands.tags]\n"99900000000090" = "void"\n',
            9,
            "commands.tags.99900000000090",
            "the code of a command tag must be a tag code:",
        ),
        (
            MINIMAL + '[commands.tags]\n"999000000000901" = "void"\n"3E7.0000000385" = "next"\n',
            10,
            "commands.tags.3E7.0000000385",
            "999000000000901 has a command already;",
        ),
        (
            MINIMAL + '[commands.keys]\n"07" = "viod"\n',
            9,
            "commands.keys.07",
            '"viod" is no command (meant "void"?); possible are:',
        ),
        (
            MINIMAL + '[instrument.keys]\n"07" = "viod"\n',
            9,
            "instrument[0].keys.07",
            '"viod" is no command',
        ),
        (
            MINIMAL.replace("[station]", '[station]\nprotocol = "all_part"'),
            2,
            "station.protocol",
            'there is no protocol "all_part"; did you mean "all_parts"?',
        ),
        (
            MINIMAL.replace("[station]", '[station]\nprotocol = "x"'),
            2,
            "station.protocol",
            'there is no protocol "x"; known are all_parts,',
        ),
        (
            MINIMAL.replace("[station]", '[station]\nspecies = "none"'),
            2,
            "station.species",
            "there is no folder none; make it, or take the key out.",
        ),
        (
            MINIMAL.replace("[station]", '[station]\ninstruments = "none"'),
            2,
            "station.instruments",
            "there is no folder none; make it, or take the key out.",
        ),
        (
            MINIMAL.replace("[station]", '[station]\ninventory = ["a/*.csv", "box.csv"]'),
            2,
            "station.inventory[1]",
            'there is no file "box.csv"; check the name',
        ),
        (
            MINIMAL.replace("[station]", '[station]\ntimezone = "Chicago"'),
            2,
            "station.timezone",
            '"Chicago" is no IANA time zone; write for example',
        ),
        (
            MINIMAL + "[checks]\nwr_notice = [60, 90]\n",
            9,
            "checks.wr_notice",
            "[60.0, 90.0] must be [least, greatest] with 100 between them.",
        ),
        (
            MINIMAL + "[checks]\nwr_notice = [30, 140]\nwr_serious = [40, 200]\n",
            8,
            "checks",
            "wr_notice [30.0, 140.0] must lie inside wr_serious [40.0, 200.0].",
        ),
        (
            MINIMAL + "[bench.main]\necho_sec = 3\n",
            9,
            "bench.main.echo_sec",
            "unknown key; did you mean `echo_s`?",
        ),
        (
            MINIMAL + "[bench.main]\necho_s = 0\n",
            9,
            "bench.main.echo_s",
            "should be greater than 0",
        ),
        ('[station]\nname = "bank"\n', 1, "instrument", "this key is missing; add it."),
        (MINIMAL + "[bench]\n", 8, "bench", "a station needs at least one of these tables; add one."),
    ],
)
def test_each_fault_is_named_with_file_line_key_and_what_to_do(
    tmp_path: Path, text: str, line: int, key: str, said: str
) -> None:
    lines = refusal_of(tmp_path, text)
    assert len(lines) == 1
    assert lines[0].startswith(f"STATION.toml, line {line}, `{key}`: {said}")


def test_several_faults_are_all_named_at_once(tmp_path: Path) -> None:
    text = (
        MINIMAL + '[bench.main]\nspecies = "x"\n[commands.keys]\n"1" = "y"\n[commands.tags]\n"5" = "void"\n'
    )
    assert len(refusal_of(tmp_path, text)) == 3


@pytest.mark.parametrize(
    ("kind", "rows"),
    [("inventory", "tag\n999000000000901\n"), ("history", "tag,at\n3E7.0000000385,2025-05-12\n")],
)
def test_a_command_tag_that_a_fish_may_carry_is_refused(tmp_path: Path, kind: str, rows: str) -> None:
    text = MINIMAL + '[commands.tags]\n"999000000000901" = "void"\n'
    assert refusal_of(tmp_path, text, **{kind: rows}) == [
        "STATION.toml, line 9, `commands.tags.999000000000901`: 999000000000901 stands in "
        f"{kind}/tags.csv, line 2, so a fish may carry it; use another for the card."
    ]


def test_a_table_that_is_none_is_refused_with_its_name(tmp_path: Path) -> None:
    assert refusal_of(tmp_path, MINIMAL, inventory="code\n999000000000101\n") == [
        "inventory/tags.csv, line 1, `tag`: no column is headed tag; name it in the heading."
    ]


def test_a_table_in_another_encoding_is_refused_with_its_name(tmp_path: Path) -> None:
    (tmp_path / "history").mkdir()
    (tmp_path / "history" / "old.csv").write_bytes("tag,at,water\n1,2,Møn\n".encode("latin-1"))
    assert refusal_of(tmp_path, MINIMAL) == [
        "history/old.csv: byte 18 is not UTF-8 text; save the file as UTF-8."
    ]


def test_a_named_file_that_cannot_be_read_is_refused_with_its_name(tmp_path: Path) -> None:
    (tmp_path / "inventory" / "box.csv").mkdir(parents=True)
    assert refusal_of(tmp_path, MINIMAL) == [
        "inventory/box.csv: the file cannot be read (Is a directory); check that it is a file you may read."
    ]


def test_a_fault_in_an_instrument_file_of_the_station_is_named_there(tmp_path: Path) -> None:
    (tmp_path / "mine.toml").write_text(
        'name = "mine"\nkind = "boat"\nsummary = "x"\n[frame]\nend = "CR"\nmax_bytes = 9\n'
    )
    lines = refusal_of(tmp_path, MINIMAL.replace("board_mm", "mine.toml"))
    assert lines[0].startswith("mine.toml, line 2, `kind`: ")


def test_a_fault_in_a_protocol_of_the_station_is_named_there(tmp_path: Path) -> None:
    (tmp_path / "p.toml").write_text(
        'name = "p"\nsummary = "x"\n[default]\n[[rule]]\nspecies = ["unicorn"]\n'
    )
    lines = refusal_of(tmp_path, MINIMAL.replace("[station]", '[station]\nprotocol = "p.toml"'))
    assert lines[0].startswith("p.toml, line 5, `rule[0].species`: ")


def test_a_missing_station_file_is_a_config_error(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="there is no such file"):
        load_station(tmp_path / "STATION.toml")


def test_codes_of_observations_are_keys_and_those_of_the_crew_come_before_them(tmp_path: Path) -> None:
    observed = '[observations.mark]\nAD = "clipped"\n[observations.anomaly]\nLES = "lesion"\n'
    station = station_of(tmp_path, MINIMAL + observed + '[commands.keys]\nLES = "void"\n')
    keys = {key: str(command) for key, command in station.instruments[0].keys.items()}
    assert keys == {"AD": "mark AD", "LES": "void"}
    assert station.observations == {"mark": {"AD": "clipped"}, "anomaly": {"LES": "lesion"}}


def test_an_observation_code_that_cannot_be_told_from_another_is_an_error(tmp_path: Path) -> None:
    observed = '[observations.mark]\nAD = "clipped"\nad = "other"\n[observations.anomaly]\nAD = "lesion"\n'
    lines = refusal_of(tmp_path, MINIMAL + observed)
    assert any('"AD" is the same code; keep one of them.' in line for line in lines)
    assert any('"AD" stands under [observations.mark] too.' in line for line in lines)
    assert refusal_of(tmp_path, MINIMAL + '[observations.sex]\nX = "female"\n')
    assert refusal_of(tmp_path, MINIMAL + '[observations.gape]\nX = "wide"\n')


def test_the_species_of_a_count_and_of_a_batch_is_one_of_the_book(tmp_path: Path) -> None:
    keys = '[commands.keys]\n1 = "count Bluegill +3"\n2 = "batch yellow perch count=3, weight=scale"\n'
    station = station_of(tmp_path, MINIMAL + keys)
    assert [str(command) for command in station.instruments[0].keys.values()] == [
        "count bluegill 3", "batch yellow_perch count=3, weight=scale",
    ]  # fmt: skip
    assert refusal_of(tmp_path, MINIMAL + '[commands.keys]\n1 = "count unicorn 3"\n')


MODELS = (StationFile, Declaration, Protocol, SpeciesFile, WatersFile)


def yes_or_no(model: type[BaseModel]) -> Iterator[tuple[str, TypeAdapter[object]]]:
    """Every yes or no in a model and the tables within it."""
    for name, info in model.model_fields.items():
        kinds = set(parts_of(info.annotation))
        if bool in kinds:
            yield f"{model.__name__}.{name}", TypeAdapter(info.rebuild_annotation())
        for kind in kinds:
            if isinstance(kind, type) and issubclass(kind, BaseModel):
                yield from yes_or_no(kind)


def parts_of(annotation: object) -> Iterator[object]:
    yield annotation
    for part in get_args(annotation):
        yield from parts_of(part)


YES_OR_NO = {name: kind for model in MODELS for name, kind in yes_or_no(model)}


def test_the_files_ask_for_yes_or_no_in_many_places() -> None:
    assert {"SoundsTable.on", "StickTable.on", "LineOverride.dtr", "Cohort.all"} <= YES_OR_NO.keys()


@pytest.mark.parametrize("written", [0, 1, 1.0, "yes", "true"])
@pytest.mark.parametrize("name", YES_OR_NO)
def test_yes_and_no_are_true_and_false_in_every_file(name: str, written: object) -> None:
    with pytest.raises(ValidationError):
        YES_OR_NO[name].validate_python(written)
    assert YES_OR_NO[name].validate_python(True) is True


def test_a_yes_in_words_is_answered_with_what_to_write(tmp_path: Path) -> None:
    assert refusal_of(tmp_path, MINIMAL + '[sounds]\nspeech = "yes"\n[stick]\non = 1\n') == [
        "STATION.toml, line 9, `sounds.speech`: write true or false (without quotes), not 'yes'.",
        "STATION.toml, line 11, `stick.on`: write true or false (without quotes), not 1.",
    ]


# --- the example --------------------------------------------------------------------------------------------


def keys_of(model: type[BaseModel], prefix: str = "") -> set[str]:
    """Dotted keys of a model, its tables included, array indices and chosen names left out."""
    inner = {"bench.": BenchTable, "instrument.": InstrumentTable}
    found = set()
    for name, info in model.model_fields.items():
        kinds = (inner.get(f"{prefix}{name}."), info.annotation, *get_args(info.annotation))
        tables = [kind for kind in kinds if isinstance(kind, type) and issubclass(kind, BaseModel)]
        found |= keys_of(tables[0], f"{prefix}{name}.") if tables else {f"{prefix}{name}"}
    return found


def keys_in(data: object, prefix: str = "") -> set[str]:
    if isinstance(data, list) and data and isinstance(data[0], dict):
        return {key for one in data for key in keys_in(one, prefix)}
    free = ("commands.tags.", "commands.keys.", "instrument.keys.", "instrument.antennas.", "observations.")
    if not isinstance(data, dict) or prefix in free:
        return {prefix.removesuffix(".")}
    inner = data["main"] if prefix == "bench." else data
    return {key for name, value in inner.items() for key in keys_in(value, f"{prefix}{name}.")}


def test_the_example_shows_every_option_and_no_other() -> None:
    assert keys_in(tomllib.loads(switched_on())) == keys_of(StationFile)


def test_the_example_shows_every_command_and_the_defaults() -> None:
    words = " ".join(line.lstrip("# ") for line in EXAMPLE.read_text().split("\n"))
    assert [rule.usage for rule in GRAMMAR.values() if rule.usage not in words] == []
    bench = tomllib.loads(switched_on())["bench"]["main"]
    assert bench == {**BenchTable(species="largemouth_bass").model_dump(), "species": "largemouth_bass"}


def test_the_example_loads_as_it_stands_and_with_every_option_on(tmp_path: Path) -> None:
    plain = station_of(tmp_path, EXAMPLE.read_text())
    assert [one.name for one in plain.instruments] == ["reader", "board", "scale"]
    for folder in ("species", "instruments"):
        (tmp_path / folder).mkdir()
    full = station_of(tmp_path, switched_on())
    assert [one.name for one in full.instruments] == [
        "reader",
        "board",
        "scale",
        "hand-reader",
        "gate-reader",
    ]
    assert full.journal_mirror == Path("/media/stick/journal")


@pytest.mark.parametrize(("kind", "key"), [("instruments", "use"), ("protocol", "protocol")])
def test_every_shipped_file_can_be_used_by_a_station(tmp_path: Path, kind: str, key: str) -> None:
    names = sorted(path.stem for path in (shipped_config() / kind).glob("*.toml"))
    assert names
    for name in names:
        text = (
            MINIMAL.replace("[station]", f'[station]\nprotocol = "{name}"')
            if key == "protocol"
            else (MINIMAL.replace("board_mm", name))
        )
        station_of(tmp_path, text)


def test_every_shipped_species_is_in_the_book(tmp_path: Path) -> None:
    slugs = {path.stem for path in (shipped_config() / "species").glob("*.toml")}
    assert set(station_of(tmp_path).species.by_slug) == slugs


def test_tables_have_the_fields_of_what_they_set() -> None:
    assert {field.name for field in fields(BenchRules)} <= set(BenchTable.model_fields)
    assert set(LineOverride.model_fields) == set(LineSettings.model_fields) - {"usb"}  # not a setting


# --- any text -----------------------------------------------------------------------------------------------

_FULL = switched_on()


@settings(
    deadline=None,
    max_examples=40,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(
    st.integers(0, len(_FULL)),
    st.integers(0, 40),
    st.one_of(
        st.text(max_size=5), st.sampled_from(['"', "\n[[instrument]]\n", "[", "= 1e999", '"\\u0000"', "nan"])
    ),
)
def test_a_mutilated_file_loads_or_is_a_config_error(tmp_path: Path, at: int, length: int, put: str) -> None:
    for folder in ("species", "instruments"):
        (tmp_path / folder).mkdir(exist_ok=True)
    path = tmp_path / "STATION.toml"
    path.write_text(_FULL[:at] + put + _FULL[at + length :], encoding="utf-8", errors="surrogatepass")
    with contextlib.suppress(ConfigError):
        assert load_station(path).instruments
