"""Pairing in a real browser: with a keyboard alone, under the page's own policy."""

import time
from collections.abc import Callable, Iterator

import pytest
from playwright.sync_api import Browser, Page

from station.pairing import CODE_GOOD_S, new_code
from tests.ingest.daemon_tools import Child
from tests.station.looking import View
from tests.station.page_tools import page_on


@pytest.fixture(scope="module")
def station(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Child, str]]:
    with page_on(tmp_path_factory.mktemp("pairing"), 'network = true\nlisten = "127.0.0.1"') as one:
        yield one


@pytest.fixture
def tablet(browser: Browser) -> Iterator[Page]:
    with browser.new_context(viewport={"width": 390, "height": 844}) as context:
        yield context.new_page()


def type_code(tablet: Page, code: str) -> None:
    """Type into what has the focus, as the page is opened with it in the field."""
    tablet.wait_for_function("document.activeElement.id === 'code'")
    tablet.keyboard.type(code)
    tablet.keyboard.press("Enter")


def test_a_tablet_is_paired_by_typing_the_code(station: tuple[Child, str], tablet: Page) -> None:
    child, url = station
    tablet.goto(url)
    assert tablet.url == f"{url}/pair"
    new_code(child.database, time.time() - 2 * CODE_GOOD_S)
    type_code(tablet, "00000000")
    assert "Not paired. No code is good now" in tablet.get_by_role("alert").inner_text()
    type_code(tablet, new_code(child.database, time.time()))
    tablet.wait_for_url(f"{url}/")
    assert tablet.evaluate("document.cookie") == ""
    status = tablet.evaluate(
        """fetch("/act", {method: "POST", headers: {"content-type": "application/json"},
        body: JSON.stringify({command: "species bluegill"})}).then(answer => answer.status)"""
    )
    assert status == 200
    new_code(child.database, time.time(), forget=True)
    tablet.reload()
    assert tablet.url == f"{url}/pair"


@pytest.mark.parametrize("size", [(390, 844), (1280, 800)])
def test_the_pairing_page_can_be_used_by_everybody(
    station: tuple[Child, str], open_view: Callable[..., View], size: tuple[int, int]
) -> None:
    view = open_view(station[1], bench=None, size=size)
    for scheme in ("light", "dark"):
        view.page.emulate_media(color_scheme=scheme)
        view.assert_accessible()
    wider = view.page.evaluate("document.documentElement.scrollWidth > document.documentElement.clientWidth")
    assert not wider


def test_a_page_of_another_origin_in_the_same_browser_reaches_nothing(
    station: tuple[Child, str], tablet: Page, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """The attacker's page lies on a file here: no origin could be more foreign."""
    child, url = station
    tablet.goto(f"{url}/pair")
    type_code(tablet, new_code(child.database, time.time()))
    tablet.wait_for_url(f"{url}/")
    child.work_up("999000000000001")
    foreign = tmp_path_factory.mktemp("attacker") / "page.html"
    foreign.write_text("<title>foreign</title>")
    tablet.goto(foreign.as_uri())
    ask = """async (url) => {
        const said = [];
        for (const how of [{}, {method: "POST", mode: "no-cors", credentials: "include", body: '{"command":"void"}'},
                           {method: "POST", credentials: "include", headers: {"content-type": "application/json"},
                            body: '{"command":"void"}'}]) {
            try { said.push((await fetch(url, how)).type); } catch (failure) { said.push("refused"); }
        }
        return said;
    }"""
    assert tablet.evaluate(ask, f"{url}/act") == ["refused"] * 3
    fish = child.fish()[0]
    assert fish["status"] == "saved"
