"""The report as one HTML file that asks nothing of the network: style and plots are within, and nothing else is let in."""

from base64 import b64encode
from collections.abc import Mapping
from hashlib import sha256
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from office.report.document import Report
from office.report.figures import Drawn

_TEMPLATES = Path(__file__).with_name("templates")


def html_of(report: Report, drawn: Mapping[str, Drawn]) -> bytes:
    """The file. `drawn` holds the plots by the stem of their files. Every name and sentence is escaped."""
    # Only our own style sheet goes in as it is; the policy admits it by its hash, and no other.
    style = (_TEMPLATES / "report.css").read_text(encoding="utf-8")
    digest = b64encode(sha256(style.encode()).digest()).decode()
    environment = Environment(
        loader=FileSystemLoader(_TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    page = environment.get_template("report.html").render(
        report=report,
        style=Markup(style),
        style_hash=Markup(digest),
        pictures={stem: b64encode(one.svg).decode() for stem, one in drawn.items()},
        captions={stem: one.thinned for stem, one in drawn.items()},
    )
    return page.encode("utf-8", errors="replace")
