"""What must fit together in a station: names, ports, species, commands, tables of tags. Reads no file."""

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import TypeVar
from zoneinfo import ZoneInfo

from pydantic import ValidationError

from drivers.declaration import Declaration
from drivers.tags import HEX16_FORMS, TagCodeError, parse_tag
from drivers.transport.settings import PortSettings, parse_address
from fishery.single import Relation
from ingest.checks import Limits
from ingest.commands import Command, CommandError, parse_command
from ingest.inventory import HistoryRow, InventoryTag, parse_history, parse_inventory
from ingest.protocol import Protocol, parse_protocol
from ingest.species import SpeciesBook, species_book
from ingest.station import Station, StationBench, StationInstrument, antenna_number
from ingest.station_file import ChecksTable, InstrumentTable, StationFile
from ingest.station_sources import Complaints, Source, SourceKind, source_text
from ingest.tag_table import TableProblem
from ingest.toml_file import ConfigError, Problem, parse_toml
from ingest.toml_lines import KeyPath
from ingest.water_relations import WaterRelations, parse_relations

Read = TypeVar("Read")


class StationBuilder:
    """Puts one station together and collects every problem on the way."""

    def __init__(
        self,
        file: StationFile,
        complaints: Complaints,
        sources: tuple[Source, ...],
        shown: Mapping[Source, str],
    ) -> None:
        self.file = file
        self.complaints = complaints
        self.sources = sources
        self.shown = shown
        self.table_problems: list[TableProblem] = []
        self.book = SpeciesBook({})

    def build(self, folder: Path) -> Station:
        texts = {self.shown[source]: text for source, text in self._texts("species")}
        if not texts:
            self.complaints.problems.append(
                Problem("species", "there is no species file; a station needs one.")
            )
        self.book = self._attempt(lambda: species_book(texts)) or self.book
        protocol = self._attempt(self._protocol)
        inventory = self._inventory()
        history = self._history()
        tag_commands = self._tag_commands(inventory, history)
        keys = self._observation_keys()
        keys |= self._commands(("commands", "keys"), self.file.commands.keys)
        benches = {name: self._bench(name) for name in self.file.bench}
        instruments = [self._instrument(index, keys) for index in range(len(self.file.instrument))]
        limits = self._attempt(self._limits)
        relations = self._attempt(self._relations) or {}
        if self.complaints.problems or protocol is None or limits is None:
            raise ConfigError(tuple(self.complaints.problems))
        return Station(
            folder=folder,
            file=self.file,
            benches=benches,
            instruments=tuple(one for one in instruments if one is not None),
            limits=limits,
            species=self.book,
            protocol=protocol,
            tag_commands=tag_commands,
            inventory=inventory,
            history=history,
            problems=tuple(self.table_problems),
            sources=self.sources,
            relations=relations,
        )

    # --- texts ----------------------------------------------------------------------------------------------

    def _attempt(self, read: Callable[[], Read]) -> Read | None:
        try:
            return read()
        except ConfigError as error:
            self.complaints.problems.extend(error.problems)
            return None

    def _texts(self, kind: SourceKind) -> Iterator[tuple[Source, str]]:
        """Every source of a kind, and its text if it is text."""
        for source in self.sources:
            if source.kind == kind:
                try:
                    yield source, source_text(source, self.shown[source])
                except ConfigError as error:
                    self.complaints.problems.extend(error.problems)

    def _tables(self, kind: SourceKind) -> Iterator[tuple[str, str]]:
        """Name and text: not the path, so that rows are the same wherever they are read again."""
        for source, text in self._texts(kind):
            yield source.name, text

    def _named_text(self, kind: SourceKind, name: str) -> tuple[str, str]:
        for source in self.sources:
            if source.kind == kind and source.name == name:
                return self.shown[source], source_text(source, self.shown[source])
        raise ConfigError((Problem(name, f"this {kind} file was not kept with the others."),))

    def _protocol(self) -> Protocol:
        shown, text = self._named_text("protocol", self.file.station.protocol)
        return parse_protocol(text, shown, self.book.by_slug.keys() or None)

    def _limits(self) -> Limits:
        """What the station's own file says comes before what a history pack says."""
        own = self.file.checks.model_dump(exclude_unset=True)
        packed: dict[str, object] = {}
        for name, text in self._tables("checks"):
            packed |= parse_toml(text, ChecksTable, name).model_dump(exclude_unset=True)
        try:
            return ChecksTable.model_validate(packed | own).limits()
        except ValidationError as error:
            said = error.errors(include_url=False)[0]["msg"].removeprefix("Value error, ")
            raise ConfigError(
                (Problem("checks", f"{said} (the pack's limits and the station's together)"),)
            ) from None

    def _relations(self) -> WaterRelations:
        found: dict[tuple[str, str], Relation] = {}
        for name, text in self._tables("relations"):
            found |= parse_relations(text, name)
        return found

    # --- tables of tags -------------------------------------------------------------------------------------

    def _inventory(self) -> tuple[InventoryTag, ...]:
        rows: dict[str, InventoryTag] = {}
        for name, text in self._tables("inventory"):
            found, problems = parse_inventory(text, name)
            self._note(problems)
            for row in found:
                if row.tag in rows:
                    first = rows[row.tag]
                    said = f"{row.tag} stands in {first.file}, line {first.line} too; it counts once."
                    problem = TableProblem(row.file, row.line, "tag", row.tag, said, "nothing")
                    self.table_problems.append(problem)
                rows.setdefault(row.tag, row)
        return tuple(rows.values())

    def _history(self) -> tuple[HistoryRow, ...]:
        rows: list[HistoryRow] = []
        zone = ZoneInfo(self.file.station.timezone)
        for name, text in self._tables("history"):
            found, problems = parse_history(text, name, zone)
            self._note(problems)
            rows.extend(self._with_slug(row) for row in found)
        return tuple(rows)

    def _with_slug(self, row: HistoryRow) -> HistoryRow:
        written = row.capture.species
        if written is None or not self.book.by_slug:
            return row
        species = self.book.find(written)
        if species is not None:
            return replace(row, capture=replace(row.capture, species=species.slug))
        said = f'"{written}" is no species of the book and is kept as written{self._meant(written)}.'
        self.table_problems.append(TableProblem(row.file, row.line, "species", written, said, "nothing"))
        return row

    def _note(self, problems: Iterable[TableProblem]) -> None:
        for problem in problems:
            if problem.left_out == "rest":
                self.complaints.problems.append(
                    Problem(problem.file, problem.text, problem.column, problem.line)
                )
            else:
                self.table_problems.append(problem)

    # --- commands -------------------------------------------------------------------------------------------

    def _tag_commands(
        self, inventory: tuple[InventoryTag, ...], history: tuple[HistoryRow, ...]
    ) -> Mapping[str, Command]:
        fish = {row.tag: (row.file, row.line) for row in inventory}
        fish |= {row.tag: (row.file, row.line) for row in history}
        commands: dict[str, Command] = {}
        for written, command in self._commands(("commands", "tags"), self.file.commands.tags).items():
            path = ("commands", "tags", written)
            try:
                tag = parse_tag(written).text
            except TagCodeError as error:
                self.complaints.say(path, f"the code of a command tag must be a tag code: {error}")
                continue
            if tag in commands:
                self.complaints.say(path, f"{tag} has a command already; keep one of them.")
            if tag in fish:
                where, line = fish[tag]
                said = (
                    f"{tag} stands in {where}, line {line}, so a fish may carry it; use another for the card."
                )
                self.complaints.say(path, said)
            commands[tag] = command
        return commands

    def _commands(self, path: KeyPath, written: Mapping[str, str]) -> dict[str, Command]:
        commands = {}
        for code, text in written.items():
            try:
                command = parse_command(text)
            except CommandError as error:
                self.complaints.say((*path, code), f"{error}.")
                continue
            species = command.species()
            if species is not None:
                slug = self._slug((*path, code), species)
                command = command.with_species(slug or species)
            commands[code] = command
        return commands

    def _observation_keys(self) -> dict[str, Command]:
        """Every code of an observation is a key that gives it; [commands.keys] come before."""
        keys: dict[str, Command] = {}
        for kind, codes in self.file.observations.items():
            known: dict[str, str] = {}
            for code in codes:
                path = ("observations", kind, code)
                if code.lower() in known:
                    self.complaints.say(path, f'"{known[code.lower()]}" is the same code; keep one of them.')
                if code in keys:
                    self.complaints.say(path, f'"{code}" stands under [observations.{keys[code].verb}] too.')
                known[code.lower()] = code
                try:
                    keys[code] = parse_command(f"{kind} {code}")
                except CommandError as error:
                    self.complaints.say(path, f"{error}.")
        return keys

    def _slug(self, path: KeyPath, name: str) -> str | None:
        if not self.book.by_slug:
            return None  # the book itself is at fault, and said so
        species = self.book.find(name)
        if species is None:
            self.complaints.say(path, f'"{name}" is no species of the book{self._meant(name)}.')
            return None
        return species.slug

    def _meant(self, name: str) -> str:
        near = self.book.nearest(name)
        return f'; did you mean "{near}"?' if near else "; look for its name in the folder of species files"

    # --- benches and instruments ----------------------------------------------------------------------------

    def _bench(self, name: str) -> StationBench:
        table = self.file.bench[name]
        slug = None if table.species is None else self._slug(("bench", name, "species"), table.species)
        return StationBench(name, table.rules(), slug, table.length_type)

    def _instrument(self, index: int, keys: Mapping[str, Command]) -> StationInstrument | None:
        table = self.file.instrument[index]
        here: KeyPath = ("instrument", index)
        for earlier in self.file.instrument[:index]:
            if earlier.name == table.name:
                self.complaints.say((*here, "name"), f'"{table.name}" names two instruments; change one.')
            if parse_address(earlier.port) == parse_address(table.port):
                said = f'{table.port} is the port of "{earlier.name}" too; each instrument needs its own.'
                self.complaints.say((*here, "port"), said)
        own_keys = self._commands((*here, "keys"), table.keys)
        declaration = self._attempt(lambda: self._declaration(table))
        bench = self._bench_of(table, declaration, here)
        antennas = self._antennas(table, declaration, here)
        if declaration is not None and table.role == "lookup" and declaration.kind != "tag_reader":
            said = f"{table.use} reads no tags, so it cannot look them up: take the role out."
            self.complaints.say((*here, "role"), said)
        if declaration is None or (declared := self._overridden(declaration, table, here)) is None:
            return None
        port = PortSettings(address=table.port, **declared.line.model_dump())
        return StationInstrument(
            table.name, bench, declared, port, {**keys, **own_keys}, antennas, table.role
        )

    def _bench_of(self, table: InstrumentTable, declaration: Declaration | None, here: KeyPath) -> str:
        names = ", ".join(self.file.bench)
        if table.bench is None:
            benchless = declaration is not None and declaration.kind == "navigation"
            if len(self.file.bench) > 1 and not benchless:
                self.complaints.say(here, f"the station has several benches: add bench = one of {names}.")
            return next(iter(self.file.bench))
        if table.bench not in self.file.bench:
            self.complaints.say((*here, "bench"), f'there is no bench "{table.bench}"; known are {names}.')
        return table.bench

    def _antennas(
        self, table: InstrumentTable, declaration: Declaration | None, here: KeyPath
    ) -> dict[str, str]:
        antennas: dict[str, str] = {}
        for written, bench in table.antennas.items():
            place = (*here, "antennas", written)
            if bench not in self.file.bench:
                names = ", ".join(self.file.bench)
                self.complaints.say(place, f'there is no bench "{bench}"; known are {names}.')
            if antenna_number(written) in antennas:
                self.complaints.say(place, f"antenna {antenna_number(written)} stands here twice; keep one.")
            antennas[antenna_number(written)] = bench
        if declaration is not None and antennas:
            if not any("(?P<antenna>" in pattern for pattern in declaration.patterns):
                said = f"the lines of {table.use} carry no antenna number: take the antennas out."
                self.complaints.say((*here, "antennas"), said)
            elif table.role == "lookup":
                said = "a reader for look-ups opens no fish on any bench: take the antennas out."
                self.complaints.say((*here, "antennas"), said)
        return antennas

    def _declaration(self, table: InstrumentTable) -> Declaration:
        shown, text = self._named_text("instrument", table.use)
        return parse_toml(text, Declaration, shown)

    def _overridden(
        self, declaration: Declaration, table: InstrumentTable, here: KeyPath
    ) -> Declaration | None:
        """The declaration with what the station sets differently, checked by its own model again."""
        data = declaration.model_dump(exclude_unset=True)
        places: dict[KeyPath, KeyPath] = {}  # in the declaration -> in the station's file
        for key, value in table.line.model_dump(exclude_none=True).items():
            data.setdefault("line", {})[key] = value
            places["line", key] = (*here, "line", key)
        for key in ("witness", "silence_s"):
            if getattr(table, key) is not None:
                data[key] = getattr(table, key)
                places[key,] = (*here, key)
        if table.step is not None:
            if declaration.measure is None:
                self.complaints.say((*here, "step"), f"{table.use} measures nothing: take the step out.")
                return None
            data["measure"]["step"] = table.step
            places["measure", "step"] = (*here, "step")
        if table.hex_order is not None:
            forms = declaration.tags.forms if declaration.tags else ()
            if not set(forms) & set(HEX16_FORMS):
                said = f"{table.use} is no reader that sends 16 hex digits: take the order out."
                self.complaints.say((*here, "hex_order"), said)
                return None
            data["tags"]["forms"] = [table.hex_order if form in HEX16_FORMS else form for form in forms]
        try:
            return Declaration.model_validate(data)
        except ValidationError as error:
            for detail in error.errors(include_url=False):
                place = next((places[path] for path in places if detail["loc"][: len(path)] == path), here)
                said = detail["msg"].removeprefix("Value error, ").replace("Input should be", "should be")
                self.complaints.say(place, f"{said}, but it is {detail['input']!r}.")
            return None
