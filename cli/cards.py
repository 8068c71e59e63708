"""The sheet of command cards: one card for every command tag and key, to print, laminate and glue a tag on. Pure.

Each card carries its command as a QR code too, for a barcode reader or a reader that types. The page stands alone: no
script, no font and no picture from elsewhere.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

import segno

_STYLE = """
@page { margin: 12mm; }
* { box-sizing: border-box; }
body { font-family: "DejaVu Sans", Verdana, Arial, sans-serif; color: #000; background: #fff; margin: 0; }
h1 { font-size: 14pt; margin: 0 0 2mm; }
p { font-size: 10pt; margin: 0 0 4mm; }
.sheet { display: grid; grid-template-columns: repeat(2, minmax(0, 1fr)); gap: 0; }
.card { border: 0.3mm dashed #000; min-height: 52mm; padding: 4mm; break-inside: avoid; display: flex;
  flex-direction: column; justify-content: space-between; }
.says { font-size: 20pt; font-weight: bold; line-height: 1.15; overflow-wrap: anywhere; }
.command { font-size: 10pt; }
.qr { width: 26mm; height: 26mm; flex: none; }
.foot { display: flex; justify-content: space-between; align-items: flex-end; gap: 2mm; font-size: 8.5pt; }
.code { font-family: "DejaVu Sans Mono", Consolas, monospace; font-size: 10.5pt; }
.tag { border: 0.3mm solid #000; border-radius: 2mm; width: 26mm; height: 12mm; font-size: 8pt; text-align: center;
  padding-top: 4mm; flex: none; }
"""


MOST_TYPED = 63
"""So many characters the shipped files of card readers take for one command."""


@dataclass(frozen=True, slots=True)
class Card:
    """`door` says where the code is given: "tag", "key", or "key of the board"."""

    code: str
    command: str
    says: str
    door: str

    @property
    def by_tag(self) -> bool:
        return self.door == "tag"

    @property
    def typed(self) -> str | None:
        """What a reader of printed codes sends for this card; None if it is no text that all of them send alike."""
        for text in (self.command, self.code):
            if text.isascii() and text.isprintable() and text == text.strip() and 0 < len(text) <= MOST_TYPED:
                return text
        return None


def card_sheet(station: str, cards: Sequence[Card]) -> str:
    """The HTML page. It prints on A4 and on letter, two cards side by side; a card never breaks over a page."""
    title = f"Command cards of station {station}"
    return "\n".join(
        (
            "<!doctype html>",
            '<html lang="en">',
            f'<head><meta charset="utf-8"><title>{escape(title)}</title><style>{_STYLE}</style></head>',
            "<body>",
            f"<h1>{escape(title)}</h1>",
            "<p>Print, cut along the dashes, laminate. Glue a tag onto its frame only after reading it: the code "
            "on the card must be the code of the tag. Test every card before the day: it must never be a tag that "
            "can be in a fish. The square is the same command for a reader of printed codes.</p>",
            '<div class="sheet">',
            *(_card(card) for card in cards),
            "</div>",
            "</body>",
            "</html>",
            "",
        )
    )


def _card(card: Card) -> str:
    frame = '<div class="tag">tag here</div>' if card.by_tag else ""
    square = _square(card.typed) if card.typed is not None else ""
    return (
        f'<div class="card"><div><div class="says">{escape(_sentence(card.says))}</div>'
        f'<div class="command">{escape(card.command)}</div></div>'
        f'<div class="foot"><div>{escape(card.door)}<br><span class="code">{escape(card.code)}</span></div>'
        f"{frame}{square}</div></div>"
    )


def _square(text: str) -> str:
    """QR code (ISO/IEC 18004) with the quiet zone of four modules that the standard asks for; 15 % of it may be hurt
    (level M)."""
    code = segno.make_qr(text, error="m")
    drawn: str = code.svg_inline(
        border=4, omitsize=True, svgclass="qr", lineclass=None, dark="#000", light="#fff"
    )
    return drawn


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:]
