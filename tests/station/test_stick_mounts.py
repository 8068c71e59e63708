"""The kernel's table of mounts, read for sticks."""

from hypothesis import given
from hypothesis import strategies as st

from station.sticks.mounts import Mount, mounts_below

# The form of the lines is that of proc_pid_mountinfo(5); numbers and names are invented.
TABLE = r"""22 27 0:21 / / rw,relatime - ext4 /dev/root rw
36 22 8:1 / /media/crew/BLUE\040STICK rw,nosuid shared:1 master:2 - vfat /dev/sda1 rw,uid=1000
37 22 8:17 / /media/crew/LOCKED ro,nosuid shared:3 - vfat /dev/sdb1 ro,uid=1000
38 22 8:33 / /mnt/writable rw shared:4 - ext4 /dev/sdc1 ro,errors=remount-ro
39 22 0:50 / /mnt/share rw - nfs4 192.0.2.1:/share rw
40 22 0:51 / /media/auto rw - autofs systemd-1 rw
41 22 8:49 / /medial rw - ext4 /dev/sdd1 rw
"""


def test_sticks_are_found_below_the_roots_only() -> None:
    assert mounts_below(["/media", "/mnt"], TABLE) == (
        Mount(36, "/media/crew/BLUE STICK", "vfat"),
        Mount(37, "/media/crew/LOCKED", "vfat"),
        Mount(38, "/mnt/writable", "ext4"),
    )
    assert mounts_below([], TABLE) == ()


def test_a_stick_is_called_by_its_mount_point() -> None:
    assert [one.name for one in mounts_below(["/media"], TABLE)] == ["BLUE STICK", "LOCKED"]


def test_of_two_at_one_place_the_later_counts() -> None:
    later = TABLE + "99 22 8:1 / /media/crew/LOCKED rw - vfat /dev/sde1 rw\n"
    assert mounts_below(["/media/crew/LOCKED"], later) == (Mount(99, "/media/crew/LOCKED", "vfat"),)


@given(st.text(alphabet="0123456789:/ -\\\nrwo.media", max_size=300))
def test_any_table_is_read(table: str) -> None:
    for one in mounts_below(["/media"], table):
        assert one.path.startswith("/media")
