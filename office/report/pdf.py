"""The report as PDF: text that can be selected and searched, bookmarks, page numbers, tables that go on over pages."""

import io
from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, datetime
from typing import Literal, TypeVar

from fpdf import FPDF
from fpdf.enums import XPos, YPos

from office.report.document import Figure, Group, Listing, Report, Section
from office.report.figures import Drawn
from office.report.fonts import drawable, font_file

_INK, _SOFT, _DEEP, _LINE, _TINT = (28, 43, 51), (74, 90, 99), (11, 93, 107), (211, 220, 224), (241, 246, 247)
_WARN, _WARN_TINT = (138, 43, 11), (253, 243, 238)
_T = TypeVar("_T")
_MARGIN_MM = 18.0
_FONT = "DejaVu"
_LEAST_SIZE = 6.5
_FOLD_ROWS, _MOST_COLUMNS = 8, 12
_FIGURE_SHAPE = 0.44  # height over width


def pdf_of(report: Report, drawn: Mapping[str, Drawn]) -> bytes:
    """The file: A4 for metric readers, letter for those of inches. `drawn` holds the plots by the stem of their files.

    The same report gives the same bytes: it bears the day of the data, not that of the making.
    """
    sheet = _Sheet(report)
    sheet.first_page(drawn)
    for section in report.sections:
        sheet.chapter(section, drawn)
    sheet.methods()
    sheet.cautions()
    return bytes(sheet.output())


class _Sheet(FPDF):
    def __init__(self, report: Report) -> None:
        super().__init__(format="A4" if report.units == "metric" else "letter")
        self.report = report
        self._known_widths: dict[tuple[str, float, str], float] = {}
        for style in ("", "B", "I"):
            self.add_font(_FONT, style, str(font_file(style)))
        self.set_margins(_MARGIN_MM, 15, _MARGIN_MM)
        self.set_auto_page_break(True, margin=17)
        self.set_title(f"{report.title} – {report.subtitle}")
        self.set_lang("en")
        self.set_creator("Tallywell")
        self.set_producer("Tallywell")
        self.set_creation_date(_moment(report.dated))
        self.alias_nb_pages()
        self.set_display_mode("fullwidth")

    # --- pages ------------------------------------------------------------------------------------------------------

    def footer(self) -> None:
        self.set_y(-12)
        self._pen(7.5, _SOFT)
        width = self.epw / 4
        name = self._cut(f"{self.report.title} – {self.report.subtitle}", 3 * width)
        self.cell(3 * width, 5, name)
        self.cell(width, 5, f"page {self.page_no()} of {{nb}}", align="R")

    def first_page(self, drawn: Mapping[str, Drawn]) -> None:
        report = self.report
        self.add_page()
        self._pen(9.5, _DEEP, "B")
        self._lines(report.subtitle, 5)
        self._pen(22, _INK, "B")
        self.start_section(drawable("Summary"), level=0)
        self._lines(report.title, 9.5)
        self.ln(0.8)
        self._pen(7.8, _SOFT)
        facts = [f"{name}: {value}" for name, value in report.facts]
        facts += [f"Date: {report.dated}"] if report.dated else []
        self._lines("   ·   ".join(facts), 4)
        self.ln(1.4)
        self.set_draw_color(*_DEEP)
        self.set_line_width(1)
        self.line(self.l_margin, self.get_y(), self.w - self.r_margin, self.get_y())
        self.ln(3)
        for warning in report.warnings:
            self._boxed(f"Mind: {warning}")
        summary = report.summary
        self._list("What we saw", summary.seen)
        if summary.questions:
            self._list("What it may mean: questions for your biologist", summary.questions)
        if summary.untold:
            more = (
                [
                    f"{summary.more_untold} more such answers stand in the chapters, each with what would suffice."
                ]
                if summary.more_untold
                else []
            )
            self._list("What these data cannot tell", [*summary.untold, *more])
        self.ln(1.5)
        self._pen(7.6, _SOFT)
        self._lines(
            "Limits in brackets say how far chance alone may have moved a number: the method holds the true value between "
            "them in about 19 of 20 such surveys. Read the cautions on the last page before you act on anything here.",
            3.9,
        )
        lengths = next((one for one in report.figures if one.plot.kind == "length_frequency"), None)
        if lengths is not None and self.get_y() + self.epw * _FIGURE_SHAPE + 12 < self.page_break_trigger:
            self._figure(lengths, drawn)

    def chapter(self, section: Section, drawn: Mapping[str, Drawn]) -> None:
        self._title(section.title)
        for group in section.groups:
            self._group(group, drawn)
        if section.cautions:
            self._heading("Notes to the numbers of this chapter", bookmark=False)
            for number, text in enumerate(section.cautions, 1):
                self._item(text, f"{number}.", size=7.8)
        for note in section.notes:
            self.ln(1)
            self._pen(7.8, _SOFT)
            self._lines(note, 4)

    def methods(self) -> None:
        self._title("Methods and sources")
        if not self.report.methods:
            self._pen(9, _INK)
            self._lines("No number was made, so no method was used.", 4.6)
        for one in self.report.methods:
            self._item(
                f"{one.formula}  –  {one.source}" if one.formula else one.source, f"{one.number}.", size=7.8
            )

    def cautions(self) -> None:
        self._title("Cautions")
        for name, text in self.report.cautions:
            if self.get_y() + 22 > self.page_break_trigger:
                self.add_page()
            self._pen(9, _INK, "B")
            self._lines(name, 5)
            self._pen(9, _INK)
            self._lines(text, 4.6)
            self.ln(1.5)
        self.ln(3)
        self._pen(7.8, _SOFT)
        self._lines(
            "Made by Tallywell from the records of the survey. Each number can be traced to its fish, and each fish to the "
            "bytes of its instruments.",
            4,
        )

    # --- parts of a chapter -----------------------------------------------------------------------------------------

    def _group(self, group: Group, drawn: Mapping[str, Drawn]) -> None:
        if group.title:
            self._heading(group.title)
        for one in group.said:
            marks = [f"method {one.method}"] if one.method else []
            if one.notes:
                marks.append(f"note{'s' if len(one.notes) > 1 else ''} {', '.join(map(str, one.notes))}")
            words = f"Cannot be told. {one.sentence}" if one.refused else one.sentence
            tail = " " + f"[{'; '.join(marks)}]".replace(" ", "\u00a0") if marks else ""
            self._item(words + tail, "–" if one.refused else "•", size=8.8)
        for figure in group.figures:
            self._figure(figure, drawn)
        for listing in group.listings:
            self._listing(listing)

    def _figure(self, figure: Figure, drawn: Mapping[str, Drawn]) -> None:
        picture = drawn[figure.stem]
        caption = f"{figure.plot.described or figure.plot.title} {picture.thinned}".strip()
        height = self.epw * _FIGURE_SHAPE
        if self.get_y() + height + 12 > self.page_break_trigger:
            self.add_page()
        self.ln(2)
        self.image(
            io.BytesIO(picture.png),
            w=self.epw,
            h=height,
            alt_text=drawable(caption),
            title=drawable(figure.plot.title),
        )
        self._pen(7.8, _INK)
        self._lines(f"Figure {figure.number}. {caption}", 4)
        self.ln(2)

    def _listing(self, listing: Listing) -> None:
        self.ln(2)
        headings, numeric, body = _folded(listing)
        size, widths = self._widths([headings, *body])
        self._pen(size, _INK, "B")
        head = self._row(headings, widths)
        line = size * 0.47
        # The name of a table never stands without its heading and a few rows.
        if (
            self.get_y() + 6 + line * (max(map(len, head)) + min(len(body), 4) * 1.6)
            > self.page_break_trigger
        ):
            self.add_page()
        self._pen(8.2, _INK, "B")
        self._lines(f"Table {listing.number}. {listing.title}", 4.4)
        self._heading_row(head, widths, numeric, size)
        for texts in body:
            self._pen(size, _INK)
            row = self._row(texts, widths)
            if self.get_y() + line * max(map(len, row)) + 1.2 > self.page_break_trigger:
                self.add_page()
                self._heading_row(head, widths, numeric, size)
                self._pen(size, _INK)
            self._put_row(row, widths, numeric, line)
        self._pen(7.4, _SOFT)
        if not body:
            self._lines("No rows.", 4)
        left_out = f" {listing.left_out} more rows stand in {listing.stem}.csv." if listing.left_out else ""
        if listing.note or left_out:
            self.ln(0.6)
            self._lines(f"{listing.note}{left_out}".strip(), 3.8)

    def _row(self, texts: Sequence[str], widths: Sequence[float]) -> list[list[str]]:
        return [self._broken(text, width) for text, width in zip(texts, widths, strict=True)]

    def _heading_row(
        self, head: Sequence[Sequence[str]], widths: Sequence[float], numeric: Sequence[bool], size: float
    ) -> None:
        self._pen(size, _INK, "B")
        line = size * 0.47
        self.set_fill_color(*_TINT)
        self.rect(self.l_margin, self.get_y(), sum(widths), line * max(map(len, head)) + 1.2, style="F")
        self._put_row(head, widths, numeric, line)

    def _put_row(
        self, row: Sequence[Sequence[str]], widths: Sequence[float], numeric: Sequence[bool], line: float
    ) -> None:
        top, left = self.get_y() + 0.6, self.l_margin
        for lines, width, number in zip(row, widths, numeric, strict=True):
            for place, one in enumerate(lines):
                self.set_xy(left, top + place * line)
                self.cell(width, line, one, align="R" if number else "L")
            left += width
        bottom = top + line * max(map(len, row)) + 0.6
        self.set_draw_color(*_LINE)
        self.set_line_width(0.2)
        self.line(self.l_margin, bottom, left, bottom)
        self.set_xy(self.l_margin, bottom)

    def _widths(self, rows: Sequence[Sequence[str]]) -> tuple[float, list[float]]:
        """Size of the type and widths of the columns (mm): as wide as their cells where they fit; else long texts wrap."""
        columns = [[drawable(cell) for cell in column] for column in zip(*rows, strict=True)]
        size, padding = 8.0, 2 * self.c_margin + 0.8
        while True:
            self._pen(size, _INK, "B")  # headings are bold, and bold is the wider
            wanted = [max(self._width(cell) for cell in column) + padding for column in columns]
            if sum(wanted) <= self.epw:
                return size, wanted
            if size <= _LEAST_SIZE:
                break
            size -= 0.5
        words = [
            max(self._width(word) for cell in column for word in cell.split(" ")) + padding
            for column in columns
        ]
        room = self.epw - sum(words)
        if room < 0:
            return size, [word * self.epw / sum(words) for word in words]
        missing = [want - word for want, word in zip(wanted, words, strict=True)]
        return size, [word + room * more / sum(missing) for word, more in zip(words, missing, strict=True)]

    # --- words ------------------------------------------------------------------------------------------------------

    def _title(self, text: str) -> None:
        if self.page_no() == 1 or self.get_y() > 0.55 * self.h:
            self.add_page()
        else:
            self.ln(9)
        self._pen(15, _DEEP, "B")
        self.start_section(drawable(text), level=0)
        self._lines(text, 8)
        self.ln(1)

    def _heading(self, text: str, *, bookmark: bool = True) -> None:
        if self.get_y() + 22 > self.page_break_trigger:
            self.add_page()
        self.ln(2.5)
        self._pen(10.5, _INK, "B")
        if bookmark:
            self.start_section(drawable(text), level=1)
        self._lines(text, 6)

    def _list(self, heading: str, items: Sequence[str]) -> None:
        self.ln(1.5)
        self._pen(11, _DEEP, "B")
        self._lines(heading, 6)
        for one in items:
            self._item(one, "•", size=9.2)

    def _item(self, text: str, bullet: str, *, size: float) -> None:
        line, indent = size * 0.5, 6.5
        self._pen(size, _INK)
        lines = self._broken(text, self.epw - indent)
        if len(lines) <= 6 and self.get_y() + line * len(lines) > self.page_break_trigger:
            self.add_page()
            self._pen(size, _INK)
        self.cell(indent, line, bullet, align="R" if bullet[0].isdigit() else "C")
        for one in lines:
            self.set_x(self.l_margin + indent)
            self.cell(0, line, one, new_x=XPos.LMARGIN, new_y=YPos.NEXT)
        self.ln(0.9)

    def _boxed(self, text: str) -> None:
        self._pen(9, _WARN, "B")
        lines = self._broken(text, self.epw - 5)
        height = 5.2 * len(lines) + 2
        self.set_fill_color(*_WARN_TINT)
        self.set_draw_color(*_WARN)
        self.set_line_width(0.5)
        top = self.get_y()
        self.rect(self.l_margin, top, self.epw, height, style="DF")
        self.set_y(top + 1)
        for one in lines:
            self.set_x(self.l_margin + 2.5)
            self.cell(0, 5.2, one, new_x=XPos.LMARGIN, new_y=YPos.NEXT)
        self.set_y(top + height + 1.5)

    def _lines(self, text: str, height: float) -> None:
        for one in self._broken(text, self.epw):
            self.cell(0, height, one, new_x=XPos.LMARGIN, new_y=YPos.NEXT)

    def _broken(self, text: str, width: float) -> list[str]:
        """Lines of at most `width` mm in the type that is set. The library's own way weighs every letter anew for
        each, which makes a report of thirty pages take seconds longer."""
        room = width - 2 * self.c_margin
        lines, line, filled = [], "", 0.0
        blank = self._width(" ")
        for word in self._words(drawable(text), room):
            wide = self._width(word)
            if line and filled + blank + wide > room:
                lines.append(line)
                line, filled = word, wide
            else:
                line, filled = (f"{line} {word}", filled + blank + wide) if line else (word, wide)
        return [*lines, line]

    def _words(self, text: str, room: float) -> Iterator[str]:
        """Words, those that are too wide for a line in pieces."""
        for word in text.split(" "):
            while len(word) > 1 and self._width(word) > room:
                fits = max(1, int(len(word) * room / self._width(word)))
                while fits > 1 and self._width(word[:fits]) > room:
                    fits -= 1
                yield word[:fits]
                word = word[fits:]
            yield word

    def _width(self, word: str) -> float:
        """mm of a word in the type that is set; the same words come again and again."""
        key = self.font_style, self.font_size_pt, word
        found = self._known_widths.get(key)
        if found is None:
            found = self._known_widths[key] = self.get_string_width(word)
        return found

    def _pen(self, size: float, colour: tuple[int, int, int], style: Literal["", "B", "I"] = "") -> None:
        self.set_font(_FONT, style, size)
        self.set_text_color(*colour)

    def _cut(self, text: str, width: float) -> str:
        words = drawable(text)
        if self.get_string_width(words) <= width:
            return words
        while words and self.get_string_width(f"{words}…") > width:
            words = words[:-1]
        return f"{words}…"


def _folded(listing: Listing) -> tuple[list[str], list[bool], list[list[str]]]:
    """Headings, which columns are numbers, and rows. A long table of few columns goes on beside itself."""
    columns = len(listing.headings)
    beside = min(_MOST_COLUMNS // columns, -(-len(listing.rows) // _FOLD_ROWS))
    if beside < 2:
        return list(listing.headings), list(listing.numeric), [list(row) for row in listing.rows]
    height = -(-len(listing.rows) // beside)
    padded = [*listing.rows, *[("",) * columns] * (beside * height - len(listing.rows))]

    def side_by_side(parts: Sequence[Sequence[_T]], gap: _T) -> list[_T]:
        return [one for part in parts for one in (*part, gap)][:-1]

    rows = [
        side_by_side([padded[place + part * height] for part in range(beside)], "") for place in range(height)
    ]
    numeric = side_by_side([listing.numeric] * beside, False)
    return side_by_side([listing.headings] * beside, ""), numeric, rows


def _moment(day: str) -> datetime:
    try:
        return datetime.fromisoformat(day[:10]).replace(tzinfo=UTC)
    except ValueError:
        return datetime(2000, 1, 1, tzinfo=UTC)
