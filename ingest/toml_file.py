"""One TOML file in, one checked model out, or a `ConfigError` that says where to look: file, key, line.

Reading is the standard library's (`tomllib`), checking is pydantic's. Neither knows the line of a key:
that comes from `ingest.toml_lines`.
"""

import re
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from types import UnionType
from typing import Annotated, Any, TypeVar, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from ingest.toml_lines import KeyPath, key_lines

Model = TypeVar("Model", bound=BaseModel)


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong with a configuration file. `line` and `column` count from 1; `key` is dotted."""

    file: str
    text: str
    key: str = ""
    line: int | None = None
    column: int | None = None

    def __str__(self) -> str:
        where = self.file
        if self.line is not None:
            where += f", line {self.line}"
        if self.column is not None:
            where += f", column {self.column}"
        if self.key:
            where += f", `{self.key}`"
        return f"{where}: {self.text}"


class ConfigError(Exception):
    """Configuration that cannot be used. Lists every problem found, not only the first."""

    def __init__(self, problems: tuple[Problem, ...]) -> None:
        super().__init__("\n".join(str(problem) for problem in problems))
        self.problems = problems


def read_text(path: Path) -> str:
    """The text of a UTF-8 file (a byte order mark is dropped).

    Raises `ConfigError` if it is missing, unreadable or in another encoding.
    """
    try:
        return path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        text = f"byte {error.start} is not UTF-8 text; save the file as UTF-8."
    except FileNotFoundError:
        text = "there is no such file; check the name and the folder."
    except OSError as error:
        text = f"the file cannot be read ({error.strerror or error}); check that it is a file you may read."
    raise ConfigError((Problem(str(path), text),))


def load_toml(path: Path, model: type[Model], context: Mapping[str, object] | None = None) -> Model:
    """The file as a `model`. `context` reaches the model's validators. Raises only `ConfigError`."""
    return parse_toml(read_text(path), model, str(path), context)


def parse_toml(
    text: str, model: type[Model], file: str, context: Mapping[str, object] | None = None
) -> Model:
    """TOML text as a `model`; `file` is the name that messages give. Raises only `ConfigError`."""
    try:
        data = tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # beside syntax: an integer or a nesting beyond all reason
        raise ConfigError((_syntax_problem(error, text, file),)) from None
    try:
        return model.model_validate(data, context=dict(context or {}))
    except ValidationError as error:
        lines = key_lines(text)
        problems = (
            _model_problem(detail, data, model, lines, file) for detail in error.errors(include_url=False)
        )
        ordered = sorted(dict.fromkeys(problems), key=lambda problem: problem.line or 0)
        raise ConfigError(tuple(ordered)) from None


_AT = re.compile(r" \(at (?:line (\d+), column (\d+)|end of document)\)$")


def _syntax_problem(error: ValueError | RecursionError, text: str, file: str) -> Problem:
    if isinstance(error, RecursionError):
        return Problem(file, "brackets are nested too deeply to be meant; check the file.")
    message = str(error)
    at = _AT.search(message)
    if at is None:
        return Problem(file, f"not valid TOML: {message}.")
    said = message[: at.start()]
    if at[1] is None:
        return Problem(file, f"not valid TOML: {said} at the end of the file.", line=text.count("\n") + 1)
    return Problem(file, f"not valid TOML: {said}.", line=int(at[1]), column=int(at[2]))


def _model_problem(
    detail: ErrorDetails,
    data: Mapping[str, Any],
    model: type[BaseModel],
    lines: Mapping[KeyPath, int],
    file: str,
) -> Problem:
    kind = detail["type"]
    path = _path_in_data(detail["loc"], data, missing=kind == "missing")
    if kind == "missing":
        text = "this key is missing; add it."
    elif kind == "extra_forbidden":
        names = sorted(_valid_keys(model, path[:-1]))
        near = get_close_matches(str(path[-1]), names, n=1)
        advice = f"did you mean `{near[0]}`?" if near else f"known are {', '.join(names)}."
        text = f"unknown key; {advice}"
    elif kind in ("value_error", "assertion_error"):
        text = detail["msg"].partition(", ")[2]
    elif kind == "bool_type":
        text = f"write true or false (without quotes), not {_shown(detail['input'])}."
    else:
        said = detail["msg"].replace("Input should be", "should be")
        text = f"{said}, but it is {_shown(detail['input'])}."
    return Problem(file, text, _dotted(path), _line_of(path, lines))


def _path_in_data(loc: tuple[str | int, ...], data: object, *, missing: bool) -> KeyPath:
    """pydantic's location without the steps that are not in the file (the branch of a union)."""
    path: KeyPath = ()
    for position, step in enumerate(loc):
        here = data if isinstance(data, Mapping) else dict(enumerate(data)) if isinstance(data, list) else {}
        if step in here:
            data, path = here[step], (*path, step)
        elif missing and position == len(loc) - 1:
            path = (*path, step)
    return path


def _line_of(path: KeyPath, lines: Mapping[KeyPath, int]) -> int:
    """The line of the key, or of the nearest table around it; the top of the file counts as line 1."""
    while path:
        if path in lines:
            return lines[path]
        path = path[:-1]
    return 1


def _dotted(path: KeyPath) -> str:
    text = ""
    for step in path:
        if isinstance(step, int):
            text += f"[{step}]"
        else:
            name = step if re.fullmatch(r"[A-Za-z0-9_-]+", step) else f'"{step}"'
            text += f".{name}" if text else name
    return text


def _shown(value: object) -> str:
    try:
        text = repr(value)
    except ValueError:  # hexadecimal digits by the thousand: Python refuses to write them as a decimal number
        return "a number of thousands of digits"
    return text if len(text) <= 60 else f"{text[:57]}..."


def _valid_keys(model: type[BaseModel], path: KeyPath) -> set[str]:
    """The keys that the table at `path` may have."""
    types: list[Any] = [model]
    for step in path:
        types = [inner for outer in types for inner in _step_into(outer, step)]
    return {name for kind in types for name in _fields(kind)}


def _fields(kind: Any) -> dict[str, Any]:
    if not (isinstance(kind, type) and issubclass(kind, BaseModel)):
        return {}
    return {info.alias or name: info.annotation for name, info in kind.model_fields.items()}


def _step_into(kind: Any, step: str | int) -> list[Any]:
    if isinstance(step, str):
        fields = _fields(kind)
        if fields:
            return list(_plain_types(fields[step])) if step in fields else []
        return list(_plain_types(get_args(kind)[1])) if get_origin(kind) in (dict, Mapping) else []
    return [plain for inner in get_args(kind) for plain in _plain_types(inner)]


def _plain_types(kind: Any) -> Iterator[Any]:
    """The alternatives of a union, annotations taken off."""
    if get_origin(kind) is Annotated:
        yield from _plain_types(get_args(kind)[0])
    elif get_origin(kind) in (Union, UnionType):
        for inner in get_args(kind):
            yield from _plain_types(inner)
    else:
        yield kind
