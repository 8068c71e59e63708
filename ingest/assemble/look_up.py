"""A tag read beside the bench, by a hand reader at the live well or at release: history shown, a sighting kept."""

from typing import TYPE_CHECKING

from ingest.assemble.facts import captures_facts
from ingest.assemble.parts import Ref
from ingest.assemble.tag_rules import judge, recapture_sentence
from ingest.records import Announcement, Sound, TagStatus

if TYPE_CHECKING:
    from ingest.assemble.bench import Bench

WHY = "looked up"


def look_up(bench: "Bench", tag: str, ref: Ref) -> None:
    """Say what is on record about this tag. Whatever is in hand on the bench stays as it is."""
    read = judge(bench, tag, True, ref)
    bench.sighting(read, WHY, ref)
    tail = f"...{tag[-4:]}"
    fish_id = bench.context.lookup.in_survey(bench.context.survey.survey_id, tag)
    if fish_id is not None:
        said = f"Tag {tail} is already done in this survey."
    elif read.prior:
        said = recapture_sentence(tail, read.prior, ref.at)
    elif read.status is TagStatus.UNKNOWN:
        said = f"Tag {tail} is on no list."
    else:
        said = f"Tag {tail} has no earlier capture."
    sound = Sound.RECAPTURE if read.prior else Sound.PART
    facts = {"tag": tag, "tag_status": read.status.value, **captures_facts(read.prior)}
    bench.announcements.append(  # of no fish in hand: whoever is on the bench has nothing to do with it
        Announcement("tag_looked_up", sound, said, bench.state.name, ref.at, fish_id, facts)
    )
