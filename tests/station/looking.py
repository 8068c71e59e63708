"""A page in Chromium, looked at as a crew would: is it readable, is anything cut, what does a screen reader find?"""

from pathlib import Path
from typing import Any, Final

import axe_playwright_python
from playwright.sync_api import Browser, ConsoleMessage, Request

from tests.ingest.daemon_tools import PATIENCE_S

AXE: Final = (Path(axe_playwright_python.__file__).parent / "axe.min.js").read_text(encoding="utf-8")
TABLET: Final = (1280, 800)
UPRIGHT: Final = (800, 1280)
PHONE: Final = (390, 844)

# Characters of at least 16 minutes of arc (ISO 9241-303; NUREG-0700 Rev. 2, 1.3.1-4: height = 6.283 D MA / 21600 with the
# distance D). At 2 m that is 2 * 2000 mm * tan(8') = 9.31 mm; a 10-inch
# tablet with 1280 x 800 has sqrt(1280^2 + 800^2) / 254 mm = 5.943 pixels a millimetre.
LEAST_CAPITAL_PX: Final = 55.3
LEAST_CONTRAST: Final = 7.0  # WCAG 2.2, success criterion 1.4.6 (AAA), for text of any size

_STATION_GONE: Final = ("net::ERR_INCOMPLETE_CHUNKED_ENCODING", "net::ERR_CONNECTION_REFUSED")

_LETTERS = """() => {
    const pen = document.createElement('canvas').getContext('2d');
    const shown = [...document.querySelectorAll('#headline, #do, .figure .value b, #contact-headline, #contact-do')];
    return shown.filter(one => one.offsetParent && one.textContent.trim()).map(one => {
        const style = getComputedStyle(one);
        pen.font = `${style.fontWeight} ${style.fontSize} ${style.fontFamily}`;
        return [one.textContent, pen.measureText('H').actualBoundingBoxAscent];
    });
}"""

_CUT = """() => {
    const wrong = [];
    const page = document.scrollingElement;
    if (page.scrollWidth > innerWidth) wrong.push(`the page is ${page.scrollWidth} wide`);
    const whole = '#headline, #do, #sentence, .figure .value, .notices span, #said, #counts b, .instruments li, #clock,'
        + ' .figure .label, .figure .extra, .last .figures-small, .last b, .instruments,'
        + ' .past .number, .past td:first-child, #run, #contact-headline, #contact-do, #contact-sentence';
    for (const one of document.querySelectorAll(whole)) {
        if (!one.offsetParent || one.closest('[hidden]')) continue;
        const box = one.getBoundingClientRect();
        const outside = box.left < -1 || box.right > innerWidth + 1;
        const style = getComputedStyle(one);
        const room = one.clientWidth - parseFloat(style.paddingLeft) - parseFloat(style.paddingRight);
        const text = document.createRange();
        text.selectNodeContents(one);
        const ends_in_dots = style.textOverflow === 'ellipsis' && text.getBoundingClientRect().width > room + 0.5;
        if (one.scrollWidth > one.clientWidth + 1 && one.clientWidth > 0 || outside || ends_in_dots)
            wrong.push(`too wide: ${one.id || one.className}: ${one.textContent}`);
        // What the station said last may be a long story: it ends in dots, and stands in the log.
        if (one.id !== 'said' && one.scrollHeight > one.clientHeight * 1.12 + 4 && one.clientHeight > 0)
            wrong.push(`too high: ${one.id || one.className}: ${one.textContent}`);
    }
    for (const fate of document.querySelectorAll('.past .water b'))
        if (fate.getBoundingClientRect().right > fate.parentElement.getBoundingClientRect().right)
            wrong.push(`cut: ${fate.textContent}`);
    for (const box of document.querySelectorAll('.notices, .last, .counts, .past .rows, #moment, .instruments')) {
        if (!box.offsetParent) continue;
        if (box.scrollHeight > box.clientHeight + 2) wrong.push(`cut: ${box.className || box.id}`);
    }
    return wrong;
}"""

_CONTRASTS = """() => {
    const parse = text => (text.match(/[\\d.]+/g) || []).map(Number);
    const light = ([r, g, b]) => [r, g, b].map(v => v / 255)
        .map(v => v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4)
        .reduce((sum, v, i) => sum + v * [0.2126, 0.7152, 0.0722][i], 0);
    const ground = one => {
        for (let at = one; at; at = at.parentElement) {
            const colour = parse(getComputedStyle(at).backgroundColor);
            if (colour.length === 3 || colour[3] === 1) return colour;
        }
        return [255, 255, 255];
    };
    const texts = '#headline, #subject, #do, #sentence, .figure b, .figure span, .figure small, .past td, .past th,'
        + ' .notices span, #said, .counts span, .counts b, .last b, .last span, .instruments b, .instruments span,'
        + ' #survey, #run, #species, #clock, #contact-headline, #contact-do, #contact-sentence, h2';
    return [...document.querySelectorAll(texts)].filter(one => one.offsetParent && one.textContent.trim()).map(one => {
        const [a, b] = [light(parse(getComputedStyle(one).color)), light(ground(one))].sort((x, y) => y - x);
        return [one.id || one.parentElement.className + ' ' + one.tagName, (a + 0.05) / (b + 0.05)];
    });
}"""


class View:
    """The page of one bench. Everything that it asks for and everything that goes wrong is written down."""

    def __init__(
        self,
        browser: Browser,
        address: str,
        *,
        bench: str | None = "main",
        size: tuple[int, int] = TABLET,
        timezone: str = "UTC",
    ) -> None:
        self.address = address
        self._context = browser.new_context(
            viewport={"width": size[0], "height": size[1]},
            color_scheme="light",
            reduced_motion="reduce",
            timezone_id=timezone,
        )
        self.asked: list[str] = []
        self.wrong: list[str] = []
        self._context.on("request", self._note_request)
        self.page = self._context.new_page()
        self.page.set_default_timeout(1000 * PATIENCE_S)
        self.page.on("console", self._note_console)
        self.page.on("pageerror", lambda error: self.wrong.append(str(error)))
        self.page.goto(f"{address}/" + (f"?bench={bench}" if bench else ""))

    def close(self) -> None:
        self._context.close()
        elsewhere = [url for url in self.asked if not url.startswith((self.address, "data:", "blob:"))]
        assert not elsewhere, f"the page asked other computers: {elsewhere}"
        assert not self.wrong, f"on the page: {self.wrong}"

    def wait(self, state: str, words: str = "") -> None:
        """Until the page shows this state, and these words somewhere in the moment."""
        self.page.wait_for_function(
            "([state, words]) => document.body.dataset.state === state && !document.querySelector('#contact:not([hidden])')"
            " && document.getElementById('moment').textContent.includes(words)",
            arg=[state, words],
        )

    def text(self, selector: str) -> str:
        return self.page.locator(selector).inner_text()

    def texts(self, selector: str) -> list[str]:
        return self.page.locator(selector).all_inner_texts()

    def letters(self) -> list[tuple[str, float]]:
        """The texts that are meant for two metres, and the height of their capitals in pixels."""
        found: list[tuple[str, float]] = self.page.evaluate(_LETTERS)
        return found

    def cut(self) -> list[str]:
        """What is wider or higher than its place."""
        found: list[str] = self.page.evaluate(_CUT)
        return found

    def check(self) -> None:
        """Readable, whole, and without a serious finding of the accessibility checker, by day and by night."""
        cut = self.cut()
        assert not cut, cut
        small = [(text, px) for text, px in self.letters() if px < LEAST_CAPITAL_PX]
        assert not small or self.page.viewport_size != {"width": TABLET[0], "height": TABLET[1]}, small
        for scheme in ("light", "dark"):
            self.page.emulate_media(color_scheme=scheme)
            pale = [(what, ratio) for what, ratio in self.page.evaluate(_CONTRASTS) if ratio < LEAST_CONTRAST]
            assert not pale, f"{scheme}: {pale}"
            self.assert_accessible("color-contrast" if scheme == "dark" else "")  # the others see no colour
        self.page.emulate_media(color_scheme="light")

    def assert_accessible(self, only: str = "") -> None:
        """No serious or critical finding; `only` names one rule."""
        if self.page.evaluate("typeof axe") == "undefined":
            self.page.evaluate(AXE)
        options: dict[str, Any] = {"resultTypes": ["violations"], "preload": False}
        if only:
            options["runOnly"] = [only]
        results: dict[str, Any] = self.page.evaluate("options => axe.run(document, options)", options)
        grave = [
            (one["id"], one["help"], [node["target"] for node in one["nodes"]])
            for one in results["violations"]
            if one["impact"] in ("serious", "critical")
        ]
        assert not grave, grave

    def _note_request(self, request: Request) -> None:
        self.asked.append(request.url)

    def _note_console(self, message: ConsoleMessage) -> None:
        lost = any(why in message.text for why in _STATION_GONE)  # the test ended it before the page
        if message.type in ("error", "warning") and not lost:
            self.wrong.append(message.text)
