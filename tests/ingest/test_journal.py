"""Journal files: whole reading of damaged files, writing through faults of the media, healing after a cut."""

import os
import random
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.disk import filesystem_type, is_network_filesystem
from ingest.frames import MAX_LINE_BYTES, BadLine, Frame, Header, encode_frame, encode_header, rfc3339
from ingest.journal import JournalWriter, OnDisk
from ingest.journal_reading import Position, heal_tail, journal_files, journal_stem, read_journal
from ingest.kept_content import content, keep_content

HEADER = Header("day-1", "north bank", "2026-05-12T13:00:00.000Z", "3f9a77c0-aaaa", 81.5)
NAME = "20260512T130000Z-mill-pond-3f9a77c0-001.jsonl"
WRITER = Path(__file__).with_name("journal_writer.py")
ROOT = Path(__file__).parents[2]


def frame(n: int, data: bytes = b"ST,+0412.0 g\r\n") -> Frame:
    return Frame(n, n / 10, rfc3339(1778590800 + n / 10), "scale", data)


def open_writer(
    folder: Path, mirror: Path | None = None, *, at_once: bool = True, **sizes: int
) -> JournalWriter:
    kept = {"ballast_bytes": 0, **sizes}
    return JournalWriter(folder, HEADER, "Mill Pond", mirror, at_once=at_once, **kept)


def frames_in(*paths: Path) -> list[Frame]:
    return [entry.item for path in paths for entry in read_journal(path) if isinstance(entry.item, Frame)]


def test_a_journal_that_need_not_be_written_at_once_is_in_its_file_after_the_flush(tmp_path: Path) -> None:
    writer = open_writer(tmp_path, at_once=False)
    (path,) = journal_files(tmp_path)
    writer.append(frame(1))
    writer.append(frame(2))
    assert frames_in(path) == []
    assert writer.flush().safe
    assert frames_in(path) == [frame(1), frame(2)]


def bad_in(path: Path) -> list[BadLine]:
    return [entry.item for entry in read_journal(path) if isinstance(entry.item, BadLine)]


def day(count: int) -> bytes:
    return encode_header(HEADER) + b"".join(encode_frame(frame(n)) for n in range(1, count + 1))


# --- reading ---


@settings(deadline=None, max_examples=60)
@given(st.integers(0, len(day(5))))
def test_a_truncated_file_reads_as_its_whole_lines_and_one_cut(
    tmp_path_factory: pytest.TempPathFactory, size: int
) -> None:
    path = tmp_path_factory.mktemp("cut") / NAME
    text = day(5)[:size]
    path.write_bytes(text)
    whole, _, rest = text.rpartition(b"\n")
    lines = whole.split(b"\n") if whole else []
    complete = text + b"\n" in day(5) and rest.endswith(b"}") and day(5)[size : size + 1] == b"\n"
    items = [entry.item for entry in read_journal(path)]
    assert len(items) == len(lines) + (rest != b"")
    assert sum(isinstance(item, BadLine) for item in items) == (rest != b"" and not complete)
    if items and isinstance(items[-1], BadLine):
        assert "cut" in items[-1].why
        assert items[-1].raw == rest


def test_offsets_lead_to_the_next_line_and_reading_goes_on_from_any_of_them(tmp_path: Path) -> None:
    path = tmp_path / NAME
    path.write_bytes(b"# by hand\n" + day(4) + b"junk\n" + encode_frame(frame(5)))
    everything = list(read_journal(path))
    for index, entry in enumerate(everything):
        if isinstance(entry.item, Frame):
            after = Position(path.name, entry.end, entry.item.n)
            assert list(read_journal(path, after)) == everything[index + 1 :]
    assert everything[-1].end == path.stat().st_size


def test_numbers_left_out_go_on_after_a_position(tmp_path: Path) -> None:
    path = tmp_path / NAME
    text = (
        '{"capture":1,"station":"s","started":"2026-05-12T13:00:00Z"}\n'
        + '{"t":1,"from":"a","data":"x"}\n' * 3
    )
    path.write_text(text, encoding="utf-8")
    first = next(entry for entry in read_journal(path) if isinstance(entry.item, Frame))
    assert [item.n for item in frames_in(path)] == [1, 2, 3]
    rest = [entry.item for entry in read_journal(path, Position(path.name, first.end, 1))]
    assert [item.n for item in rest if isinstance(item, Frame)] == [2, 3]


def test_a_bad_line_in_the_middle_stops_nobody(tmp_path: Path) -> None:
    path = tmp_path / NAME
    lines = day(5).splitlines(keepends=True)
    lines[3] = b"\0" * 40 + b"\n"
    path.write_bytes(b"".join(lines))
    assert [item.n for item in frames_in(path)] == [1, 2, 4, 5]
    assert [(item.line_no, item.raw) for item in bad_in(path)] == [(4, b"\0" * 40)]


def test_a_line_without_end_is_read_in_pieces(tmp_path: Path) -> None:
    path = tmp_path / NAME
    junk = b"x" * (2 * MAX_LINE_BYTES + 10)
    path.write_bytes(day(1) + junk + b"\n" + encode_frame(frame(2)))
    bad = bad_in(path)
    assert b"".join(item.raw for item in bad) == junk
    assert {item.line_no for item in bad} == {3}
    assert [item.n for item in frames_in(path)] == [1, 2]


def test_two_files_joined_are_two_journals(tmp_path: Path) -> None:
    path = tmp_path / NAME
    other = Header("day-2", "south bank", "2026-05-13T13:00:00.000Z")
    path.write_bytes(day(2) + encode_header(other) + encode_frame(frame(1)))
    assert [item.n for item in frames_in(path)] == [1, 2, 1]
    assert not bad_in(path)


def test_an_empty_file_says_nothing(tmp_path: Path) -> None:
    (tmp_path / NAME).write_bytes(b"")
    assert list(read_journal(tmp_path / NAME)) == []


def test_journal_files_come_in_order_and_other_files_do_not(tmp_path: Path) -> None:
    names = [
        "20260512T130000Z-a-b-001.jsonl",
        "20260512T130000Z-a-b-999.jsonl",
        "20260512T130000Z-a-b-1000.jsonl",
        "20260513T130000Z-a-b-001.jsonl",
    ]
    for name in [*reversed(names), "notes.jsonl", f"{names[0]}.12.cut", "ballast"]:
        (tmp_path / name).touch()
    assert [path.name for path in journal_files(tmp_path)] == names
    assert journal_files(tmp_path / "missing") == []


def test_file_names_are_fit_for_any_file_system() -> None:
    assert journal_stem(HEADER, "Mill Pond") == "20260512T130000Z-mill-pond-3f9a77c0"
    assert re.fullmatch(
        r"[0-9TZ]+-[a-z0-9-]+-noboot", journal_stem(Header("j", "s", HEADER.started), "Ä/../:*")
    )


# --- writing ---


def test_what_is_appended_is_in_the_file_at_once_and_durable_after_flush(tmp_path: Path) -> None:
    writer = open_writer(tmp_path)
    writer.append(frame(1))
    assert frames_in(tmp_path / NAME) == [frame(1)]
    assert writer.flush() == OnDisk(journal=True, mirror=False)
    assert writer.flush().safe
    assert writer.trouble is None
    assert writer.position == Position(NAME, (tmp_path / NAME).stat().st_size, 1)
    writer.close()


def test_opening_again_goes_on_after_the_last_frame(tmp_path: Path) -> None:
    writer = open_writer(tmp_path)
    assert (writer.next_n, writer.last_t_s) == (1, float("-inf"))
    writer.append(frame(1))
    writer.close()
    writer = open_writer(tmp_path)
    assert (writer.next_n, writer.last_t_s) == (2, 0.1)
    assert writer.position == Position(NAME, (tmp_path / NAME).stat().st_size, 1)
    writer.append(frame(2))
    writer.close()
    assert (tmp_path / NAME).read_bytes() == day(2)


@settings(deadline=None, max_examples=40)
@given(st.integers(1, len(day(3))), st.sampled_from([b"", b"\0" * 50, b"\xff{"]))
def test_a_half_last_line_is_set_aside_and_kept(
    tmp_path_factory: pytest.TempPathFactory, size: int, garbage: bytes
) -> None:
    folder = tmp_path_factory.mktemp("heal")
    text = day(3)[:size] + garbage
    (folder / NAME).write_bytes(text)
    writer = open_writer(folder)
    writer.append(frame(writer.next_n))
    assert writer.close().safe
    kept = b"".join(path.read_bytes() for path in writer.set_aside)
    healed = b"".join(path.read_bytes() for path in journal_files(folder))
    assert kept == b"" or text.endswith(kept)
    assert healed.startswith(text.removesuffix(kept))
    assert all(not bad_in(path) for path in journal_files(folder))
    assert [item.n for item in frames_in(*journal_files(folder))] == list(range(1, writer.next_n))


def test_healing_keeps_two_different_cuts_at_one_place(tmp_path: Path) -> None:
    path = tmp_path / NAME
    cuts = []
    for rest in (b'{"n":4,"t', b'{"n":4,"t":9,'):
        path.write_bytes(day(3) + rest)
        cuts.append(heal_tail(path))
        assert path.read_bytes() == day(3)
    assert [cut.read_bytes() for cut in cuts if cut] == [b'{"n":4,"t', b'{"n":4,"t":9,']
    assert heal_tail(path) is None


def test_another_journal_of_the_same_name_gets_the_next_part(tmp_path: Path) -> None:
    (tmp_path / NAME).write_bytes(
        encode_header(Header("other", "s", HEADER.started)) + encode_frame(frame(1))
    )
    writer = open_writer(tmp_path)
    assert writer.next_n == 1
    assert writer.position.file == NAME.replace("001", "002")
    writer.close()


def test_a_damaged_header_is_left_alone_and_the_numbers_go_on(tmp_path: Path) -> None:
    (tmp_path / NAME).write_bytes(b"?" + day(2)[1:])
    writer = open_writer(tmp_path)
    assert writer.next_n == 3
    writer.append(frame(3))
    writer.close()
    assert (tmp_path / NAME).read_bytes() == b"?" + day(2)[1:]
    assert frames_in(tmp_path / NAME.replace("001", "002")) == [frame(3)]


def test_a_frame_out_of_order_is_refused(tmp_path: Path) -> None:
    writer = open_writer(tmp_path)
    writer.append(frame(2))
    for wrong in (frame(2), frame(1), Frame(3, 0.1, frame(1).at, "scale", b"")):
        with pytest.raises(ValueError, match="does not follow"):
            writer.append(wrong)
    writer.close()
    assert frames_in(tmp_path / NAME) == [frame(2)]


def test_parts_go_on_in_numbers_and_repeat_the_header(tmp_path: Path) -> None:
    folders = [tmp_path / "card", tmp_path / "stick"]
    writer = open_writer(folders[0], folders[1], part_bytes=1000)
    for n in range(1, 31):
        writer.append(frame(n))
        assert writer.flush() == OnDisk(journal=True, mirror=True)
    writer.close()
    for folder in folders:
        files = journal_files(folder)
        assert len(files) > 2
        assert frames_in(*files) == [frame(n) for n in range(1, 31)]
        assert all(next(read_journal(path)).item == HEADER for path in files)
    again = open_writer(folders[0], folders[1], part_bytes=1000)
    assert again.next_n == 31
    again.close()


# --- faults ---


def test_a_file_deleted_under_the_writer_is_noticed_and_a_new_part_begins(tmp_path: Path) -> None:
    writer = open_writer(tmp_path)
    writer.append(frame(1))
    writer.flush()
    (tmp_path / NAME).unlink()
    writer.append(frame(2))
    assert writer.flush().safe
    assert writer.trouble is None
    assert frames_in(*journal_files(tmp_path)) == [frame(2)]
    assert writer.position.file == NAME.replace("001", "002")
    writer.close()


def test_a_file_replaced_under_the_writer_is_not_written_over(tmp_path: Path) -> None:
    writer = open_writer(tmp_path)
    writer.append(frame(1))
    writer.flush()
    (tmp_path / "restored").write_bytes(b"old copy\n")
    (tmp_path / "restored").rename(tmp_path / NAME)
    writer.append(frame(2))
    assert writer.flush().safe
    assert (tmp_path / NAME).read_bytes() == b"old copy\n"
    assert frames_in(*journal_files(tmp_path)) == [frame(2)]
    writer.close()


def test_a_deleted_copy_is_completed_from_the_other(tmp_path: Path) -> None:
    folders = [tmp_path / "card", tmp_path / "stick"]
    for index in (0, 1):
        writer = open_writer(folders[0], folders[1])
        writer.append(frame(writer.next_n))
        writer.flush()
        (folders[index] / NAME).unlink()
        writer.append(frame(writer.next_n))
        assert writer.flush() == OnDisk(journal=True, mirror=True)
        writer.close()
        assert (folders[0] / NAME).read_bytes() == (folders[1] / NAME).read_bytes() == day(2 + 2 * index)


def test_a_missing_mirror_is_named_and_completed_when_it_comes(tmp_path: Path) -> None:
    mirror = tmp_path / "media" / "stick"
    writer = open_writer(tmp_path / "card", mirror, part_bytes=1000)
    texts = set()
    for n in range(1, 31):
        writer.append(frame(n))
        assert writer.flush() == OnDisk(journal=True, mirror=False)
        texts.add(re.sub(r"-[0-9]{3}\.jsonl", "", writer.trouble or ""))
    assert len(texts) <= 2
    assert all("stick" in text for text in texts)
    writer.close()
    mirror.parent.mkdir()
    writer = open_writer(tmp_path / "card", mirror, part_bytes=1000)
    assert writer.flush() == OnDisk(journal=True, mirror=True)
    assert writer.trouble is None
    writer.close()
    assert frames_in(*journal_files(mirror)) == [frame(n) for n in range(1, 31)]


def test_the_longer_copy_completes_the_shorter_on_opening(tmp_path: Path) -> None:
    folders = [tmp_path / "card", tmp_path / "stick"]
    for short, long in ((0, 1), (1, 0)):
        for folder in folders:
            folder.mkdir(exist_ok=True)
        (folders[short] / NAME).write_bytes(day(2) + b'{"n":3')
        (folders[long] / NAME).write_bytes(day(4))
        writer = open_writer(folders[0], folders[1])
        assert writer.next_n == 5
        assert writer.close() == OnDisk(journal=True, mirror=True)
        assert (folders[short] / NAME).read_bytes() == (folders[long] / NAME).read_bytes() == day(4)


def test_copies_that_differ_are_both_kept(tmp_path: Path) -> None:
    folders = [tmp_path / "card", tmp_path / "stick"]
    other = encode_header(HEADER) + encode_frame(frame(1, b"another"))
    for folder, text in zip(folders, (day(4), other), strict=True):
        folder.mkdir()
        (folder / NAME).write_bytes(text)
    writer = open_writer(folders[0], folders[1])
    writer.close()
    assert (folders[1] / NAME).read_bytes() == day(4)
    assert [path.read_bytes() for path in writer.set_aside] == [other]


def test_a_journal_folder_that_cannot_be_made_leaves_the_mirror_working(tmp_path: Path) -> None:
    (tmp_path / "card").write_bytes(b"a file where the folder should be")
    writer = open_writer(tmp_path / "card", tmp_path / "stick")
    writer.append(frame(1))
    assert writer.flush() == OnDisk(journal=False, mirror=True)
    assert "card" in (writer.trouble or "")
    (tmp_path / "card").unlink()
    (tmp_path / "card").mkdir()
    writer.append(frame(2))
    assert writer.flush() == OnDisk(journal=True, mirror=True)
    assert writer.trouble is None
    writer.close()
    assert (tmp_path / "card" / NAME).read_bytes() == (tmp_path / "stick" / NAME).read_bytes() == day(2)


def test_frames_wait_in_memory_in_order_while_no_medium_works(tmp_path: Path) -> None:
    (tmp_path / "card").write_bytes(b"")
    writer = open_writer(tmp_path / "card")
    for n in range(1, 600):
        writer.append(frame(n))
    assert not writer.flush().safe
    (tmp_path / "card").unlink()
    (tmp_path / "card").mkdir()
    assert writer.flush().safe
    writer.close()
    assert (tmp_path / "card" / NAME).read_bytes() == day(599)


def test_frames_beyond_the_memory_are_counted_aloud(tmp_path: Path) -> None:
    (tmp_path / "card").write_bytes(b"")
    writer = open_writer(tmp_path / "card", memory_bytes=2000)
    for n in range(1, 101):
        writer.append(frame(n))
    (tmp_path / "card").unlink()
    (tmp_path / "card").mkdir()
    writer.append(frame(101))
    assert writer.flush().safe
    kept = frames_in(tmp_path / "card" / NAME)
    assert f"{101 - len(kept)} frames were not kept" in (writer.trouble or "")
    assert [item.n for item in kept] == [*range(1, len(kept)), 101]
    writer.close()


def test_a_mirror_that_outgrew_the_memory_is_completed_by_copying(tmp_path: Path) -> None:
    card, stick = tmp_path / "card", tmp_path / "stick"
    writer = open_writer(card, stick, memory_bytes=2000)
    away = tmp_path / "away"
    writer.flush()
    stick.rename(away)
    for n in range(1, 101):
        writer.append(frame(n))
        assert writer.flush() == OnDisk(journal=True, mirror=False)
    away.rename(stick)
    assert writer.flush() == OnDisk(journal=True, mirror=True)
    assert writer.trouble is None
    writer.close()
    assert (stick / NAME).read_bytes() == day(100)


def test_a_mirror_that_was_away_while_parts_changed_gets_every_part(tmp_path: Path) -> None:
    card, stick, away = tmp_path / "card", tmp_path / "stick", tmp_path / "away"
    writer = open_writer(card, stick, part_bytes=1000)
    writer.append(frame(1))
    writer.flush()
    stick.rename(away)
    for n in range(2, 31):
        writer.append(frame(n))
        assert writer.flush() == OnDisk(journal=True, mirror=False)
    away.rename(stick)
    assert writer.flush() == OnDisk(journal=True, mirror=True)
    writer.close()
    assert [path.read_bytes() for path in journal_files(stick)] == [
        path.read_bytes() for path in journal_files(card)
    ]


def test_a_mirror_that_comes_late_with_a_longer_file_is_not_shortened(tmp_path: Path) -> None:
    card, stick, away = tmp_path / "card", tmp_path / "stick", tmp_path / "away"
    for folder, count in ((card, 2), (away, 4)):
        folder.mkdir()
        (folder / NAME).write_bytes(day(count))
    stick.write_bytes(b"in the way")
    writer = open_writer(card, stick)
    stick.unlink()
    away.rename(stick)
    writer.append(frame(3, b"another"))
    assert writer.flush() == OnDisk(journal=True, mirror=True)
    writer.close()
    assert [path.read_bytes() for path in writer.set_aside] == [day(4)]
    assert (stick / NAME).read_bytes() == (card / NAME).read_bytes()


# --- contents ---


def test_contents_are_kept_by_hash_on_both_media(tmp_path: Path) -> None:
    writer = open_writer(tmp_path / "card", tmp_path / "stick")
    sha256 = writer.keep_content(b"[station]\n")
    assert writer.keep_content(b"[station]\n") == sha256
    assert writer.flush() == OnDisk(journal=True, mirror=True)
    writer.close()
    for folder in (tmp_path / "card", tmp_path / "stick"):
        assert content(folder, sha256) == b"[station]\n"
        assert os.listdir(folder / "content") == [sha256]
    assert keep_content(tmp_path / "card", b"[station]\n") == sha256


def test_a_content_not_yet_on_disk_makes_flush_say_so(tmp_path: Path) -> None:
    writer = open_writer(tmp_path)
    (tmp_path / "content").write_bytes(b"in the way")
    sha256 = writer.keep_content(b"x")
    assert not writer.flush().safe
    (tmp_path / "content").unlink()
    assert writer.flush().safe
    assert content(tmp_path, sha256) == b"x"
    writer.close()


def test_missing_changed_and_unsound_contents_are_named(tmp_path: Path) -> None:
    sha256 = keep_content(tmp_path, b"x")
    (tmp_path / "content" / sha256).write_bytes(b"y")
    for wanted, says in (
        (sha256, "changed"),
        ("0" * 64, "cannot be read"),
        ("../../etc/passwd", "not a SHA-256"),
    ):
        with pytest.raises(ValueError, match=says):
            content(tmp_path, wanted)


# --- network shares ---


def test_the_file_system_of_a_path_is_the_deepest_and_latest_mount() -> None:
    # line format: fstab(5) and proc(5), blanks in names as \040
    mounts = (
        "/dev/mmcblk0p2 / ext4 rw 0 0\n"
        "server:/share /srv/field\\040data nfs4 rw 0 0\n"
        "//box/x /srv/x cifs rw 0 0\n"
        "/dev/sda1 /srv/x ext4 rw 0 0\n"
        "short line\n"
    )
    assert filesystem_type(Path("/home/a"), mounts) == "ext4"
    assert filesystem_type(Path("/srv/field data/db"), mounts) == "nfs4"
    assert filesystem_type(Path("/srv/field data2"), mounts) == "ext4"
    assert filesystem_type(Path("/srv/x/y"), mounts) == "ext4"
    assert filesystem_type(Path("/a"), "") == ""


def test_a_local_folder_is_no_share(tmp_path: Path) -> None:
    assert not is_network_filesystem(tmp_path)


# --- real media: full, pulled out, read-only ---


@pytest.fixture
def small_medium(tmp_path: Path) -> Iterator[Path]:
    """A file system of 1 MB of its own, as a card or stick."""
    place = tmp_path / "medium"
    place.mkdir()
    yield from mounted(place)


def mounted(place: Path) -> Iterator[Path]:
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(place)], capture_output=True, check=False
    )
    if done.returncode != 0:
        pytest.skip(f"mounting is not permitted here: {done.stderr!r}")
    yield place
    subprocess.run(["umount", "-l", str(place)], capture_output=True, check=False)


def test_a_full_disk_keeps_frames_in_memory_and_goes_on_when_there_is_room(small_medium: Path) -> None:
    writer = open_writer(small_medium)
    hog = small_medium / "photos"
    hog.write_bytes(b"x" * 900_000)
    n = 0
    while writer.flush().safe:
        n += 1
        writer.append(frame(n, b"x" * 700))
    assert "full" in (writer.trouble or "")
    size = (small_medium / NAME).stat().st_size
    for _ in range(300):
        n += 1
        writer.append(frame(n, b"x" * 700))
    assert not writer.flush().safe
    assert (small_medium / NAME).read_bytes().endswith(b"\n")
    assert (small_medium / NAME).stat().st_size - size < 1000
    assert not bad_in(small_medium / NAME)
    hog.unlink()
    assert writer.flush().safe
    assert writer.trouble is None
    writer.close()
    assert frames_in(small_medium / NAME) == [frame(number, b"x" * 700) for number in range(1, n + 1)]


def test_what_no_medium_took_is_rescued_as_a_part_that_reads_on(small_medium: Path, tmp_path: Path) -> None:
    writer = open_writer(small_medium)
    hog = small_medium / "photos"
    hog.write_bytes(b"x" * 900_000)
    n = 0
    while writer.flush().safe:
        n += 1
        writer.append(frame(n, b"x" * 700))
    writer.append(frame(n + 1))
    earlier = tmp_path / NAME.replace("-001", "-002")
    earlier.write_bytes(b"rescued before")
    rescued = writer.rescue([tmp_path / "nowhere", tmp_path])
    assert rescued is not None
    assert rescued.path == tmp_path / NAME.replace("-001", "-003")
    assert earlier.read_bytes() == b"rescued before"
    lost = writer.rescue([tmp_path / "nowhere"])
    assert lost is not None
    assert lost.path is None
    assert lost.frames == rescued.frames
    hog.unlink()
    shutil.move(rescued.path, small_medium)
    numbers = {item.n for item in frames_in(*journal_files(small_medium))}
    assert numbers == set(range(1, n + 2))
    assert open_writer(small_medium).next_n == n + 2
    assert writer.rescue([tmp_path]) is None, "there is room again: nothing was left over"


def test_the_reserve_is_given_back_when_the_disk_is_full(small_medium: Path) -> None:
    writer = open_writer(small_medium, ballast_bytes=200_000)
    assert (small_medium / "ballast").stat().st_blocks * 512 >= 200_000
    (small_medium / "photos").write_bytes(b"x" * 840_000)
    n = 0
    while writer.trouble is None:
        n += 1
        writer.append(frame(n, b"x" * 700))
        assert writer.flush().safe
    assert "reserve" in writer.trouble
    assert not (small_medium / "ballast").exists()
    for _ in range(50):
        n += 1
        writer.append(frame(n, b"x" * 700))
        assert writer.flush().safe
    writer.close()
    assert [item.n for item in frames_in(small_medium / NAME)] == list(range(1, n + 1))


def test_a_full_journal_disk_leaves_the_mirror_working(small_medium: Path, tmp_path: Path) -> None:
    stick = tmp_path / "stick"
    writer = open_writer(small_medium, stick)
    hog = small_medium / "photos"
    hog.write_bytes(b"x" * 990_000)
    for n in range(1, 401):
        writer.append(frame(n, b"x" * 700))
        assert writer.flush().safe
    assert writer.flush() == OnDisk(journal=False, mirror=True)
    hog.unlink()
    assert writer.flush() == OnDisk(journal=True, mirror=True)
    writer.close()
    assert (small_medium / NAME).read_bytes() == (stick / NAME).read_bytes()


def test_a_stick_pulled_out_is_named_once_and_completed_when_it_is_back(
    small_medium: Path, tmp_path: Path
) -> None:
    card = tmp_path / "card"
    writer = open_writer(card, small_medium)
    assert not writer.mirror_on_same_medium
    writer.append(frame(1))
    assert writer.flush() == OnDisk(journal=True, mirror=True)
    subprocess.run(["umount", "-l", str(small_medium)], check=True)
    texts = set()
    for n in range(2, 20):
        writer.append(frame(n))
        assert writer.flush() == OnDisk(journal=True, mirror=False)
        texts.add(writer.trouble or "")
    assert len(texts) == 1
    assert str(small_medium) in texts.pop()
    assert os.listdir(small_medium) == []
    for _ in mounted(small_medium):
        writer.append(frame(20))
        assert writer.flush() == OnDisk(journal=True, mirror=True)
        assert writer.trouble is None
        assert (small_medium / NAME).read_bytes() == day(20)
    writer.close()


def test_a_medium_that_turns_read_only_is_named_and_used_again_afterwards(small_medium: Path) -> None:
    writer = open_writer(small_medium)
    writer.append(frame(1))
    writer.close()  # a file open for writing would forbid the remount
    subprocess.run(["mount", "-o", "remount,ro", str(small_medium)], check=True)
    writer.append(frame(2))
    assert not writer.flush().safe
    assert "only be read" in (writer.trouble or "")
    subprocess.run(["mount", "-o", "remount,rw", str(small_medium)], check=True)
    assert writer.flush().safe
    writer.close()
    assert (small_medium / NAME).read_bytes() == day(2)


# --- killed and injected ---


def acknowledged(output: str) -> int:
    return max((int(line.split()[1]) for line in output.splitlines() if line.startswith("safe ")), default=0)


def test_a_killed_writer_loses_nothing_that_it_acknowledged(tmp_path: Path) -> None:
    rng = random.Random(7)
    for _ in range(10):
        process = subprocess.Popen(
            [sys.executable, str(WRITER), str(tmp_path / "card"), str(tmp_path / "stick"), "1000000"],
            stdout=subprocess.PIPE,
            text=True,
            cwd=ROOT,
        )
        assert process.stdout is not None
        told = [process.stdout.readline() for _ in range(rng.randrange(1, 200))]
        process.kill()
        told += process.stdout.readlines()
        process.wait()
        process.stdout.close()
        appended = max(int(line.split()[1]) for line in told if line.endswith("\n"))
        for folder in (tmp_path / "card", tmp_path / "stick"):
            numbers = [item.n for item in frames_in(*journal_files(folder))]
            assert numbers == list(range(1, len(numbers) + 1))
            assert len(numbers) >= appended


@pytest.mark.parametrize(
    "fault",
    [
        "fdatasync:error=EIO:when=3..9",
        "pwrite64:error=EIO:when=5..20",
        "pwrite64:error=ENOSPC:when=5..20",
        "pwrite64:error=EROFS:when=5..20",
    ],
)
def test_injected_faults_leave_whole_lines_and_nothing_lost(tmp_path: Path, fault: str) -> None:
    call = fault.split(":")[0]
    command = ["strace", "-f", "-qq", "-o", "/dev/null", "-e", f"trace={call}", "-e", f"inject={fault}"]
    try:
        done = subprocess.run(
            [*command, sys.executable, str(WRITER), str(tmp_path / "card"), "-", "40"],
            capture_output=True,
            text=True,
            cwd=ROOT,
            check=False,
        )
    except FileNotFoundError:
        pytest.skip("strace is not installed")
    assert done.returncode == 0, done.stderr
    assert "trouble" in done.stdout
    assert acknowledged(done.stdout) == 40
    paths = journal_files(tmp_path / "card")
    assert [item.n for item in frames_in(*paths)] == list(range(1, 41))
    assert not any(bad_in(path) for path in paths)
