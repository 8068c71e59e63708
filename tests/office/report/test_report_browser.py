"""The HTML file in a real browser, the PDF on real paper."""

import io
import shutil
import subprocess
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import pytest
from PIL import Image
from playwright.sync_api import Browser

from office.report.files import HTML, PDF
from tests.office.report.cases import Case
from tests.station.looking import AXE
from tests.station.needs import needed

Rendered = Callable[[str], tuple[Case, dict[str, bytes]]]

# What a reader who does not see the page relies on.
_FOUND = """() => ({
    lang: document.documentElement.lang,
    mains: document.querySelectorAll('main').length,
    headings: [...document.querySelectorAll('h1,h2,h3')].map(h => +h.tagName[1]),
    blind: [...document.images].filter(i => !i.alt.trim() || !i.naturalWidth).length,
    loose: [...document.querySelectorAll('th')].filter(h => h.scope !== 'col').length,
    nameless: [...document.querySelectorAll('table')].filter(t => !t.caption).length,
    lost: [...document.querySelectorAll('a')].filter(a => !document.getElementById(a.hash.slice(1))).length,
    twice: document.querySelectorAll('[id]').length
        - new Set([...document.querySelectorAll('[id]')].map(e => e.id)).size,
    wide: document.documentElement.scrollWidth - document.documentElement.clientWidth,
    styled: getComputedStyle(document.querySelector('h2')).color,
})"""


@pytest.mark.parametrize(("name", "width"), [("hostile", 1100), ("hostile", 400), ("no survey", 1100)])
def test_the_page_opens_quietly_and_can_be_read_by_everybody(
    name: str, width: int, rendered: Rendered, browser: Browser, tmp_path: Path
) -> None:
    _, files = rendered(name)
    (tmp_path / HTML).write_bytes(files[HTML])
    context = browser.new_context(viewport={"width": width, "height": 900})
    page = context.new_page()
    asked: list[str] = []
    said: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda error: said.append(str(error)))
    page.on("dialog", lambda dialog: said.append("a dialog"))
    page.goto((tmp_path / HTML).as_uri(), wait_until="load")
    found = page.evaluate(_FOUND)
    page.evaluate(AXE)
    complaints = page.evaluate("() => axe.run(document, {resultTypes: ['violations'], preload: false})")[
        "violations"
    ]
    context.close()
    assert said == []
    assert [(one["id"], [node["html"] for node in one["nodes"]][:2]) for one in complaints] == []
    assert [one for one in asked if not one.startswith("data:")] == [(tmp_path / HTML).as_uri()]
    headings = found.pop("headings")
    assert headings[0] == 1
    assert headings.count(1) == 1
    assert all(after <= before + 1 for before, after in pairwise(headings))
    assert found == {
        "lang": "en", "mains": 1, "blind": 0, "loose": 0, "nameless": 0, "lost": 0, "twice": 0, "wide": 0,
        "styled": "rgb(11, 93, 107)",
    }  # fmt: skip


def test_every_page_of_the_pdf_has_ink_and_keeps_its_margins(rendered: Rendered, tmp_path: Path) -> None:
    needed(shutil.which("pdftoppm"), "pdftoppm is not installed: apt-get install poppler-utils")
    _, files = rendered("removal")
    (tmp_path / PDF).write_bytes(files[PDF])
    subprocess.run(["pdftoppm", "-r", "40", "-gray", "-png", tmp_path / PDF, tmp_path / "page"], check=True)
    pages = sorted(tmp_path.glob("page-*.png"))
    assert len(pages) > 5
    for path in pages:
        picture = Image.open(io.BytesIO(path.read_bytes()))
        dark = picture.point(lambda value: 255 if value < 160 else 0).getbbox()
        assert dark is not None
        left, top, right, bottom = dark
        mm = 40 / 25.4
        assert left > 14 * mm
        assert right < picture.width - 14 * mm
        assert top > 9 * mm
        assert bottom < picture.height - 6 * mm
