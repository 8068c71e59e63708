"""Makes the pictures of README from the real page of a real station: `python -m tests.station.make_pictures [FOLDER]`.

Water, fish and tags in them are invented.
"""

import io
import shutil
import sys
import tempfile
import time
from pathlib import Path

from PIL import Image
from playwright.sync_api import sync_playwright

from tests.chromium import CHROMIUM_ARGUMENTS
from tests.station import stage as acts
from tests.station.looking import View
from tests.station.stage import Stage, stage_on, write_stage

FOLDER = Path(__file__).parents[2] / "station" / "pictures"
WIDTH_PX = 960


def a_morning(stage: Stage) -> None:
    """Some fish before the picture, so that the counts have something to tell."""
    stage.command("survey open")
    stage.command("run start area=upper bay")
    stage.command("run end seconds=640")
    stage.command("count bluegill 17")
    for _ in range(3):
        stage.one_more()
    stage.command("species-once smallmouth bass")
    stage.one_more()
    stage.one_more()
    time.sleep(0.5)  # a fish comes out of the live well: two tags at once would be a question


def night(stage: Stage) -> None:
    stage.command("run start area=lower bay")
    stage.one_more()


PICTURES = (
    ("recapture", acts.recapture, "recapture", "light"),
    ("held", acts.held, "held", "light"),
    ("saved-at-night", night, "saved", "dark"),
)


def main(folder: Path) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    chromium = shutil.which("chromium")
    with (
        tempfile.TemporaryDirectory() as scratch,
        stage_on(write_stage(Path(scratch), only_main=True)) as stage,
        sync_playwright() as playwright,
    ):
        browser = playwright.chromium.launch(executable_path=chromium, args=list(CHROMIUM_ARGUMENTS))
        view = View(browser, stage.address)
        a_morning(stage)
        for name, act, state, scheme in PICTURES:
            stage.clear()
            view.page.emulate_media(color_scheme="light" if scheme == "light" else "dark")
            act(stage)
            view.wait(state)
            path = folder / f"{name}.png"
            save(view.page.screenshot(), path)
            print(f"{path}: {path.stat().st_size // 1024} kB")
        view.close()
        browser.close()


def save(png: bytes, path: Path) -> None:
    """Smaller, with a palette: a picture for reading about, not for measuring."""
    picture = Image.open(io.BytesIO(png)).convert("RGB")
    height = round(picture.height * WIDTH_PX / picture.width)
    picture = picture.resize((WIDTH_PX, height), Image.Resampling.LANCZOS)
    picture.quantize(48).save(path, optimize=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else FOLDER)
