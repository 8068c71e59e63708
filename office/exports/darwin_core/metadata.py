"""The two XML files of an archive: what its tables are (meta.xml), and whose data they are (eml.xml). Pure.

meta.xml: Darwin Core text guide, http://rs.tdwg.org/dwc/text/ (schema tdwg_dwc_text.xsd). eml.xml: Ecological
Metadata Language 2.1.1, elements in the order of the GBIF profile 1.1 (from memory).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from xml.etree import ElementTree

from pydantic import BaseModel, ConfigDict

from office.exports.darwin_core.terms import DWC, TABLES

_TODO = "INSERT YOUR OWN"


class About(BaseModel):
    """Who shares the data and on what terms: the owner's TOML file; what it leaves out is to be filled in."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    title: str = f"{_TODO} TITLE"
    abstract: str = f"{_TODO} ABSTRACT: what was surveyed, how, and why"
    organization: str = f"{_TODO} ORGANIZATION"
    email: str | None = None
    licence: str = f"{_TODO} LICENCE"
    licence_url: str | None = None
    language: str = "en"
    package_id: str = "tallywell-records"

    @property
    def missing(self) -> tuple[str, ...]:
        """The keys whose text is still to be written."""
        return tuple(name for name in type(self).model_fields if str(getattr(self, name)).startswith(_TODO))


@dataclass(frozen=True, slots=True)
class Extent:
    """First and last day of the events, and the box of their points (west, east, north, south), degrees."""

    first_day: str | None = None
    last_day: str | None = None
    box: tuple[float, float, float, float] | None = None
    waters: Sequence[str] = ()


def meta_xml() -> bytes:
    root = ElementTree.Element("archive", {"xmlns": "http://rs.tdwg.org/dwc/text/", "metadata": "eml.xml"})
    for number, table in enumerate(TABLES):
        kind = "extension" if number else "core"
        attributes = {
            "encoding": "UTF-8",
            "fieldsTerminatedBy": ",",
            "linesTerminatedBy": "\\n",
            "fieldsEnclosedBy": '"',
            "ignoreHeaderLines": "1",
            "rowType": table.row_type,
        }
        element = ElementTree.SubElement(root, kind, attributes)
        _text(ElementTree.SubElement(element, "files"), "location", table.file)
        ElementTree.SubElement(element, "coreid" if number else "id", {"index": "0"})
        for index, column in enumerate(table.columns):
            if number and index == 0:
                continue  # the link to the event is the coreid, and no term of its own
            ElementTree.SubElement(element, "field", {"index": str(index), "term": DWC + column})
    return _document(root)


def eml_xml(about: About, extent: Extent, published: date) -> bytes:
    root = ElementTree.Element(
        "eml:eml",
        {
            "xmlns:eml": "eml://ecoinformatics.org/eml-2.1.1",
            "packageId": about.package_id,
            "system": "tallywell",
            "scope": "system",
            "xml:lang": about.language,
        },
    )
    data = ElementTree.SubElement(root, "dataset")
    _text(data, "title", about.title)
    for role in ("creator", "metadataProvider"):
        _party(data, role, about)
    _text(data, "pubDate", published.isoformat())
    _text(data, "language", about.language)
    _text(ElementTree.SubElement(data, "abstract"), "para", about.abstract)
    rights = ElementTree.SubElement(ElementTree.SubElement(data, "intellectualRights"), "para")
    if about.licence_url:
        _text(ElementTree.SubElement(rights, "ulink", {"url": about.licence_url}), "citetitle", about.licence)
    else:
        rights.text = about.licence
    _coverage(data, extent)
    _party(data, "contact", about)
    return _document(root)


def _coverage(data: ElementTree.Element, extent: Extent) -> None:
    if extent.box is None and extent.first_day is None:
        return
    coverage = ElementTree.SubElement(data, "coverage")
    if extent.box is not None:
        place = ElementTree.SubElement(coverage, "geographicCoverage")
        _text(place, "geographicDescription", ", ".join(extent.waters) or "not named")
        box = ElementTree.SubElement(place, "boundingCoordinates")
        for side, value in zip(("west", "east", "north", "south"), extent.box, strict=True):
            _text(box, f"{side}BoundingCoordinate", repr(value))
    if extent.first_day is not None and extent.last_day is not None:
        dates = ElementTree.SubElement(ElementTree.SubElement(coverage, "temporalCoverage"), "rangeOfDates")
        for name, day in (("beginDate", extent.first_day), ("endDate", extent.last_day)):
            _text(ElementTree.SubElement(dates, name), "calendarDate", day)


def _party(data: ElementTree.Element, role: str, about: About) -> None:
    party = ElementTree.SubElement(data, role)
    _text(party, "organizationName", about.organization)
    if about.email:
        _text(party, "electronicMailAddress", about.email)


def _text(parent: ElementTree.Element, tag: str, text: str) -> None:
    ElementTree.SubElement(parent, tag).text = text


def _document(root: ElementTree.Element) -> bytes:
    ElementTree.indent(root)
    text = ElementTree.tostring(root, encoding="unicode")
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{text}\n'.encode()
