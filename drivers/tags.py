"""Tag codes: the many ways in which readers write one, and the one canonical text behind them.

A code of ISO 11784 is kept as 15 decimal digits (3 of country or maker, 12 of national number), as text,
because country codes begin with zeros. The older 40-bit codes of 125 kHz tags have no ISO meaning and are
never mapped to 15 digits: they stay a scheme of their own, kept as 10 upper-case hex digits. A print that
only shows the low 32 bits of such a code (10 decimals, or 8 + 16 bits with a comma) lacks the first byte: not
read here.

Layout of the 64 bits (bit 1 = most significant): 1 animal, 2-4 retagging counter, 5-9 user information,
10-14 reserved (ISO 11784:2024 puts the first digit of the visual number in 12-14: secondary source only),
15 advanced transponder, 16 data block follows, 17-26 country or maker, 27-64 national number.
Sources: ISO 11784; bit numbers as in the comments of cmdlffdxb.c of an open RFID research tool; the slide
"ISO 11784 coding" of the registration authority (38 bits = 274 877 906 944 codes).

No written form has a check digit, so the ranges are the only guard: 27.5 % of all 12-digit numbers fit 38
bits.
"""

import re
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType
from typing import Final

LARGEST_NATIONAL: Final = (1 << 38) - 1
LARGEST_ID40: Final = (1 << 40) - 1
TEST_CODE: Final = 999  # "reserved for testing": accepted, but promises no uniqueness

# ISO 3166-1 numeric, the 249 entries of the Debian package iso-codes 4.15.0 (iso_3166-1.json). Without
# withdrawn codes, and without 983, which some lists carry for Kosovo: 900-998 belong to the makers of tags.
_ISO_3166_1: Final = """
    004 008 010 012 016 020 024 028 031 032 036 040 044 048 050 051 052 056 060 064 068 070 072 074 076
    084 086 090 092 096 100 104 108 112 116 120 124 132 136 140 144 148 152 156 158 162 166 170 174 175
    178 180 184 188 191 192 196 203 204 208 212 214 218 222 226 231 232 233 234 238 239 242 246 248 250
    254 258 260 262 266 268 270 275 276 288 292 296 300 304 308 312 316 320 324 328 332 334 336 340 344
    348 352 356 360 364 368 372 376 380 384 388 392 398 400 404 408 410 414 417 418 422 426 428 430 434
    438 440 442 446 450 454 458 462 466 470 474 478 480 484 492 496 498 499 500 504 508 512 516 520 524
    528 531 533 534 535 540 548 554 558 562 566 570 574 578 580 581 583 584 585 586 591 598 600 604 608
    612 616 620 624 626 630 634 638 642 643 646 652 654 659 660 662 663 666 670 674 678 682 686 688 690
    694 702 703 704 705 706 710 716 724 728 729 732 740 744 748 752 756 760 762 764 768 772 776 780 784
    788 792 795 796 798 800 804 807 818 826 831 832 833 834 840 850 854 858 860 862 876 882 887 894
"""
COUNTRY_CODES: Final = frozenset(int(code) for code in _ISO_3166_1.split())


class TagCodeError(ValueError):
    """A text is no tag code. The message is one sentence: what is wrong, which value, what to do."""


class Scheme(StrEnum):
    ISO_11784 = "iso_11784"
    ID40 = "id40"


class TagForm(StrEnum):
    """How a code is written. The values are the words of the instrument files.

    One code in each form: 999123456789012, 999.123456789012, 999.123.456.789.012, 3E7.1CBE991A14,
    8000F9DCBE991A14, 2858997D3B9F0001, 141A99BEDCF90080, 41A199EBC17E3; a 40-bit code: 06001259E3,
    0025771006435. `SPLIT` and `TRIADS` take a dot, a space or a hyphen. Hex in either case; 16 and 10 digits
    also after 0x.
    """

    DECIMAL = "decimal"
    SPLIT = "split"
    TRIADS = "triads"
    DOTTED_HEX = "dotted_hex"
    HEX_BIT1_FIRST = "hex_bit1_first"
    HEX_TRANSMISSION = "hex_transmission"  # as sent over the air: bit 64 first
    HEX_LSBYTE_FIRST = "hex_lsbyte_first"  # the 8 bytes of the number, least significant byte first
    NIBBLE_REVERSED = "nibble_reversed"  # 10 digits of national number + 3 of country, each backwards
    ID40_HEX = "id40_hex"
    ID40_DECIMAL = "id40_decimal"


# Length and separators alone tell these apart, in a whole field. The rest needs to be told what it reads.
UNMISTAKABLE: Final = frozenset(
    {TagForm.DECIMAL, TagForm.SPLIT, TagForm.TRIADS, TagForm.DOTTED_HEX, TagForm.ID40_HEX}
)
HEX16_FORMS: Final = (TagForm.HEX_BIT1_FIRST, TagForm.HEX_TRANSMISSION, TagForm.HEX_LSBYTE_FIRST)


@dataclass(frozen=True, slots=True)
class TagCode:
    """One tag code. Two codes are the same tag if their `text` is the same.

    `text` is canonical: 15 decimal digits, or 10 upper-case hex digits of a 40-bit code. `country` (1-999)
    and `national` (0 to 2^38-1) are None for a 40-bit code. A flag is None where the written form does not
    carry it.
    """

    text: str
    scheme: Scheme
    country: int | None = None
    national: int | None = None
    animal: bool | None = None
    retag: int | None = None  # 0-7
    user: int | None = None  # 0-31
    reserved: int | None = None  # 0-31
    advanced: bool | None = None
    data_block: bool | None = None

    def id64(self) -> int:
        """The 64 bits of an ISO 11784 code, bit 1 most significant; unknown flags as in a plain animal tag.

        Raises TagCodeError for a 40-bit code.
        """
        if self.country is None or self.national is None:
            raise TagCodeError(
                f"{self.text} is a 40-bit code and has no ISO 11784 form; use one of the id40 forms."
            )
        animal = 1 if self.animal is None else int(self.animal)
        return (
            animal << 63
            | (self.retag or 0) << 60
            | (self.user or 0) << 55
            | (self.reserved or 0) << 50
            | int(self.advanced or 0) << 49
            | int(self.data_block or 0) << 48
            | self.country << 38
            | self.national
        )


def iso_code(country: int, national: int) -> TagCode:
    """The code of a country or maker (1-999) and a national number; TagCodeError if there is no such code."""
    if (fault := _fault(country, national)) is not None:
        raise _refusal(f"{country:03d}{national:012d}", fault)
    return TagCode(f"{country:03d}{national:012d}", Scheme.ISO_11784, country, national)


def iso_code_from_id64(id64: int) -> TagCode:
    """The code in 64 bits, bit 1 most significant, with its flags; TagCodeError if there is no such code."""
    return _from_id64(id64, f"{id64:016X}")


def id40_code(number: int) -> TagCode:
    """The code of a 40-bit number; TagCodeError if it needs more bits."""
    return _from_id40(number, str(number))


def parse_tag(text: str, *, form: TagForm | None = None) -> TagCode:
    """Read a field that holds a tag code and nothing else (white space around it does no harm).

    Without `form`, the forms in `UNMISTAKABLE` are tried, which include both canonical texts.
    Raises TagCodeError, and nothing else, for any text that is no code.
    """
    forms = UNMISTAKABLE if form is None else frozenset({form})
    field = text.strip(" \t\r\n")
    matching = [known for known in TagForm if known in forms and _WHOLE[known].fullmatch(field)]
    if not matching:
        raise _refusal(text, f"it is not {_in_words(forms)}")
    return _read(field, matching)


def write_tag(code: TagCode, form: TagForm, *, separator: str = ".") -> str:
    """The code in one of its written forms, hex in upper case; `separator` serves `SPLIT` and `TRIADS`.

    Raises TagCodeError if the scheme of the code has no such form.
    """
    if form in (TagForm.ID40_HEX, TagForm.ID40_DECIMAL):
        if code.scheme is not Scheme.ID40:
            raise TagCodeError(
                f"{code.text} is an ISO 11784 code and has no 40-bit form; use one of the ISO forms."
            )
        return code.text if form is TagForm.ID40_HEX else f"{int(code.text, 16):013d}"
    id64 = code.id64()
    country, national = id64 >> 38 & 0x3FF, id64 & LARGEST_NATIONAL
    match form:
        case TagForm.DECIMAL:
            return code.text
        case TagForm.SPLIT:
            return f"{code.text[:3]}{separator}{code.text[3:]}"
        case TagForm.TRIADS:
            return separator.join(code.text[at : at + 3] for at in range(0, 15, 3))
        case TagForm.DOTTED_HEX:
            return f"{country:03X}.{national:010X}"
        case TagForm.NIBBLE_REVERSED:
            return f"{national:010X}"[::-1] + f"{country:03X}"[::-1]
        case _:
            return f"{_reordered(id64, form):016X}"


def find_tags(text: str, forms: Collection[TagForm]) -> TagCode | None:
    """The tag code that stands anywhere in one line; stray NULs, STX, ETX and line ends do no harm.

    A code touches no other letter or digit. The same code may stand there more than once. None: nothing in
    the line is, or was meant as, a code (a banner). Raises TagCodeError, and nothing else, if two different
    codes stand there, if a code is out of range, if something nearly is a code (14 digits, codes run
    together), or if a byte is damaged.

    Several orders of 16 hex digits in `forms` are told apart only if exactly one gives a plain code: prefer
    one. Long numbers that are no tag (15 or more digits, 11 or more without a tag beside them) are refused:
    such lines need a pattern that cuts out the field of the tag.

    Allow a 40-bit form beside ISO forms only for a reader that sends both: the tail of a cut ISO code (10 of
    15 digits, or the second part of dotted hex) cannot be told from a 40-bit code.
    """
    line = text.strip(_AROUND)
    places = _places(line, forms)
    if _damaged(line, places):
        raise _refusal(text, "a byte of it is damaged")
    codes: dict[str, TagCode] = {}
    for (start, end), matching in places.items():
        code = _read(line[start:end], matching)
        if code.text not in codes or code.animal is not None:
            codes[code.text] = code
    if len(codes) > 1:
        raise TagCodeError(
            f"Two different tag codes, {' and '.join(sorted(codes)[:2])}, stand in one line; "
            "clear the antenna and read one tag alone."
        )
    for nearly in _nearly_codes(line, places):
        raise _refusal(nearly, f"it is not {_in_words(forms)}")
    return next(iter(codes.values()), None)


# What a code looks like, and in words. Where it may stand in a line is said once, in `_ANYWHERE`.
_SHAPES: Final[Mapping[TagForm, tuple[str, str]]] = MappingProxyType(
    {
        TagForm.DECIMAL: (r"[0-9]{15}", "15 digits"),
        TagForm.SPLIT: (r"[0-9]{3}[ .-][0-9]{12}", "3 + 12 digits"),
        TagForm.TRIADS: (r"[0-9]{3}([ .-])[0-9]{3}(?:\2[0-9]{3}){3}", "5 x 3 digits"),
        TagForm.DOTTED_HEX: (r"[0-9A-Fa-f]{3}\.[0-9A-Fa-f]{10}", "3.10 hex digits"),
        TagForm.HEX_BIT1_FIRST: (r"(?:0[xX])?[0-9A-Fa-f]{16}", "16 hex digits"),
        TagForm.HEX_TRANSMISSION: (r"(?:0[xX])?[0-9A-Fa-f]{16}", "16 hex digits"),
        TagForm.HEX_LSBYTE_FIRST: (r"(?:0[xX])?[0-9A-Fa-f]{16}", "16 hex digits"),
        TagForm.NIBBLE_REVERSED: (r"[0-9A-Fa-f]{10} ?[0-9A-Fa-f]{3}", "10 + 3 reversed hex digits"),
        TagForm.ID40_HEX: (r"(?:0[xX])?[0-9A-Fa-f]{10}", "10 hex digits"),
        TagForm.ID40_DECIMAL: (r"[0-9]{13}", "13 digits"),
    }
)
_WHOLE: Final[Mapping[TagForm, re.Pattern[str]]] = MappingProxyType(
    {form: re.compile(f"({shape})") for form, (shape, _) in _SHAPES.items()}
)
# The look-ahead finds overlapping places too: six triads in a row are two codes, not the first five.
_ANYWHERE: Final[Mapping[TagForm, re.Pattern[str]]] = MappingProxyType(
    {
        form: re.compile(rf"(?<![0-9A-Za-z])(?<![0-9A-Za-z]\.)(?=({shape})(?![0-9A-Za-z])(?!\.[0-9A-Za-z]))")
        for form, (shape, _) in _SHAPES.items()
    }
)
_AROUND: Final = "\x00\x02\x03\x11\x13\r\n\t "
_RUN: Final = re.compile(r"[0-9A-Za-z]+")
_BROKEN_TRIADS: Final = re.compile(r"(?<![0-9A-Za-z])[0-9]{3}([ .-])[0-9]{3}(?:\1[0-9]{3}){2,}\1[0-9A-Za-z]+")
_BROKEN_DOTTED_HEX: Final = re.compile(r"(?<![0-9A-Za-z.])[0-9A-Fa-f]{3}\.[0-9A-Fa-f]{8,12}(?![0-9A-Za-z])")
# A NUL counts as damage only inside a run: there it may stand for a lost digit.
_DAMAGE: Final = re.compile(r"[^\x00\x02\x03\r\n\t -~]|(?<=[0-9A-Za-z])\x00+(?=[0-9A-Za-z])")
_RUN_WITH_DAMAGE: Final = re.compile(r"[^\x02\x03\r\n\t -/:-@\[-`{-~]+")

_NO_DIGITS: Final = str.maketrans("", "", "0123456789")
_NO_HEX_DIGITS: Final = str.maketrans("", "", "0123456789ABCDEFabcdef")

_Places = dict[tuple[int, int], list[TagForm]]


def _places(line: str, forms: Collection[TagForm]) -> _Places:
    """Where something of the shape of a code stands: (start, end) to the forms that it has the shape of."""
    places: _Places = {}
    for form, pattern in _ANYWHERE.items():
        if form in forms:
            for match in pattern.finditer(line):
                places.setdefault(match.span(1), []).append(form)
    return places


def _damaged(line: str, places: _Places) -> bool:
    if _DAMAGE.search(line) is None:
        return False
    return bool(places) or any(
        sum(char in "0123456789" for char in run) >= 8 and _DAMAGE.search(run) is not None
        for run in _RUN_WITH_DAMAGE.findall(line)
    )


def _nearly_codes(line: str, places: _Places) -> Iterator[str]:
    """What has no form's shape and yet looks like a broken code; beside a whole code a time may stand."""
    least_digits = 15 if places else 11
    for match in _RUN.finditer(line):
        run = match.group()
        digits = len(run) - len(run.translate(_NO_DIGITS))
        hex_run = len(run) >= 13 and digits > 0 and not run.translate(_NO_HEX_DIGITS)
        if (digits >= least_digits or (hex_run and not places)) and not _overlaps(match.span(), places):
            yield run
    if not places:
        for pattern in (_BROKEN_TRIADS, _BROKEN_DOTTED_HEX):
            if (broken := pattern.search(line)) is not None:
                yield broken.group()


def _overlaps(span: tuple[int, int], places: _Places) -> bool:
    return any(span[0] < end and start < span[1] for start, end in places)


def _read(text: str, forms: Sequence[TagForm]) -> TagCode:
    """The one code that `text`, which has the shape of all of `forms`, stands for."""
    codes: dict[str, TagCode] = {}
    refused: list[TagCodeError] = []
    orders = [form for form in forms if form in HEX16_FORMS]
    for form in forms:
        try:
            if form not in orders:
                code = _read_as(text, form)
            elif form is orders[0]:
                code = _read_hex16(text, orders)
            else:
                continue
            codes[code.text] = code
        except TagCodeError as error:
            refused.append(error)
    if len(codes) > 1:
        raise TagCodeError(
            f"{_shown(text)} can be read as {' or as '.join(sorted(codes))}; "
            "name only one of these forms in the settings of the reader."
        )
    if not codes:
        raise refused[0]
    return next(iter(codes.values()))


def _read_as(text: str, form: TagForm) -> TagCode:
    digits = re.sub("[ .-]", "", text)
    match form:
        case TagForm.ID40_HEX:
            return _from_id40(int(digits, 16), text)
        case TagForm.ID40_DECIMAL:
            return _from_id40(int(digits), text)
        case TagForm.DOTTED_HEX:
            country, national = int(digits[:3], 16), int(digits[3:], 16)
        case TagForm.NIBBLE_REVERSED:
            country, national = int(digits[:9:-1], 16), int(digits[9::-1], 16)
        case _:
            country, national = int(digits[:3]), int(digits[3:])
    if (fault := _fault(country, national)) is not None:
        raise _refusal(text, fault)
    return iso_code(country, national)


def _read_hex16(text: str, orders: Sequence[TagForm]) -> TagCode:
    """Sixteen hex digits in the one order configured, or in whichever of several gives the only plain code.

    A third of all codes read in the wrong order still get a valid country, so validity is not enough: the
    flags decide. They refuse a reading in the configured order only if it is odd and another order is plain.
    """
    readings: dict[TagForm, TagCode] = {}
    for order in HEX16_FORMS:
        try:
            readings[order] = _from_id64(_reordered(int(text, 16), order), text)
        except TagCodeError as error:
            if list(orders) == [order]:
                refusal = error
    plain = {order: code for order, code in readings.items() if _is_plain(code)}
    if len(orders) > 1:
        wanted = {code.text: code for order, code in plain.items() if order in orders}
        if len(wanted) == 1:
            return next(iter(wanted.values()))
        raise TagCodeError(
            f"{_shown(text)} is no tag code that tells its own bit order; "
            "read the tag again, and name one order in the settings of the reader."
        )
    (configured,) = orders
    if configured not in plain and plain:
        raise TagCodeError(
            f"{_shown(text)} makes sense as {next(iter(plain))} but not as {configured}; "
            "check the order of hex digits in the settings of the reader."
        )
    if configured not in readings:
        raise refusal
    return readings[configured]


def _is_plain(code: TagCode) -> bool:
    return not (code.user or code.reserved or code.advanced)


def _reordered(id64: int, order: TagForm) -> int:
    """Between the number with bit 1 first and the digits of an order: each is its own inverse."""
    match order:
        case TagForm.HEX_TRANSMISSION:
            return int(f"{id64:064b}"[::-1], 2)
        case TagForm.HEX_LSBYTE_FIRST:
            return int.from_bytes(id64.to_bytes(8, "little"), "big")
        case _:
            return id64


def _from_id64(id64: int, text: str) -> TagCode:
    country, national = id64 >> 38 & 0x3FF, id64 & LARGEST_NATIONAL
    if (fault := _fault(country, national)) is not None:
        raise _refusal(text, fault)
    return TagCode(
        f"{country:03d}{national:012d}",
        Scheme.ISO_11784,
        country,
        national,
        animal=bool(id64 >> 63 & 1),
        retag=id64 >> 60 & 7,
        user=id64 >> 55 & 31,
        reserved=id64 >> 50 & 31,
        advanced=bool(id64 >> 49 & 1),
        data_block=bool(id64 >> 48 & 1),
    )


def _from_id40(number: int, text: str) -> TagCode:
    if not 0 <= number <= LARGEST_ID40:
        raise _refusal(text, f"{number} needs more than 40 bits")
    return TagCode(f"{number:010X}", Scheme.ID40)


def _fault(country: int, national: int) -> str | None:
    if not 0 <= national <= LARGEST_NATIONAL:
        return f"its national number {national} is larger than {LARGEST_NATIONAL}, the most that 38 bits hold"
    if 1 <= country < 900 and country not in COUNTRY_CODES:
        return f"{country:03d} is no country of ISO 3166-1"
    if not 1 <= country <= TEST_CODE:
        return f"{country:03d} is neither a country nor a maker of tags"
    return None


def _refusal(text: str, fault: str) -> TagCodeError:
    return TagCodeError(f"{_shown(text)} is no tag code: {fault}; read the tag again.")


def _shown(text: str) -> str:
    """The value for a message: printable, and not longer than a line of it can be."""
    shown = ascii(text.strip(_AROUND))[1:-1] or "Nothing"
    return shown if len(shown) <= 60 else f"{shown[:57]}..."


def _in_words(forms: Collection[TagForm]) -> str:
    *others, last = dict.fromkeys(_SHAPES[form][1] for form in TagForm if form in forms)
    return f"{', '.join(others)} or {last}" if others else last
