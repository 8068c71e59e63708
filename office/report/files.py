"""The report as files: rendered first, then put in place, each whole or not at all."""

import re
from collections.abc import Mapping
from pathlib import Path

from office.exports.whole_files import whole_set
from office.report.csv_files import answers_csv, plot_csv, table_csv
from office.report.document import Report
from office.report.figures import Drawn, draw
from office.report.html import html_of
from office.report.pdf import pdf_of

HTML, PDF, ANSWERS = "report.html", "report.pdf", "answers.csv"
_NUMBERED = re.compile(r"(figure|table)-\d+-.*\.(svg|png|csv)")


def render(report: Report) -> dict[str, bytes]:
    """All files by name. The same report gives the same bytes."""
    drawn: Mapping[str, Drawn] = {one.stem: draw(one.plot) for one in report.figures}
    files = {HTML: html_of(report, drawn), PDF: pdf_of(report, drawn), ANSWERS: answers_csv(report.chapters)}
    for figure in report.figures:
        files[f"{figure.stem}.svg"] = drawn[figure.stem].svg
        files[f"{figure.stem}.png"] = drawn[figure.stem].png
        files[f"{figure.stem}.csv"] = plot_csv(figure.plot)
    for listing in report.listings:
        files[f"{listing.stem}.csv"] = table_csv(listing.table)
    return files


def write(files: Mapping[str, bytes], folder: Path) -> None:
    """Put the files into `folder`, in place of those of the same names; plots and tables of an older report that this one
    has not are removed, other files stay. Raises ExportRefusedError, OSError."""
    with whole_set(folder) as staged:
        for name, content in files.items():
            (staged / name).write_bytes(content)
    for path in folder.iterdir():
        if _NUMBERED.fullmatch(path.name) and path.name not in files:
            path.unlink()
