"""A history pack is used whole or not at all, and what it says is in the journal like all else."""

import io
import json
import sqlite3
import struct
import tracemalloc
import zipfile
import zlib
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.differences import differences
from ingest.engine_state import load_state
from ingest.journal_reading import journal_files
from ingest.pack_taking import find_pack_for, take_pack
from ingest.packs import MANIFEST, PackError, find_pack, read_pack, write_pack
from ingest.rebuild import rebuild
from ingest.records import TagStatus
from ingest.resume import take_config
from ingest.station_config import load_station
from ingest.station_sources import source_patterns
from ingest.toml_file import ConfigError
from ingest.water_relations import parse_relations, relations_csv
from simulators.replay import replay
from tests.ingest.daemon_tools import quick_station, station_on, wait_for
from tests.ingest.packs_at_hand import DRUGGED, GONE, HEADING, HEAVY, HISTORY, NEW, POND, pack, packed
from tests.ingest.stations import Live, fish, write_station

OWN_SPECIES = b"""
common = "Invented Bass"
scientific = "Inventus invenit"
"""


@pytest.fixture
def toml(tmp_path: Path) -> Path:
    return write_station(tmp_path)


# --- whole or not at all ------------------------------------------------------------------------------------------


def test_what_is_written_reads_back_the_same_and_the_same_pack_has_the_same_bytes() -> None:
    made = pack(files={"checks.toml": b"shrink_mm = 20.0\n", "species/invented_bass.toml": OWN_SPECIES})
    assert read_pack(write_pack(made), "it") == made
    assert write_pack(made) == write_pack(made)


WHOLE = packed()


@given(place=st.integers(0, len(WHOLE) - 1), bit=st.integers(0, 7))
def test_a_flipped_bit_is_seen_or_changes_nothing(place: int, bit: int) -> None:
    damaged = bytearray(WHOLE)
    damaged[place] ^= 1 << bit
    try:
        found = read_pack(bytes(damaged), "it")
    except PackError:
        return
    assert found.files == pack().files


@given(data=st.one_of(st.binary(max_size=200), st.integers(0, len(WHOLE) - 1).map(lambda end: WHOLE[:end])))
def test_no_other_bytes_are_a_pack(data: bytes) -> None:
    with pytest.raises(PackError):
        read_pack(data, "it")


def _zip(**files: bytes) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        for name, data in files.items():
            archive.writestr(name, data)
    return out.getvalue()


def _with_manifest(**changes: object) -> bytes:
    with zipfile.ZipFile(io.BytesIO(WHOLE)) as archive:
        files = {name: archive.read(name) for name in archive.namelist()}
    manifest = json.loads(files[MANIFEST]) | changes
    return _zip(**{**files, MANIFEST: json.dumps(manifest).encode()})


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (_zip(**{"history.csv": b""}), "damaged or no history pack"),
        (_zip(**{MANIFEST: b"[]"}), "no history pack"),
        (_zip(**{MANIFEST: b"\xff"}), "damaged or no history pack"),
        (_with_manifest(tallywell_pack=2), "newer Tallywell"),
        (_with_manifest(made_at="yesterday"), "no time such as"),
        (_with_manifest(waters=None), "lacks who made it"),
        (_with_manifest(files={}), "does not hold the files"),
        (
            _with_manifest(files={"history.csv": 1, "inventory.csv": {}, "relations.csv": {}}),
            "not what the manifest",
        ),
        (write_pack(pack(files={"../../evil.toml": b""})), "no place in a history pack"),
    ],
)
def test_what_is_no_whole_pack_is_refused_in_a_sentence(data: bytes, said: str) -> None:
    with pytest.raises(PackError, match=said):
        read_pack(data, "it")


def test_a_pack_that_unpacks_to_far_more_than_any_history_is_refused_before_it_is_unpacked() -> None:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        archive.writestr("history.csv", b"")
        archive.filelist[0].file_size = 600 << 20  # what its directory says is believed, and is enough
    with pytest.raises(PackError, match="too big unpacked"):
        read_pack(out.getvalue(), "it")


def test_a_file_that_unpacks_to_more_than_its_directory_says_fills_no_memory() -> None:
    manifest = zipfile.ZipFile(io.BytesIO(write_pack(pack()))).read(MANIFEST)
    pump = zlib.compressobj(9, zlib.DEFLATED, -15)
    bomb = b"".join(pump.compress(bytes(1 << 20)) for _ in range(200)) + pump.flush()
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        archive.writestr(MANIFEST, manifest)
        archive.writestr("history.csv", bomb)
    data = bytearray(out.getvalue())
    for heading, method, size in ((b"PK\x03\x04", 8, 22), (b"PK\x01\x02", 10, 24)):  # APPNOTE 4.3.7, 4.3.12
        place = data.rfind(heading)
        struct.pack_into("<H", data, place + method, zipfile.ZIP_DEFLATED)
        struct.pack_into("<I", data, place + size, 10)
    tracemalloc.start()
    try:
        with pytest.raises(PackError, match="damaged or no history pack"):
            read_pack(bytes(data), "it")
        assert tracemalloc.get_traced_memory()[1] < 20 << 20
    finally:
        tracemalloc.stop()


def test_the_newest_whole_pack_of_a_stick_is_found(tmp_path: Path) -> None:
    folder = tmp_path / "tallywell" / "pack"
    folder.mkdir(parents=True)
    with pytest.raises(PackError, match="There is no history pack"):
        find_pack(tmp_path)
    (folder / "history-pack-1.zip").write_bytes(packed("2026-05-02T08:00:00.000Z"))
    (folder / "history-pack-2.zip").write_bytes(packed("2026-05-01T08:00:00.000Z"))
    (folder / "history-pack-3.zip").write_bytes(packed("2026-05-03T08:00:00.000Z")[:-30])
    (folder / "other.zip").write_bytes(packed("2026-05-04T08:00:00.000Z"))
    assert find_pack(tmp_path)[0].name == "history-pack-1.zip"
    assert find_pack(folder / "history-pack-2.zip")[0].name == "history-pack-2.zip"
    (folder / "history-pack-1.zip").unlink()
    (folder / "history-pack-2.zip").unlink()
    with pytest.raises(PackError, match=r"history-pack-3\.zip is damaged"):
        find_pack(tmp_path)


# --- taking -------------------------------------------------------------------------------------------------------


def test_a_pack_is_put_in_place_once_and_an_older_one_only_by_force(toml: Path) -> None:
    first, older = packed("2026-05-11T08:00:00.000Z"), packed("2026-05-10T08:00:00.000Z")
    taken = take_pack(first, toml)
    assert (taken.changed, taken.sentence) == (True, f"History pack of 2026-05-11 taken, for {POND}.")
    assert not take_pack(first, toml).changed
    with pytest.raises(
        PackError, match=r"made on 2026-05-10 08:00 UTC, the one in use on 2026-05-11 08:00 UTC: the newer"
    ):
        take_pack(older, toml)
    assert taken.path.read_bytes() == first
    assert take_pack(older, toml, force=True).changed
    assert taken.path.read_bytes() == older


def test_a_damaged_pack_leaves_the_old_good_one(toml: Path) -> None:
    good = packed()
    place = take_pack(good, toml).path
    with pytest.raises(PackError):
        take_pack(packed("2026-06-01T08:00:00.000Z")[:-40], toml)
    assert place.read_bytes() == good


def test_a_pack_for_another_water_is_taken_and_said(toml: Path) -> None:
    taken = take_pack(write_pack(replace(pack(), waters=("Sedge Lake",))), toml)
    assert taken.sentence.endswith(f"This station works at {POND}: look whether it is the right pack.")


def test_a_pack_for_another_water_never_takes_the_place_of_that_of_the_water_at_hand(
    toml: Path, tmp_path: Path
) -> None:
    here, elsewhere = packed(), write_pack(replace(pack("2027-01-01T00:00:00.000Z"), waters=("Sedge Lake",)))
    place = take_pack(here, toml).path
    with pytest.raises(PackError, match=f"for Sedge Lake and this station works at {POND}"):
        take_pack(elsewhere, toml)
    assert place.read_bytes() == here
    folder = tmp_path / "stick" / "tallywell" / "pack"
    folder.mkdir(parents=True)
    (folder / "history-pack-1.zip").write_bytes(here)
    (folder / "history-pack-2.zip").write_bytes(elsewhere)
    assert find_pack_for(tmp_path / "stick", toml)[1] == here
    assert find_pack(tmp_path / "stick", "Sedge Lake")[1] == elsewhere
    assert take_pack(elsewhere, toml, force=True).changed


def test_a_pack_with_which_the_station_could_not_start_is_not_taken(toml: Path) -> None:
    toml.write_text(toml.read_text() + f'[commands.tags]\n"{GONE}" = "untagged"\n')
    with pytest.raises(PackError, match="could not start with it"):
        take_pack(packed(), toml)
    assert load_station(toml).history == ()


def test_a_pack_that_was_damaged_in_its_place_is_named_at_the_start_and_replaced_by_a_good_one(
    toml: Path,
) -> None:
    place = take_pack(packed(), toml).path
    place.write_bytes(packed()[:-40])
    with pytest.raises(ConfigError, match="move it away"):
        load_station(toml)
    assert take_pack(packed("2026-01-01T00:00:00.000Z"), toml).changed
    assert len(load_station(toml).history) == 2


# --- what the station makes of it ---------------------------------------------------------------------------------


def test_history_inventory_relations_limits_and_species_of_a_pack_are_the_stations(toml: Path) -> None:
    more = {
        "checks.toml": b"shrink_mm = 20.0\nresidual_sd = 5.0\n",
        "species/invented_bass.toml": OWN_SPECIES,
    }
    toml.write_text(toml.read_text() + "[checks]\nresidual_sd = 3.0\n")
    take_pack(packed(files=more), toml)
    station = load_station(toml)
    assert [row.tag for row in station.history] == [GONE, DRUGGED]
    assert station.history[1].capture.withdrawal_until == "2026-05-22"
    assert [row.tag for row in station.inventory] == [NEW]
    assert station.relations == {(POND.casefold(), "largemouth_bass"): HEAVY}
    assert (station.limits.shrink_mm, station.limits.residual_sd) == (
        20.0,
        3.0,
    )  # the station's own word comes first
    assert station.species.find("invented bass") is not None
    assert station.problems == ()
    assert str(toml.parent / "pack.zip") in source_patterns(toml)


def test_a_packs_species_comes_before_the_shipped_one_but_not_before_the_stations_own(toml: Path) -> None:
    shipped = load_station(toml).species.by_slug["bowfin"].common
    take_pack(packed(files={"species/bowfin.toml": OWN_SPECIES}), toml)
    assert load_station(toml).species.by_slug["bowfin"].common == "Invented Bass" != shipped
    (toml.parent / "species").mkdir()
    (toml.parent / "species" / "bowfin.toml").write_bytes(OWN_SPECIES.replace(b"Invented Bass", b"Our Own"))
    toml.write_text(toml.read_text().replace("[station]", '[station]\nspecies = "species"'))
    assert load_station(toml).species.by_slug["bowfin"].common == "Our Own"


def test_limits_that_do_not_go_with_the_stations_own_are_refused(toml: Path) -> None:
    toml.write_text(toml.read_text() + "[checks]\nwr_notice = [50.0, 150.0]\n")
    with pytest.raises(PackError, match="must lie inside"):
        take_pack(packed(files={"checks.toml": b"wr_serious = [60.0, 140.0]\n"}), toml)


def test_relations_read_back_exactly_and_nonsense_is_refused() -> None:
    assert parse_relations(relations_csv({(POND, "bowfin"): HEAVY}), "r") == {
        (POND.casefold(), "bowfin"): HEAVY
    }
    with pytest.raises(ConfigError, match="heading"):
        parse_relations("water,species\n", "r")
    with pytest.raises(ConfigError, match="number that is none"):
        parse_relations(relations_csv({(POND, "bowfin"): HEAVY}).replace("0.05", "nan"), "r")


def test_the_fish_of_a_pack_are_known_at_once_and_its_relation_is_the_waters(toml: Path) -> None:
    take_pack(packed(), toml)
    live = Live(toml, 100.0)
    live.event(105.0, "control", "command", command="run start area=bay")
    later_s = fish(live, 110.0, GONE, mm=310, grams=420.0)
    later_s = fish(live, later_s + 30, DRUGGED, mm=310, grams=430.0)
    later_s = fish(live, later_s + 30, NEW, mm=310, grams=425.0)
    recaptures = [one.sentence for one in live.heard if one.name == "recapture"]
    assert [sentence.split(":")[0] for sentence in recaptures] == ["Recapture ...0201", "Recapture ...0202"]
    assert "Drug-treated before: not to be eaten before 2026-05-22" in recaptures[1]
    rows = live.store.connection.execute("SELECT fish_id, tag_status FROM fish ORDER BY opened_n").fetchall()
    assert [status for _, status in rows] == [TagStatus.RECAPTURE, TagStatus.RECAPTURE, TagStatus.NEW]
    found = {
        (rows.index((fish_id, status)), name)
        for fish_id, status in rows
        for (name,) in live.store.connection.execute("SELECT name FROM finding WHERE fish_id = ?", (fish_id,))
    }
    assert (0, "recorded_as_gone") in found
    assert {place for place, name in found if name == "unlike_this_water"} == {0, 1, 2}
    live.kill()


def test_of_two_relations_of_a_water_the_one_with_more_fish_counts(toml: Path) -> None:
    rows = [
        f"98512{number:010},2025-05-12T13:00:00Z,{POND},largemouth_bass,{250 + number},{200 + 3 * number},,,,,"
        for number in range(1, 31)
    ]
    many = {"history.csv": (HEADING + "\n".join(rows) + "\n").encode()}
    for n, own in ((29, True), (31, False)):
        relation = relations_csv({(POND, "largemouth_bass"): replace(HEAVY, n=n)})
        folder = toml.parent / str(n)
        station = write_station(folder)
        take_pack(packed(files=many | {"relations.csv": relation.encode()}), station)
        live = Live(station, 100.0)
        fish(live, 110.0, NEW)
        assert live.recorder.engine.state.survey is not None
        used = live.recorder.engine.state.survey.relations["largemouth_bass"]
        assert used is not None
        assert (used.n == 30) == own
        live.kill()


def test_live_replay_and_rebuild_agree_with_a_pack_that_comes_in_the_middle_of_the_day(toml: Path) -> None:
    take_pack(packed(), toml)
    live = Live(toml, 100.0)
    later_s = fish(live, 110.0, GONE)
    newer = packed("2026-05-12T10:00:00.000Z", {"history.csv": HISTORY.replace("released", "died").encode()})
    assert take_pack(newer, toml).changed
    station = load_station(toml)
    live.heard += take_config(live.recorder, live.store, station, live.t_s(later_s + 10))
    later_s = fish(live, later_s + 30, DRUGGED)
    live.stop(later_s + 30)
    findings = "SELECT name, numbers FROM finding WHERE name = 'recorded_as_gone'"
    with closing(sqlite3.connect(live.station.database)) as database:
        assert [json.loads(numbers)["fate"] for _, numbers in database.execute(findings)] == [
            "removed",
            "died",
        ]
        (frozen,) = database.execute("SELECT species, a, b, c, sd_log10, n FROM local_relation")
    assert frozen == ("largemouth_bass", HEAVY.log10_a, HEAVY.b, HEAVY.c, HEAVY.sd, HEAVY.n)
    (toml.parent / "pack.zip").unlink()  # what the journal kept is enough
    assert rebuild(live.station.database).agrees
    replayed = toml.parent / "replayed.sqlite"
    replay(journal_files(live.station.journal), None, replayed)
    with closing(sqlite3.connect(replayed)) as again:
        assert list(differences(again, live.station.database)) == []


def test_after_a_kill_the_survey_goes_on_with_the_relation_that_it_froze(toml: Path) -> None:
    take_pack(packed(), toml)
    live = Live(toml, 100.0)
    later_s = fish(live, 110.0, NEW)
    live.kill()
    again = Live(toml, later_s + 10)
    survey = load_state(again.recorder.engine.checkpoint()).survey
    assert survey is not None
    assert survey.relations["largemouth_bass"] == HEAVY
    again.kill()


def test_a_running_station_takes_a_pack_without_a_restart(tmp_path: Path) -> None:
    toml = quick_station(tmp_path)
    with station_on(toml) as station:
        station.work_up("985120000000301")
        take_pack(packed(), toml)
        wait_for(lambda: "New settings are in use" in station.said(), "the pack in use", station.process)
        station.work_up(GONE)
        wait_for(lambda: len(station.fish()) == 2, "two fish", station.process)
        assert [one["tag_status"] for one in station.fish()] == ["new", "recapture"]
        assert station.signal() == 0
    assert rebuild(tmp_path / "work-up.sqlite").agrees
