"""The station on USB instruments that a stock Debian kernel knows as real ones, in a guest."""

from pathlib import Path

import pytest

from tests.guest.device_job import length_mm, tag, weight_g
from tests.guest.machine import Machine
from tests.guest.packages import Parts

KERNEL_MODULES = ("dummy_hcd", "libcomposite", "usb_f_acm", "usb_f_hid", "cdc_acm", "usbhid", "hid_generic")


@pytest.mark.long
@pytest.mark.timeout(900)
def test_fish_are_recorded_from_real_usb_devices_through_every_unplugging(
    parts: Parts, tmp_path: Path
) -> None:
    with Machine(
        parts, tmp_path, "tests.guest.device_job", modules=KERNEL_MODULES, options="dummy_hcd.num=4"
    ) as machine:
        said = machine.wait_for_end(800)
    first, opened, *replugged, killed, last, _end = said
    assert first["nodes"] == ["ttyACM0", "ttyACM1"]
    assert opened["hid_while_open"] == 0, "the kernel still reads the scale or the wedge"
    assert [one["replugged"] for one in replugged] == ["reader", "scale", "wedge", "board", "scale"]
    for one in replugged:
        assert one["others"] == ["opened"], f"the {one['replugged']} took another instrument with it"
        assert one["nodes"] == ["ttyACM0", "ttyACM1"], "a port came back under another number"
    assert killed["hid_after_kill"] == 0
    assert last["hid_after_stop"] == 2, "the scale or the wedge was not given back"
    assert last["stopped"] == 0
    # Exactly these fish, each with its own parts: no half line, no old report, no echo became a value.
    assert last["records"] == [
        {"tag": tag(n), "length_mm": float(length_mm(n)), "weight_g": float(weight_g(n)), "status": "saved"}
        for n in range(1, len(last["records"]) + 1)
    ]
    assert len(last["records"]) == 8
    assert last["instruments"]["reader"]["outcomes"]["Damaged fragment"] >= 1
    assert last["agrees"], last["rebuild"]
    print(
        f"\nkernel {first['kernel']}: {len(last['records'])} fish from real USB devices, {last['rebuild'][0]}"
    )
    for one in replugged:
        print(
            f"  {one['replugged']} unplugged: missed after {one['missed_s']} s, open again {one['back_s']} s after its plug"
        )
