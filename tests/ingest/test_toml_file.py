"""Configuration errors name file, key and line; any text at all gives a model or a `ConfigError`."""

import tomllib
from pathlib import Path
from typing import Annotated, Any, Literal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import BaseModel, ConfigDict, Field, field_validator

from ingest.toml_file import ConfigError, Problem, load_toml, parse_toml
from ingest.toml_lines import KeyPath, key_lines


class Strict(BaseModel):
    model_config = ConfigDict(extra="forbid")


class Bench(Strict):
    tags: Literal["first", "last"] = "first"
    limit_s: float = 1.0


class Inner(Strict):
    values: list[int] = []


class Thing(Strict):
    name: str
    inner: Inner | None = None


class Port(Strict):
    kind: Literal["port"]
    baud: int = 9600


class Socket(Strict):
    kind: Literal["socket"]
    host: str


class Station(Strict):
    name: str
    bench: dict[str, Bench] = {}
    thing: list[Annotated[Thing, Field(description="a thing")]] = []
    link: Annotated[Port | Socket, Field(discriminator="kind")] | None = None
    point: dict[str, float] = {}
    renamed: int = Field(0, alias="count")

    @field_validator("name")
    @classmethod
    def _no_slash(cls, name: str) -> str:
        if "/" in name:
            raise ValueError(f"the name {name!r} holds a slash; leave it out.")
        return name


def problems(text: str) -> list[str]:
    with pytest.raises(ConfigError) as caught:
        parse_toml(text, Station, "s.toml")
    return str(caught.value).splitlines()


def model_or_problems(text: str) -> Station | tuple[Problem, ...]:
    try:
        return parse_toml(text, Station, "any.toml")
    except ConfigError as error:
        return error.problems


def test_a_good_file_becomes_the_model(tmp_path: Path) -> None:
    file = tmp_path / "station.toml"
    file.write_text('name = "north"\n[bench.main]\ntags = "last"\n', encoding="utf-8")
    station = load_toml(file, Station)
    assert (station.name, station.bench["main"].tags) == ("north", "last")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ('nam = "x"\nname = "y"', "s.toml, line 1, `nam`: unknown key; did you mean `name`?"),
        (
            'name = "x"\nzzz = 1',
            "s.toml, line 2, `zzz`: unknown key; known are bench, count, link, name, point, thing.",
        ),
        (
            'name = "x"\n[bench.main]\nlimit = 3',
            "s.toml, line 3, `bench.main.limit`: unknown key; did you mean `limit_s`?",
        ),
        (
            'name = "x"\n[[thing]]\nname = "a"\n[thing.inner]\nvalue = [1]',
            "s.toml, line 5, `thing[0].inner.value`: unknown key; did you mean `values`?",
        ),
        ("# nothing here", "s.toml, line 1, `name`: this key is missing; add it."),
        (
            'name = "x"\n[[thing]]\nname = "a"\n\n[[thing]]\n',
            "s.toml, line 5, `thing[1].name`: this key is missing; add it.",
        ),
        (
            'name = "x"\n[bench]\n"the north".limit_s = "long"',
            's.toml, line 3, `bench."the north".limit_s`: should be a valid number, unable to parse string as a '
            "number, but it is 'long'.",
        ),
        (
            'name = "x"\n[bench.main]\ntags = "lost"',
            "s.toml, line 3, `bench.main.tags`: should be 'first' or 'last', but it is 'lost'.",
        ),
        (
            'name = "x"\n[[thing]]\nname="a"\ninner = { values = [\n  1,\n  2, # two\n  "three",\n] }',
            "s.toml, line 7, `thing[0].inner.values[2]`: should be a valid integer, unable to parse "
            "string as an integer, but it is 'three'.",
        ),
        (
            'name = "x"\n[link]\nkind = "port"\nbaud = "fast"',
            "s.toml, line 4, `link.baud`: should be a valid integer, unable to parse string as an integer, but it is "
            "'fast'.",
        ),
        (
            'name = "x"\n[link]\nkind = "socket"',
            "s.toml, line 2, `link.host`: this key is missing; add it.",
        ),
        (
            'name = "x"\n[link]\nkind = "socket"\nhosts = "x"\nhost = "y"',
            "s.toml, line 4, `link.hosts`: unknown key; did you mean `host`?",
        ),
        ('name = "a/b"', "s.toml, line 1, `name`: the name 'a/b' holds a slash; leave it out."),
        (
            'name = "x"\n\npoint.x = 1\npoint.y = "two"',
            "s.toml, line 4, `point.y`: should be a valid number, unable to parse string as a "
            "number, but it is 'two'.",
        ),
        ('name = "x"\nbench = 5', "s.toml, line 2, `bench`: should be a valid dictionary, but it is 5."),
    ],
)
def test_a_problem_names_key_and_line(text: str, message: str) -> None:
    assert problems(text) == [message]


def test_all_problems_are_listed_in_the_order_of_the_file() -> None:
    found = problems('colour = "red"\n[bench.main]\ntags = "no"\nlimit_s = []\n')
    assert [line.split(",")[1].strip() for line in found] == ["line 1", "line 1", "line 3", "line 4"]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (
            'name = "x"\nlimit = = 3',
            "s.toml, line 2, column 9: not valid TOML: Invalid value.",
        ),
        ('name = "x\n', "s.toml, line 1, column 10: not valid TOML: Illegal character '\\n'."),
        ('name = "x"\na = [1,\n', "s.toml, line 3: not valid TOML: Invalid value at the end of the file."),
        ('name = "x"\nname = "y"\n', "s.toml, line 2, column 11: not valid TOML: Cannot overwrite a value."),
        ("a = " + "[" * 5000, "s.toml: brackets are nested too deeply to be meant; check the file."),
    ],
)
def test_a_syntax_error_names_line_and_column(text: str, message: str) -> None:
    assert problems(text) == [message]


def test_a_number_of_ten_thousand_digits_is_refused_in_words() -> None:
    assert problems("a = " + "9" * 10_000)[0].startswith("s.toml: not valid TOML: ")


@pytest.mark.parametrize("value", ["0x" + "F" * 6000, "[0x" + "F" * 6000 + "]"])
def test_a_number_too_long_to_be_shown_is_refused_in_words(value: str) -> None:
    assert problems(f"name = {value}")[0].endswith("but it is a number of thousands of digits.")


def test_a_missing_file_is_a_sentence(tmp_path: Path) -> None:
    with pytest.raises(
        ConfigError, match=r"no\.toml: there is no such file; check the name and the folder\."
    ):
        load_toml(tmp_path / "no.toml", Station)


def test_a_folder_in_place_of_a_file_is_a_sentence(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match=r"cannot be read \(Is a directory\)"):
        load_toml(tmp_path, Station)


@pytest.mark.parametrize("encoding", ["utf-16", "latin-1"])
def test_another_encoding_is_named(tmp_path: Path, encoding: str) -> None:
    file = tmp_path / "s.toml"
    file.write_bytes('name = "Brücke"'.encode(encoding))
    with pytest.raises(ConfigError, match=r"byte \d+ is not UTF-8 text; save the file as UTF-8\."):
        load_toml(file, Station)


def test_a_byte_order_mark_does_no_harm(tmp_path: Path) -> None:
    file = tmp_path / "s.toml"
    file.write_bytes(b'\xef\xbb\xbfname = "north"\r\n')
    assert load_toml(file, Station).name == "north"


@settings(deadline=None, max_examples=150)
@given(st.text(alphabet=st.one_of(st.sampled_from("[]{}=\"'.,#\n \\truefalsname12-:_"), st.characters())))
def test_any_text_gives_a_model_or_a_config_error(text: str) -> None:
    assert model_or_problems(text)


@settings(deadline=None, max_examples=100)
@given(st.data())
def test_a_mutilated_file_gives_a_model_or_a_config_error(data: st.DataObject) -> None:
    text = "name = \"x\"\npoint = { x = 1, y = 2.5 }\n[[thing]]\nname = 'a'\n[thing.inner]\nvalues = [\n 1, 2 ]\n[bench.a]\n"
    at = data.draw(st.integers(0, len(text)))
    until = data.draw(st.integers(at, min(len(text), at + 6)))
    mutilated = text[:at] + data.draw(st.text(max_size=4)) + text[until:]
    assert model_or_problems(mutilated)


@settings(deadline=None, max_examples=100)
@given(st.text(alphabet=st.sampled_from("[]{}=\"'.,#\n ab1")))
def test_the_line_finder_survives_text_that_is_not_toml(text: str) -> None:
    assert all(1 <= line <= text.count("\n") + 1 for line in key_lines(text).values())


def paths(value: Any, at: KeyPath = ()) -> set[KeyPath]:
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return {at}.union(*(paths(one, (*at, step)) for step, one in inner))


NAMES = st.sampled_from(["a", "b-c", "d_1", '"e.f"', "'#g'", '"h\\"i"'])
STRINGS = st.sampled_from(
    ['"x # = ["', "'lit]'", '"""two\n"lines" """', "'''it''s\n] = '''", '"\\\\"', '""', '""""quoted""""']
)
SCALARS = st.one_of(
    STRINGS, st.sampled_from(["1", "-2.5e3", "true", "1979-05-27 07:32:00", "1979-05-27", "inf"])
)
VALUES = st.recursive(
    SCALARS,
    lambda inner: st.one_of(
        st.lists(inner, max_size=3).map(lambda items: "[ # c\n" + ",\n".join(items) + "\n]"),
        st.lists(inner, max_size=2).map(
            lambda items: "{ " + ", ".join(f"k{n} = {item}" for n, item in enumerate(items)) + " }"
        ),
    ),
    max_leaves=5,
)


@settings(deadline=None, max_examples=150)
@given(st.lists(st.tuples(st.sampled_from(["pair", "table", "array"]), NAMES, VALUES), max_size=8))
def test_every_key_of_a_valid_file_is_found_on_its_line(parts: list[tuple[str, str, str]]) -> None:
    text, marks = "", {}
    for number, (kind, name, value) in enumerate(parts):
        header = {"pair": "", "table": f"[t{number}.{name}]\n", "array": f"[[arr.{name}]]\n"}[kind]
        text += header
        marks[f"unique{number}"] = text.count("\n") + 1
        text += f"unique{number}.{name} = {value}\n # comment\n"
    data = tomllib.loads(text)
    lines = key_lines(text)
    assert paths(data) - {()} == set(lines)
    for path, line in lines.items():
        if path[-1] in marks:
            assert line == marks[str(path[-1])]
