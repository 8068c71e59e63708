"""History packs for tests; everything in them is invented."""

from collections.abc import Mapping

from fishery.single import Relation
from ingest.packs import Pack, write_pack
from ingest.water_relations import relations_csv

POND = "Reedmace Pond"  # that of tests.ingest.stations
GONE, DRUGGED, NEW = "985120000000201", "985120000000202", "985120000000203"
HEADING = "tag,at,water,species,length_mm,weight_g,fate,individual_id,survey_id,fish_id,withdrawal_until\n"
HISTORY = (
    HEADING
    + "985.120000000201,2025-05-12T13:00:00Z,Reedmace Pond,largemouth_bass,300,390,removed,,,f-1,\n"
    + "985.120000000202,2026-05-01T13:00:00Z,Sedge Lake,largemouth_bass,300,390,released,,,f-2,2026-05-22\n"
)
# Bass twice as heavy for their length as the published line says, so that an ordinary one is unlike them.
HEAVY = Relation(-5.528 + 0.3, 3.273, 0.0, 0.05, 200, 2.5, 0.004, 0.05)


def pack(made_at: str = "2026-05-11T08:00:00.000Z", files: Mapping[str, bytes] | None = None) -> Pack:
    """A pack of one pond: a removed fish, a drugged one, a tag, and a relation; `files` are more, or others."""
    relations: Mapping[tuple[str, str], Relation] = {(POND, "largemouth_bass"): HEAVY}
    made = {
        "history.csv": HISTORY.encode(),
        "inventory.csv": b"tag\n985.120000000203\n",
        "relations.csv": relations_csv(relations).encode(),
    }
    return Pack(made_at, "office-invented", (POND,), {**made, **(files or {})})


def packed(made_at: str = "2026-05-11T08:00:00.000Z", files: Mapping[str, bytes] | None = None) -> bytes:
    return write_pack(pack(made_at, files))
