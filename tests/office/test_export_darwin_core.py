"""The archive read back by the standard library's zip, XML and CSV readers, against the standard's own lists."""

import csv
import io
import json
import math
import zipfile
from datetime import date, datetime
from pathlib import Path
from sqlite3 import Connection
from xml.etree import ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.records import SaveFish
from ingest.shipped import shipped_config
from ingest.species import load_species
from office.exports.darwin_core.archive import write_darwin_core
from office.exports.darwin_core.metadata import About, Extent, eml_xml
from office.exports.darwin_core.places import Coordinates, place_of
from office.exports.public_views import Selection
from tests.ingest.builders import batch, fish, run, survey
from tests.office.full_records import HEX_TAG, everything

TEXT = "{http://rs.tdwg.org/dwc/text/}"
DWC = "http://rs.tdwg.org/dwc/terms/"
PUBLISHED = date(2026, 11, 26)
BOOK = load_species(shipped_config() / "species")
STANDARD = json.loads(
    (Path(__file__).parent / "vectors" / "darwin_core_terms.json").read_text(encoding="utf-8")
)


def write(records: Connection, target: Path, **changes: object) -> Path:
    settings: dict[str, object] = {"about": About(), "coordinates": Coordinates(), "published": PUBLISHED}
    selection = changes.pop("selection", Selection())
    write_darwin_core(records, target, selection, BOOK, **(settings | changes))  # type: ignore[arg-type]
    return target


def read(archive: Path) -> dict[str, list[dict[str, str]]]:
    """The tables as meta.xml describes them: rows by term, `core` for the link to the event."""
    tables = {}
    with zipfile.ZipFile(archive) as held:
        assert held.testzip() is None
        root = ElementTree.fromstring(held.read("meta.xml"))
        for table in root:
            location = table.findtext(f"{TEXT}files/{TEXT}location") or ""
            link = table.find(f"{TEXT}id")
            link = table.find(f"{TEXT}coreid") if link is None else link
            assert link is not None
            terms = {int(one.attrib["index"]): one.attrib["term"] for one in table.findall(f"{TEXT}field")}
            text = io.StringIO(held.read(location).decode(table.attrib["encoding"]), newline="")
            data = list(csv.reader(text, delimiter=table.attrib["fieldsTerminatedBy"], strict=True))
            header, rows = data[0], data[int(table.attrib["ignoreHeaderLines"]) :]
            assert {header[index] for index in terms} == {term.removeprefix(DWC) for term in terms.values()}
            tables[location.removesuffix(".csv")] = [
                {"core": row[int(link.attrib["index"])]}
                | {term.removeprefix(DWC): row[index] for index, term in terms.items()}
                for row in rows
            ]
    return tables


@pytest.fixture
def archive(records: Connection, tmp_path: Path) -> Path:
    return write(records, tmp_path / "fish.zip")


def test_meta_xml_follows_the_text_guide(archive: Path) -> None:
    # Order and attributes of tdwg_dwc_text.xsd (http://rs.tdwg.org/dwc/text/): files, id or coreid, fields.
    with zipfile.ZipFile(archive) as held:
        root = ElementTree.fromstring(held.read("meta.xml"))
    assert (root.tag, root.attrib) == (f"{TEXT}archive", {"metadata": "eml.xml"})
    assert [table.tag for table in root] == [f"{TEXT}core", f"{TEXT}extension", f"{TEXT}extension"]
    assert [table.attrib["rowType"] for table in root] == [
        f"{DWC}Event",
        f"{DWC}Occurrence",
        "http://rs.iobis.org/obis/terms/ExtendedMeasurementOrFact",
    ]
    for table in root:
        tags = [part.tag.removeprefix(TEXT) for part in table]
        assert tags == ["files", "id" if table.tag == f"{TEXT}core" else "coreid"] + ["field"] * (
            len(tags) - 2
        )


def test_every_term_is_one_of_the_standard(archive: Path) -> None:
    known = {
        "event": STANDARD["event_and_location"] + STANDARD["occurrence_organism_taxon_sampling"],
        "occurrence": STANDARD["occurrence_organism_taxon_sampling"],
        "measurement": STANDARD["measurement"],
    }
    for name, rows in read(archive).items():
        assert rows
        assert set(rows[0]) - {"core"} <= set(known[name]), name


def test_every_occurrence_and_measurement_belongs_to_an_event(archive: Path) -> None:
    tables = read(archive)
    events = [row["eventID"] for row in tables["event"]]
    occurrences = [row["occurrenceID"] for row in tables["occurrence"]]
    measurements = [row["measurementID"] for row in tables["measurement"]]
    for ids in (events, occurrences, measurements):
        assert len(ids) == len(set(ids))
    assert {row["core"] for name in ("occurrence", "measurement") for row in tables[name]} <= set(events)
    assert {row["parentEventID"] for row in tables["event"]} <= {*events, ""}
    assert {row["occurrenceID"] for row in tables["measurement"]} <= {*occurrences, ""}


def test_every_finished_fish_is_one_occurrence_with_its_measures(records: Connection, archive: Path) -> None:
    tables = read(archive)
    present = {row["occurrenceID"]: row for row in tables["occurrence"] if row["individualCount"] == "1"}
    finished = {
        row[0]: row[1:]
        for row in records.execute(
            "SELECT fish_id, survey_id, run_no, tag, individual_id, length_mm, weight_g, relative_weight "
            "FROM worked_fish WHERE status NOT IN ('held', 'parked')"
        )
    }
    assert present.keys() == finished.keys()
    measured: dict[str, dict[str, tuple[float, str]]] = {}
    for row in tables["measurement"]:
        said = (float(row["measurementValue"]), row["measurementUnit"])
        measured.setdefault(row["occurrenceID"], {})[row["measurementType"]] = said
    for fish_id, (survey_id, run_no, tag, individual, length, weight, relative) in finished.items():
        row = present[fish_id]
        assert row["core"] == survey_id + ("" if run_no is None else f":run:{run_no}")
        assert (row["organismName"], row["organismID"]) == (tag or "", individual or "")
        assert (row["basisOfRecord"], row["occurrenceStatus"]) == ("HumanObservation", "present")
        expected = {"length": (length, "mm"), "weight": (weight, "g"), "relative weight": (relative, "%")}
        assert measured.get(fish_id, {}) == {
            name: value for name, value in expected.items() if value[0] is not None
        }


def test_a_batch_counts_its_fish_and_one_in_hand_is_left_out(archive: Path) -> None:
    occurrences = {row["occurrenceID"]: row for row in read(archive)["occurrence"]}
    assert occurrences[batch(1).batch_id]["individualCount"] == "40"
    assert occurrences[batch(2).batch_id]["individualCount"] == "12"
    assert json.loads(occurrences[batch(1).batch_id]["dynamicProperties"]) == {"fate": "removed"}
    assert batch(3).batch_id not in occurrences


def test_a_run_without_catch_says_which_species_were_absent(archive: Path) -> None:
    absent = [row for row in read(archive)["occurrence"] if row["occurrenceStatus"] == "absent"]
    assert {row["core"] for row in absent} == {"survey-1:run:2"}
    assert {row["verbatimIdentification"] for row in absent} == {"LMB", "BLG"}
    assert {row["individualCount"] for row in absent} == {"0"}


def test_a_survey_that_met_no_fish_at_all_still_says_so(tmp_path: Path) -> None:
    with everything(tmp_path / "a.sqlite") as store:
        store.commit([survey(survey_id="empty"), run(1, survey_id="empty")])
        rows = read(write(store.connection, tmp_path / "a.zip", selection=Selection(survey_id="empty")))
    (only,) = rows["occurrence"]
    assert (only["occurrenceStatus"], only["scientificName"], only["taxonRank"]) == (
        "absent", "Actinopterygii", "class",
    )  # fmt: skip


def test_names_come_from_the_species_files_and_none_is_guessed(tmp_path: Path) -> None:
    known, unknown = fish(800, species="largemouth_bass", tag=None), fish(801, species="LMB", tag=None)
    with everything(tmp_path / "a.sqlite") as store:
        store.commit([SaveFish(known), SaveFish(unknown)])
        rows = {
            row["occurrenceID"]: row
            for row in read(write(store.connection, tmp_path / "a.zip"))["occurrence"]
        }
    assert rows[known.fish_id]["scientificName"].startswith("Micropterus ")
    assert rows[known.fish_id]["vernacularName"] == "Largemouth Bass"
    assert (rows[unknown.fish_id]["scientificName"], rows[unknown.fish_id]["verbatimIdentification"]) == (
        "",
        "LMB",
    )


def test_a_run_says_when_how_and_how_much(archive: Path) -> None:
    events = {row["eventID"]: row for row in read(archive)["event"]}
    first = events["survey-1:run:1"]
    start, end = first["eventDate"].split("/")
    assert datetime.fromisoformat(end) > datetime.fromisoformat(start)
    assert (first["sampleSizeValue"], first["sampleSizeUnit"]) == ("600.0", "second")
    assert first["samplingProtocol"] == "boat electrofishing"
    assert first["samplingEffort"] == "600 seconds with the current on; pass 1; DC, 60 Hz"
    assert (first["decimalLatitude"], first["decimalLongitude"]) == ("44.123456789", "-93.5")
    assert first["footprintWKT"] == "LINESTRING (-93.5 44.123456789, -93.6 44.2)"
    assert "/" not in events["odd-0:run:1"]["eventDate"]  # its end is not known
    assert events["survey-1"]["waterBody"] == "Mill Pond"


def test_a_run_says_how_its_water_was_and_in_which_unit(archive: Path) -> None:
    found = [row for row in read(archive)["measurement"] if not row["occurrenceID"]]
    said = [(row["measurementType"], row["measurementValue"], row["measurementUnit"]) for row in found]
    assert said == [
        ("water temperature", "17.3", "degrees Celsius"),
        ("ambient conductivity of the water", "1284.25", "microsiemens per cm"),
    ]


def test_sex_and_an_unsettled_doubt_go_along(archive: Path) -> None:
    tables = read(archive)
    rows = {row["occurrenceID"]: row for row in tables["occurrence"]}
    assert rows[fish(1).fish_id]["sex"] == "female"
    assert rows[fish(2).fish_id]["organismName"] == HEX_TAG
    doubts = {row["occurrenceID"] for row in tables["measurement"] if "in doubt" in row["measurementRemarks"]}
    assert doubts == {fish(3).fish_id}


def test_no_text_breaks_a_line(archive: Path) -> None:
    with zipfile.ZipFile(archive) as held:
        for name in ("event.csv", "occurrence.csv", "measurement.csv"):
            text = held.read(name).decode()
            assert "\r" not in text
            assert text.count("\n") == len(list(csv.reader(io.StringIO(text))))


def test_coordinates_can_be_withheld_or_blurred_everywhere(records: Connection, tmp_path: Path) -> None:
    for coordinates in (Coordinates("withheld"), Coordinates("cell", 0.1)):
        target = write(records, tmp_path / "quiet.zip", coordinates=coordinates)
        with zipfile.ZipFile(target) as held:
            for name in held.namelist():
                text = held.read(name).decode()
                for exact in ("44.123", "44.2", "93.5,", "93.6"):
                    assert exact not in text, (name, exact)
    first = {row["eventID"]: row for row in read(target)["event"]}["survey-1:run:1"]
    assert (first["decimalLatitude"], first["decimalLongitude"]) == ("44.15", "-93.45")
    assert first["coordinatePrecision"] == "0.1"
    assert "0.1 degrees" in first["dataGeneralizations"]


@given(st.floats(-90, 90), st.floats(-180, 180), st.sampled_from([0.001, 0.01, 0.1, 0.25, 1.0]))
def test_the_true_place_lies_within_the_uncertainty_that_is_given(
    latitude: float, longitude: float, cell_deg: float
) -> None:
    run = {
        "start_lat_deg": latitude, "start_lon_deg": longitude, "end_lat_deg": None, "end_lon_deg": None,
    }  # fmt: skip
    told = place_of(run, Coordinates("cell", cell_deg))
    away = great_circle_m(latitude, longitude, told["decimalLatitude"], told["decimalLongitude"])
    assert away <= told["coordinateUncertaintyInMeters"]
    assert told["coordinateUncertaintyInMeters"] <= 0.71 * cell_deg * 111_400 + 1


def great_circle_m(lat_1: float, lon_1: float, lat_2: float, lon_2: float) -> float:
    """Haversine formula (R. W. Sinnott, Sky and Telescope 68:159, 1984) on a sphere of 6,371,009 m."""
    one, two, half = math.radians(lat_1), math.radians(lat_2), math.radians(lon_2 - lon_1) / 2
    chord = math.sin((two - one) / 2) ** 2 + math.cos(one) * math.cos(two) * math.sin(half) ** 2
    return 2 * 6_371_009 * math.asin(math.sqrt(min(1.0, chord)))


def test_eml_holds_what_the_owner_says_and_marks_what_is_missing() -> None:
    about = About(
        title="Fish & <waters>",
        organization="Invented agency",
        licence="CC0",
        licence_url="https://x.example",
    )
    extent = Extent("2024-05-01", "2026-06-01", (-93.6, -93.5, 44.2, 44.1), ["Mill Pond"])
    root = ElementTree.fromstring(eml_xml(about, extent, PUBLISHED))
    assert root.tag == "{eml://ecoinformatics.org/eml-2.1.1}eml"
    assert root.findtext("dataset/title") == "Fish & <waters>"
    assert root.findtext("dataset/creator/organizationName") == "Invented agency"
    assert root.findtext("dataset/pubDate") == "2026-11-26"
    assert (
        root.findtext("dataset/coverage/geographicCoverage/boundingCoordinates/northBoundingCoordinate")
        == "44.2"
    )
    assert (
        root.findtext("dataset/coverage/temporalCoverage/rangeOfDates/endDate/calendarDate") == "2026-06-01"
    )
    assert (root.findtext("dataset/abstract/para") or "").startswith("INSERT YOUR OWN")
    assert about.missing == ("abstract",)


def test_the_same_records_give_the_same_bytes(records: Connection, archive: Path, tmp_path: Path) -> None:
    assert write(records, tmp_path / "again.zip").read_bytes() == archive.read_bytes()
