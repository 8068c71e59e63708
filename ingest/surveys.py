"""Surveys and runs: opening, naming, closing. Pure; the state is the engine's.

No reading is refused because no survey is open: a provisional one opens by itself and is named later. Fish belong to
the work-up run: the one that the crew chose, else the one that ended last (see `SurveyState.work_up_run`).
"""

from collections.abc import Mapping

from ingest.assemble.context import SurveyState
from ingest.assemble.parts import Ref
from ingest.commands import Command, Verb
from ingest.engine_state import EngineState, Surroundings
from ingest.records import Change, RunMethod, RunPlace, SaveRun, SaveSurvey, derived_id
from ingest.run_place import place_at_end, place_at_start, place_meanwhile, place_with_hand_readings
from ingest.station import Station
from ingest.survey_log import Answer, end_treatments, note_crew, start_treatment

STATION_VERBS = frozenset(
    {
        Verb.SURVEY_OPEN,
        Verb.SURVEY_CLOSE,
        Verb.SURVEY_NAME,
        Verb.RUN_START,
        Verb.RUN_END,
        Verb.WORK_UP_RUN,
        Verb.CREW,
        Verb.TREATMENT,
        Verb.TREATMENT_END,
    }
)
# What a crew says before the first fish of a day: it holds for the survey that begins with it. A count is fish.
OPENING_VERBS = frozenset(
    {
        Verb.SPECIES,
        Verb.UNTAGGED,
        Verb.SURVEY_NAME,
        Verb.RUN_START,
        Verb.CREW,
        Verb.TREATMENT,
        Verb.COUNT,
        Verb.BATCH,
    }
)


def ensure_survey(state: EngineState, station: Station, ref: Ref) -> Answer:
    """The first reading without a survey opens one: as the station's file names it, else a provisional one."""
    configured = station.file.survey
    name = configured.name if configured else None
    water = configured.water if configured else None
    provisional = water is None and name is None
    _open(state, station, ref, name, water, provisional)
    said = (
        "No survey was open: a provisional one has begun. Name it with 'survey open water=..., name=...'."
        if provisional
        else f"Survey begun: {_title(name, water)}."
    )
    return Answer(True, said, [_row(state, station)])


def on_survey_command(command: Command, state: EngineState, station: Station, ref: Ref) -> Answer:
    """Carry out one of `STATION_VERBS`. The benches are already closed when a survey closes."""
    survey = state.survey
    options = command.options()
    if command.verb is Verb.SURVEY_OPEN:
        return _open_or_name(state, station, ref, options)
    if survey is None:
        return Answer(False, f"No survey is open: '{command.verb}' does nothing.")
    if command.verb is Verb.SURVEY_NAME:
        survey.name, survey.provisional = command.argument, False
        return Answer(True, f"The survey is named {command.argument}.", [_row(state, station)])
    if command.verb is Verb.SURVEY_CLOSE:
        changes: list[Change] = []
        if survey.run_open:
            changes += _end_run(survey, state.around, ref, {}).changes
        changes += end_treatments(survey, ref, lambda one: True)
        row = _row(state, station, closed_at=ref.at)
        state.survey = None
        return Answer(True, f"Survey closed: {_title(survey.name, survey.water)}.", [*changes, row])
    if command.verb is Verb.RUN_START:
        return _start_run(survey, state.around, ref, options)
    if command.verb is Verb.WORK_UP_RUN:
        return _work_up(survey, command.number())
    if command.verb is Verb.CREW:
        return note_crew(survey, ref, options)
    if command.verb is Verb.TREATMENT:
        return start_treatment(survey, ref, options)
    if command.verb is Verb.TREATMENT_END:
        ended = end_treatments(survey, ref, lambda one: True)
        if not ended:
            return Answer(False, "No treatment is in force: 'treatment end' does nothing.")
        return Answer(True, "Fish from now on are not treated.", ended)
    return _end_run(survey, state.around, ref, options)


def _open_or_name(state: EngineState, station: Station, ref: Ref, options: dict[str, str]) -> Answer:
    survey = state.survey
    name, water = options.get("name"), options.get("water")
    if survey is None:
        configured = station.file.survey
        if configured is not None and name is None and water is None:
            name, water = configured.name, configured.water
        _open(state, station, ref, name, water, provisional=name is None and water is None)
        return Answer(True, f"Survey begun: {_title(name, water)}.", [_row(state, station)])
    if not survey.provisional:
        return Answer(False, f"The survey {_title(survey.name, survey.water)} is still open: close it first.")
    if name is None and water is None:
        return Answer(False, "The provisional survey needs a name: 'survey open water=..., name=...'.")
    survey.name, survey.water, survey.provisional = name, water, False
    survey.relations.clear()
    return Answer(
        True, f"The provisional survey is now {_title(name, water)}; its fish stay.", [_row(state, station)]
    )


def _open(
    state: EngineState, station: Station, ref: Ref, name: str | None, water: str | None, provisional: bool
) -> None:
    state.survey = SurveyState(
        survey_id=derived_id("survey", ref.journal_id, ref.n),
        name=name,
        water=water,
        protocol=station.protocol.name,
        opened_at=ref.at,
        provisional=provisional,
    )


def _row(state: EngineState, station: Station, closed_at: str | None = None) -> SaveSurvey:
    survey = state.survey
    assert survey is not None
    return SaveSurvey(
        survey.survey_id,
        station.name,
        survey.name,
        survey.water,
        survey.protocol,
        survey.opened_at,
        closed_at,
        survey.provisional,
    )


def _work_up(survey: SurveyState, number: int | None) -> Answer:
    if number is not None and number > (survey.run_no or 0):
        return Answer(False, f"There is no run {number} yet: the last one is {survey.run_no or 'none'}.")
    survey.run_chosen = number
    now = survey.work_up_run
    return Answer(
        True, "Fish belong to no run: none has begun." if now is None else f"Fish now belong to run {now}."
    )


def _start_run(survey: SurveyState, around: Surroundings, ref: Ref, options: Mapping[str, str]) -> Answer:
    changes: list[Change] = []
    if survey.run_open:
        changes += _end_run(survey, around, ref, {}).changes
    survey.run_no = (survey.run_no or 0) + 1
    survey.run_started_at, survey.run_started_t_s, survey.run_open = ref.at, ref.t_s, True
    survey.run_place, water = _read_by_hand(place_at_start(around, ref.t_s), options)
    pass_no = options.get("pass")
    survey.run_method = RunMethod(
        options.get("area"),
        options.get("gear"),
        None if pass_no is None else int(pass_no),
        options.get("settings"),
    )
    changes.append(_run_row(survey, None, None))
    return Answer(True, f"Run {survey.run_no} begun{water}.{_whose_fish(survey)}", changes)


def _end_run(survey: SurveyState, around: Surroundings, ref: Ref, options: Mapping[str, str]) -> Answer:
    if not survey.run_open or survey.run_no is None or survey.run_started_at is None:
        return Answer(False, "No run is open: 'run end' does nothing.")
    survey.run_open = False
    survey.run_ended = survey.run_no
    survey.run_place, water = _read_by_hand(place_at_end(survey.run_place, around, ref.t_s), options)
    current_on_s = _number(options.get("seconds"))
    seconds = f", {current_on_s:g} s of current" if current_on_s is not None else ""
    return Answer(
        True,
        f"Run {survey.run_no} ended{seconds}{water}.{_whose_fish(survey)}",
        [_run_row(survey, ref.at, current_on_s)],
    )


def _read_by_hand(place: RunPlace, options: Mapping[str, str]) -> tuple[RunPlace, str]:
    """The place with what the crew read of its water, and the words for it: also what no longer counts."""
    water_c, conductivity = _number(options.get("temperature")), _number(options.get("conductivity"))
    said = ""
    for name, read, before, unit in (
        ("water", water_c, place.water_c, "C"),
        ("conductivity", conductivity, place.conductivity_us_per_cm, "uS/cm"),
    ):
        if read is not None:
            instead = "" if before is None or before == read else f" instead of {before:.7g} {unit}"
            said += f", {name} {read:.7g} {unit}{instead}"
    return place_with_hand_readings(place, water_c, conductivity), said


def _number(text: str | None) -> float | None:
    return None if text is None else float(text)


def _run_row(survey: SurveyState, ended_at: str | None, current_on_s: float | None) -> SaveRun:
    assert survey.run_no is not None
    assert survey.run_started_at is not None
    return SaveRun(
        survey.survey_id,
        survey.run_no,
        survey.run_started_at,
        ended_at,
        current_on_s,
        place=survey.run_place,
        method=survey.run_method,
    )


def _whose_fish(survey: SurveyState) -> str:
    """Said where it may surprise: the fish worked up now are not those of the run just named."""
    now = survey.work_up_run
    return "" if now == survey.run_no else f" Fish worked up now belong to run {now}."


def run_went_on(state: EngineState, t_s: float) -> list[Change]:
    """An instrument told something about the surroundings: what the open run did not know at its start, it takes."""
    survey = state.survey
    if survey is None or not survey.run_open:
        return []
    place = place_meanwhile(survey.run_place, state.around, survey.run_started_t_s, t_s)
    if place == survey.run_place:
        return []
    survey.run_place = place
    return [_run_row(survey, None, None)]


def _title(name: str | None, water: str | None) -> str:
    return ", ".join(part for part in (water, name) if part) or "not named yet"
