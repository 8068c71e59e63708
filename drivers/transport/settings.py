"""Where an instrument is plugged in and how its port must be set: values only, nothing is opened here."""

import re
from dataclasses import dataclass
from typing import Literal
from urllib.parse import urlsplit

from pydantic import BaseModel, ConfigDict, Field, StrictBool, field_validator

_USB = re.compile(
    r"usb:(?P<vid>[0-9a-f]{4}):(?P<pid>[0-9a-f]{4})(?::(?P<serial>[^@]+))?(?:@(?P<location>.+))?",
    re.IGNORECASE,
)
_FORMS = (
    "a device path such as /dev/serial/by-id/..., socket://host:port, rfc2217://host:port, "
    "or usb:VID:PID[:serial][@location]"
)


@dataclass(frozen=True, slots=True)
class DevicePath:
    """A device node, or a link to one that is followed anew at each open."""

    path: str


@dataclass(frozen=True, slots=True)
class RawTcp:
    """A serial server that passes bytes on as they are."""

    host: str
    port: int


@dataclass(frozen=True, slots=True)
class TelnetTcp:
    """A serial server that also takes line settings (RFC 2217). `url` may carry pyserial's options."""

    url: str


@dataclass(frozen=True, slots=True)
class UsbPort:
    """A USB serial port or HID instrument by vendor and product id, narrowed by serial number or by the
    plug's location (1-1.2, with an interface 1-1.2:1.0)."""

    vid: int
    pid: int
    serial: str | None = None
    location: str | None = None


Address = DevicePath | RawTcp | TelnetTcp | UsbPort


def parse_address(text: str) -> Address:
    """Read one of the four forms of an address; raises ValueError with one sentence."""
    if text.startswith("/"):
        return DevicePath(text)
    if usb := _USB.fullmatch(text):
        return UsbPort(int(usb["vid"], 16), int(usb["pid"], 16), usb["serial"], usb["location"])
    scheme = text.partition("://")[0]
    if scheme in ("socket", "rfc2217"):
        try:
            parts = urlsplit(text)
            host, port = parts.hostname, parts.port
        except ValueError:
            host, port = None, None
        if not host or not port:
            raise ValueError(
                f"the address {text!r} lacks a host or a port number: write {scheme}://host:port"
            )
        return RawTcp(host, port) if scheme == "socket" else TelnetTcp(text)
    raise ValueError(f"the address {text!r} is in no known form: use {_FORMS}")


class Keepalive(BaseModel):
    """How soon a connection without a sign of life is given up: `idle_s + interval_s * count` seconds."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    idle_s: int = Field(default=5, ge=1, le=3600)
    interval_s: int = Field(default=2, ge=1, le=600)
    count: int = Field(default=3, ge=1, le=20)

    @property
    def give_up_s(self) -> int:
        """Seconds from the last sign of life until the connection counts as broken."""
        return self.idle_s + self.interval_s * self.count


class PortSettings(BaseModel):
    """One port. Line settings mean nothing to `socket://`, keepalive figures mean nothing to a local port.

    `dtr` and `rts` are the levels after opening. Linux raises both for an instant at each open, whatever is
    set here; an instrument that restarts on such a pulse does so once per open, so a port is kept open.
    Flow control is always off: it would swallow 0x11 and 0x13 from binary frames. `usb` "hid": the address
    is that of an instrument of the HID class, which has no serial port.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    address: str
    baud: int = Field(default=9600, gt=0, le=4_000_000)
    data_bits: Literal[5, 6, 7, 8] = 8
    parity: Literal["none", "even", "odd", "mark", "space"] = "none"
    stop_bits: Literal[1, 2] = 1
    dtr: StrictBool = True
    rts: StrictBool = True
    exclusive: StrictBool = True
    usb: Literal["serial", "hid"] = "serial"
    keepalive: Keepalive = Keepalive()

    @field_validator("address")
    @classmethod
    def _address_has_a_known_form(cls, text: str) -> str:
        parse_address(text)
        return text

    @property
    def where(self) -> Address:
        return parse_address(self.address)
