"""The columns of the three tables, each with the exact IRI of its term.

Darwin Core terms: Darwin Core Maintenance Group, Biodiversity Information Standards (TDWG),
http://rs.tdwg.org/dwc/terms/. The extended measurement or fact, which can belong to an occurrence below an event:
http://rs.iobis.org/obis/terms/ExtendedMeasurementOrFact (definition of 2023-08-28 at rs.gbif.org, extension/obis).
"""

from dataclasses import dataclass

DWC = "http://rs.tdwg.org/dwc/terms/"
MEASUREMENT_ROW = "http://rs.iobis.org/obis/terms/ExtendedMeasurementOrFact"


@dataclass(frozen=True, slots=True)
class DarwinTable:
    """A file of the archive. Its first column is the eventID: the id of the core, the link of an extension."""

    file: str
    row_type: str
    columns: tuple[str, ...]


EVENT = DarwinTable(
    "event.csv",
    f"{DWC}Event",
    (
        "eventID", "parentEventID", "eventType", "eventDate", "samplingProtocol", "sampleSizeValue", "sampleSizeUnit",
        "samplingEffort", "waterBody", "locality", "decimalLatitude", "decimalLongitude", "geodeticDatum",
        "coordinateUncertaintyInMeters", "coordinatePrecision", "footprintWKT", "footprintSRS", "eventRemarks",
        "dataGeneralizations", "informationWithheld",
    ),
)  # fmt: skip
OCCURRENCE = DarwinTable(
    "occurrence.csv",
    f"{DWC}Occurrence",
    (
        "eventID", "occurrenceID", "basisOfRecord", "occurrenceStatus", "individualCount", "organismID",
        "organismName", "scientificName", "taxonRank", "vernacularName", "verbatimIdentification", "sex",
        "reproductiveCondition", "occurrenceRemarks", "dynamicProperties",
    ),
)  # fmt: skip
MEASUREMENT = DarwinTable(
    "measurement.csv",
    MEASUREMENT_ROW,
    (
        "eventID", "measurementID", "occurrenceID", "measurementType", "measurementValue", "measurementUnit",
        "measurementDeterminedDate", "measurementMethod", "measurementRemarks",
    ),
)  # fmt: skip
TABLES = (EVENT, OCCURRENCE, MEASUREMENT)
