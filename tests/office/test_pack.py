"""What a history pack holds: the animals of its waters wherever they were caught, as the amendments leave them."""

import csv
import io
from pathlib import Path
from typing import Any

from ingest.inventory import parse_history, parse_inventory
from ingest.packs import read_pack, write_pack
from ingest.records import individual_id
from ingest.store import PriorRow, load_inventory, load_prior_captures
from ingest.water_relations import parse_relations
from office.amend import Wanted
from office.database import OfficeDatabase
from office.pack import Packed, make_pack
from simulators.waters import HERON_LAKE, write_water
from tests.ingest import builders
from tests.office.offices import amending, bass, book, office_with

MADE_AT = "2026-11-20T10:00:00.000Z"
LAKE = builders.survey(survey_id="survey-2", water="Heron Lake", opened_at="2026-05-20T12:00:00Z")


def in_lake(number: int, **changes: Any) -> Any:
    at = f"2026-05-20T13:{number // 60:02}:{number % 60:02}.000Z"
    return bass(number, survey_id="survey-2", run_no=None, opened_at=at, worked_up_at=at, **changes)


def pack_of(office: OfficeDatabase, *waters: str, **more: Any) -> Packed:
    return make_pack(office.connection, waters, book(), office_id=office.office_id, made_at=MADE_AT, **more)


def history(packed: Packed) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(packed.pack.files["history.csv"].decode(), newline="")))


def test_all_captures_of_the_animals_of_a_water_go_along_wherever_they_were_made(tmp_path: Path) -> None:
    here, moved, stranger = bass(1), in_lake(2, tag=bass(1).tag), in_lake(3)
    elsewhere = PriorRow(
        here.tag or "", "2019-05-12", "Sedge Lake", "bowfin", 119.38000000000001, None, "unknown"
    )
    with office_with(tmp_path / "o.sqlite", here, LAKE, moved, stranger) as office:
        load_prior_captures(office.store, [elsewhere], source="paper.csv")
        packed = pack_of(office, "Mill Pond")
        assert [(row["at"][:10], row["water"], row["length_mm"]) for row in history(packed)] == [
            ("2019-05-12", "Sedge Lake", "119.38"),
            ("2026-05-12", "Mill Pond", "412"),
            ("2026-05-20", "Heron Lake", "412"),
        ]
        assert (packed.animals, packed.captures) == (1, 3)
        assert pack_of(office, "Mill Pond", "Heron Lake").animals == 2


def test_a_water_that_one_crew_wrote_in_other_case_is_the_same_water(tmp_path: Path) -> None:
    other = builders.survey(survey_id="survey-2", water="MILL POND", opened_at="2026-05-20T12:00:00Z")
    fish = [
        make(number, length_mm=200.0 + 5 * number, weight_g=1.2e-5 * (200.0 + 5 * number) ** 3 + number % 7)
        for number, make in enumerate([bass] * 30 + [in_lake] * 30, 1)
    ]
    with office_with(tmp_path / "o.sqlite", other, *fish) as office:
        packed = pack_of(office, "Mill Pond")
        assert (packed.animals, packed.captures) == (60, 60)
        assert [(key, one.n) for key, one in packed.relations.items()] == [
            (("Mill Pond", "largemouth_bass"), 60)
        ]


def test_amended_values_go_along_and_void_fish_stay(tmp_path: Path) -> None:
    right, void, drugged = bass(1), bass(2), bass(3, withdrawal_until="2026-06-02")
    with office_with(tmp_path / "o.sqlite", right, void, drugged) as office:
        wishes = [
            Wanted(
                right.fish_id, {"length_mm": "400.5", "fate": "removed", "tag": "956000000000001"}, "sheet"
            ),
            Wanted(void.fish_id, {"void": "yes"}, "sheet"),
        ]
        assert amending(office).amend(wishes).stored
        rows = history(pack_of(office, "Mill Pond"))
        assert [(row["tag"], row["length_mm"], row["fate"], row["withdrawal_until"]) for row in rows] == [
            ("956.000000000001", "400.5", "removed", ""),
            ("985.120000000003", "412", "released", "2026-06-02"),
        ]
        assert rows[0]["individual_id"] == individual_id("956000000000001")


def test_a_station_is_told_which_of_its_fish_count_no_more_once_their_survey_is_closed(
    tmp_path: Path,
) -> None:
    void, untagged, kept = bass(1), bass(2), bass(3)
    with office_with(tmp_path / "o.sqlite", void, untagged, kept) as office:
        wishes = [Wanted(void.fish_id, {"void": "yes"}, "x"), Wanted(untagged.fish_id, {"tag": ""}, "x")]
        assert amending(office).amend(wishes).stored
        rows = history(pack_of(office, "Mill Pond"))
        assert [(row["fish_id"], row["survey_id"]) for row in rows] == [(kept.fish_id, "")]
        office.store.commit([builders.survey(closed_at="2026-05-12T18:00:00Z")])
        packed = pack_of(office, "Mill Pond")
        said = [(row["tag"][-1], row["fate"], row["survey_id"]) for row in history(packed)]
        assert said == [("3", "released", "survey-1"), ("1", "void", "survey-1"), ("2", "void", "survey-1")]
        rows_read, problems = parse_history(packed.pack.files["history.csv"].decode(), "h")
        assert ([row.capture.fate for row in rows_read][1:], problems) == (["void", "void"], ())


def test_a_second_tag_finds_the_animal_too(tmp_path: Path) -> None:
    tags = (("985120000000001", "primary"), ("985120000000009", "second"))
    with office_with(tmp_path / "o.sqlite", bass(1, tags=tags)) as office:
        rows = history(pack_of(office, "Mill Pond"))
        assert [row["tag"] for row in rows] == ["985.120000000001", "985.120000000009"]
        assert len({(row["fish_id"], row["individual_id"]) for row in rows}) == 1


def test_tags_of_the_inventory_that_are_in_a_fish_stay_at_home(tmp_path: Path) -> None:
    with office_with(tmp_path / "o.sqlite", bass(1), LAKE, in_lake(2)) as office:
        load_inventory(
            office.store, ["985120000000001", "985120000000002", "985120000000777"], source="box", at=MADE_AT
        )
        packed = pack_of(office, "Mill Pond", tags=["985120000000778"])
        rows, problems = parse_inventory(packed.pack.files["inventory.csv"].decode(), "inventory.csv")
        assert [row.tag for row in rows] == ["985120000000777", "985120000000778"]
        assert (packed.unused_tags, packed.used_tags, problems) == (2, 2, ())


def test_codes_that_end_in_zeros_are_read_again_and_not_taken_for_damage(tmp_path: Path) -> None:
    fish = [bass(number, tag=f"985120{number:06}000") for number in range(1, 9)]
    with office_with(tmp_path / "o.sqlite", *fish) as office:
        rows, problems = parse_history(pack_of(office, "Mill Pond").pack.files["history.csv"].decode(), "h")
        assert [row.tag for row in rows] == [one.tag for one in fish]
        assert problems == ()


def test_the_station_reads_every_row_of_an_invented_lake_as_the_office_has_it(tmp_path: Path) -> None:
    with OfficeDatabase.open(tmp_path / "o.sqlite") as office:
        write_water(office.store, HERON_LAKE, seed=2)
        packed = pack_of(office, HERON_LAKE.water)
        assert read_pack(write_pack(packed.pack), "it") == packed.pack
        rows, problems = parse_history(packed.pack.files["history.csv"].decode(), "h")
        assert problems == ()
        own = office.connection.execute(
            "SELECT tag, worked_up_at, species, length_mm, weight_g, fate, fish_id "
            "FROM fish_all WHERE tag IS NOT NULL AND void = 0 AND closed = 1"
        ).fetchall()
        seen = [
            (row.tag, row.capture.at, row.capture.species, row.capture.length_mm, row.capture.weight_g,
             row.capture.fate, row.capture.fish_id)
            for row in rows
        ]  # fmt: skip
        assert {(*row[:3], _kept(row[3]), _kept(row[4]), *row[5:]) for row in own} <= {*seen}
        relations = parse_relations(packed.pack.files["relations.csv"].decode(), "r")
        assert {species for _, species in relations} == {"largemouth_bass", "bluegill"}
        assert relations[HERON_LAKE.water.casefold(), "largemouth_bass"].n > 200
        assert write_pack(pack_of(office, HERON_LAKE.water).pack) == write_pack(packed.pack)


def _kept(value: float | None) -> float | None:
    """To the millionth of a millimetre or gram: more a table of tags does not read."""
    return None if value is None else float(f"{value:.6f}")
