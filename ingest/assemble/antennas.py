"""What a fish tells of an antenna that no bench has."""

from typing import TYPE_CHECKING

from ingest.assemble.parts import Ref
from ingest.records import AddFinding, Finding, Severity

if TYPE_CHECKING:
    from ingest.assemble.bench import Bench

NAME = "antenna_unmapped"


def mark_antenna(bench: "Bench", tag: str, sentence: str, ref: Ref) -> None:
    """Leave a notice on the fish that this read just went to, in hand or just saved: it may be another bench's."""
    in_hand = (bench.state.fish, *bench.state.line.queue)
    for fish in in_hand:
        if fish is not None and fish.tag_read(tag) is not None:
            bench.mark(fish, NAME, sentence)
            return
    saved = bench.state.saved
    if saved is not None and tag in saved.tags and saved.saved_t_s == ref.t_s:
        finding = Finding(NAME, Severity.NOTICE, sentence)
        bench.changes.append(AddFinding(saved.record.fish_id, finding, ref.journal_id, ref.n))
