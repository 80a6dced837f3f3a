"""The report in a real browser: what it asks for, what it says, how it prints. Units are drawn, names hostile."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import numpy as np
import pypdfium2
import pytest

from projector.files.unitpictures import FOLDER, UnitPictures
from tests.projector.drawnrig import drawn_rig
from tests.projector.reporting.browser import browser_program, opened_browser
from tests.projector.reporting.sittings import BEGUN, events, kept, nine_patch, report_page
from tests.vision.exact import SIZE_PX, camera

HOSTILE = """</style><script>document.title=1</script><img src=x onerror=x()>'"&{{7*7}}"""  # at most 80 letters


@pytest.fixture(scope="module")
def seen(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """One browser, one page: all that the tests ask of it."""
    if browser_program() is None:
        pytest.skip("no browser is installed (on Debian: apt install chromium)")
    folder = Path(tmp_path_factory.mktemp("report"))
    drawn_rig(folder / "rig.json")
    told = list(events(nine_patch(), 12))
    told[3] |= {"verdict": "trim", "why": HOSTILE}
    told[5] |= {"name": f"{HOSTILE}2", "verdict": HOSTILE}
    pictures = UnitPictures(folder / FOLDER, camera(), 0.4, print)
    pictures.measured(np.full((SIZE_PX[1], SIZE_PX[0], 3), 90, np.uint8))
    pictures.keep(1, 4, np.array([[100.0, 100.0], [150.0, 100.0], [150.0, 150.0]]))
    kept(folder / "j.sqlite", nine_patch(HOSTILE), told, str(folder / "rig.json"))
    page = folder / "report.html"
    page.write_text(report_page(folder / "j.sqlite"), encoding="utf-8")
    with opened_browser(folder / "profile") as browser:
        browser.ask("Emulation.setDeviceMetricsOverride", width=1280, height=800, deviceScaleFactor=1, mobile=False)
        browser.open(page)
        found = {
            "page": page.as_uri(),
            "title": browser.value("document.title"),
            "scripts": browser.value("document.scripts.length"),
            "heading": browser.value("document.querySelector('h1').textContent"),
            "pictures": browser.value(
                "[...document.querySelectorAll('svg')].map(one => one.getAttribute('aria-label'))"
            ),
            "roles": browser.value("[...document.querySelectorAll('svg')].map(one => one.getAttribute('role'))"),
            "wide": browser.value("document.documentElement.scrollWidth"),
            "photographs": browser.value("[...document.images].map(one => [one.alt, one.naturalWidth])"),
            "pdf": browser.pdf(),
        }
        browser.ask("Emulation.setDeviceMetricsOverride", width=400, height=800, deviceScaleFactor=1, mobile=True)
        found["narrow"] = browser.value("document.documentElement.scrollWidth")
        found["asked"] = [one["request"]["url"] for one in browser.heard("Network.requestWillBeSent")]
        found["said"] = browser.heard("Runtime.consoleAPICalled") + browser.heard("Runtime.exceptionThrown")
        found["logged"] = browser.heard("Log.entryAdded")
    return found


def test_nothing_is_asked_of_anybody(seen: dict[str, Any]) -> None:
    assert [url for url in seen["asked"] if not url.startswith("data:")] == [seen["page"]]


def test_nothing_is_wrong_by_the_console(seen: dict[str, Any]) -> None:
    assert (seen["said"], seen["logged"]) == ([], [])


def test_hostile_names_are_words(seen: dict[str, Any]) -> None:
    assert seen["scripts"] == 0
    assert seen["title"] == f"{HOSTILE}: what was cut"
    assert seen["heading"] == HOSTILE


def test_every_picture_has_words(seen: dict[str, Any]) -> None:
    assert len(seen["pictures"]) > 10
    assert all(seen["pictures"])
    assert set(seen["roles"]) == {"img"}
    assert any("8 units" in words or "10 units" in words for words in seen["pictures"])
    ((words, wide),) = seen["photographs"]
    assert words.startswith("photograph of number")
    assert wide > 50  # it is shown, whatever the page forbids itself


def test_it_fits_the_window(seen: dict[str, Any]) -> None:
    assert seen["wide"] <= 1280
    assert seen["narrow"] <= 400


def test_it_prints(seen: dict[str, Any]) -> None:
    document = pypdfium2.PdfDocument(io.BytesIO(seen["pdf"]))
    assert 2 <= len(document) <= 12
    text = "".join(page.get_textpage().get_text_range() for page in document)
    assert "Planned and cut" in text
    assert f"{BEGUN:%Y-%m-%d %H:%M}" in text
    document.close()
