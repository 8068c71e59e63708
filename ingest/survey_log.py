"""What is said of the open survey besides its runs: treatments of the fish, and who stands at which post. Pure."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

from ingest.assemble.context import SurveyState
from ingest.assemble.parts import Ref
from ingest.catch_records import AddCrew, SaveTreatment
from ingest.records import Change, derived_id


@dataclass(slots=True)
class Answer:
    """What a survey command did, in one sentence."""

    done: bool
    sentence: str
    changes: list[Change] = field(default_factory=list)


def start_treatment(survey: SurveyState, ref: Ref, options: Mapping[str, str]) -> Answer:
    """Fish from now on are drugged: all of the survey, or those of one run. It takes the place of the one before."""
    run_no = int(options["run"]) if "run" in options else None
    if run_no is not None and run_no > (survey.run_no or 0):
        return Answer(False, f"There is no run {run_no} yet: the last one is {survey.run_no or 'none'}.")
    ended = end_treatments(survey, ref, lambda one: one.run_no == run_no)
    started = SaveTreatment(
        treatment_id=derived_id("treatment", ref.journal_id, ref.n),
        survey_id=survey.survey_id,
        run_no=run_no,
        agent=options["agent"],
        dose=options.get("dose"),
        withdrawal_until=options.get("withdrawal"),
        started_at=ref.at,
        ended_at=None,
        journal_id=ref.journal_id,
        n=ref.n,
    )
    survey.treatments.append(started)
    until = f"; not to be eaten before {started.withdrawal_until}" if started.withdrawal_until else ""
    whose = "fish from now on" if run_no is None else f"fish of run {run_no} from now on"
    return Answer(True, f"Treated with {started.agent}: {whose}{until}.", [*ended, started])


def end_treatments(survey: SurveyState, ref: Ref, which: Callable[[SaveTreatment], bool]) -> list[Change]:
    """End these treatments; gives their rows."""
    ended = [one for one in survey.treatments if which(one)]
    survey.treatments = [one for one in survey.treatments if not which(one)]
    return [replace(one, ended_at=ref.at) for one in ended]


def note_crew(survey: SurveyState, ref: Ref, options: Mapping[str, str]) -> Answer:
    """Who stands at which post from now on."""
    rows: list[Change] = [
        AddCrew(
            derived_id("crew", ref.journal_id, ref.n, index),
            survey.survey_id,
            survey.run_no,
            post,
            code,
            ref.at,
            ref.journal_id,
            ref.n,
        )
        for index, (post, code) in enumerate(options.items())
    ]
    said = ", ".join(f"{post} {code}" for post, code in options.items())
    return Answer(True, f"Crew: {said}.", rows)
