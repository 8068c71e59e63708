"""A real USB stick with FAT in a guest: its plug is pulled after it was called safe, and in the middle of a copy."""

from pathlib import Path

import pytest

from tests.guest.machine import Machine
from tests.guest.packages import Parts

KERNEL_MODULES = (
    "dummy_hcd", "libcomposite", "usb_f_mass_storage", "usb_storage", "sd_mod", "vfat", "nls_cp437", "nls_ascii", "nls_utf8",
)  # fmt: skip


@pytest.mark.long
@pytest.mark.timeout(900)
def test_a_stick_pulled_without_unmounting_holds_what_the_crew_was_told(parts: Parts, tmp_path: Path) -> None:
    with Machine(parts, tmp_path, "tests.guest.stick_job", modules=KERNEL_MODULES) as machine:
        safe, card, middle, last, told, _end = machine.wait_for_end(800)
    assert safe["whole"], "what was called safe was not"
    # The comparison: the same stick, the same pull, a file written as anybody writes one.
    assert safe["plain"] != "copied as anybody copies a file", (
        "this stick loses nothing: the test shows nothing"
    )
    assert card["left_on_the_card"] == []
    assert middle["whole"], "the older copy did not outlive the pull"
    assert not middle["manifest"], "half a copy has a manifest"
    assert last["whole"]
    assert told["told"].count("stick_failed") == 1
