"""The report as a person opens it: in a browser, on a telephone and on a desk."""

from __future__ import annotations

import io
from collections.abc import Iterator
from pathlib import Path

import pytest
from browser import Browser
from made_measurement import make_measurement
from PIL import Image

from timingcam.reckoning.compare import compare
from timingcam.showing.report import report_html

DRAWN = "document.documentElement?.dataset.drawn === 'yes'"
SIZES = {"telephone": (390, 844, True), "small telephone": (320, 640, True), "desk": (1280, 900, False)}


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("pages")
    one = make_measurement(n=500)
    right = make_measurement(n=200, cylinder="right", shift_deg=1.2, seed=8)
    texts = {"one": report_html(one), "two": report_html(one, right, compare(one, right))}
    found = {}
    for name, text in texts.items():
        found[name] = folder / f"{name}.html"
        found[name].write_text(text, encoding="utf-8")
    return found


@pytest.fixture(scope="module", params=[(size, page) for size in SIZES for page in ("one", "two")], ids=str)
def opened(request: pytest.FixtureRequest, pages: dict[str, Path]) -> Iterator[tuple[Browser, float, Path]]:
    size, page = request.param
    width, height, mobile = SIZES[size]
    with Browser(width, height, mobile=mobile) as browser:
        yield browser, browser.open(pages[page], DRAWN), pages[page]


def test_it_opens_fast_quietly_and_asks_for_nothing(opened: tuple[Browser, float, Path]) -> None:
    browser, seconds, path = opened
    assert browser.complaints() == []
    outside = [url for url in browser.requests() if not url.startswith(("data:", "blob:")) and url != path.as_uri()]
    assert outside == []
    # The aim: 500 flashes in under 2 s. Reading, laying out and drawing all run on one thread, so that its time of a
    # processor is what a person waits on an idle machine.
    assert seconds < 2.0


def test_nothing_reaches_over_the_edge(opened: tuple[Browser, float, Path]) -> None:
    browser, _, _ = opened
    # Not the window's inner width: a telephone's browser widens that to whatever the page takes.
    assert browser.value("document.documentElement.scrollWidth") <= browser.width
    over = browser.value(
        "[...document.querySelectorAll('main *, header *')].filter(e => !e.closest('thead') && !e.closest('svg *'))"
        ".filter(e => e.getBoundingClientRect().right > document.documentElement.clientWidth + 1)"
        ".map(e => e.tagName + '.' + e.className).join(' ')"
    )
    assert over == ""


PLACE_OF_A_READING = """
(() => {
  const view = Bokeh.index.get_by_id ? [...Bokeh.index][0] : Object.values(Bokeh.index)[0];
  const plot = view.model;
  const glyph = plot.renderers.filter(r => r.data_source.data.key).map(r => r.data_source.data);
  const data = glyph[0], flashes = JSON.parse(document.getElementById("flashes").textContent);
  const keys = [...data.key];
  const middle = keys.findIndex((k, i) => k in flashes && data.rpm[i] > 1800 && data.rpm[i] < 3300);
  const frame = view.frame;
  const x = frame.x_scale.compute(data.rpm[middle]), y = frame.y_scale.compute(data.advance[middle]);
  const box = view.el.getBoundingClientRect();
  return {x: box.left + x, y: box.top + y, key: keys[middle]};
})()
"""


def test_a_reading_touched_shows_its_flash(opened: tuple[Browser, float, Path]) -> None:
    browser, _, _ = opened
    browser.value("document.getElementById('plot').scrollIntoView({block: 'start'})")
    place = browser.value(PLACE_OF_A_READING)
    browser.value("document.getElementById('flash-words').textContent = ''")
    if browser.value("matchMedia('(pointer: coarse)').matches"):
        browser.tap(place["x"], place["y"])
    else:
        browser.hover(place["x"] - 3, place["y"])
        browser.hover(place["x"], place["y"])
    said = browser.wait("document.getElementById('flash-words').textContent")
    assert "rpm, frame" in said
    browser.value(f"timingcam.show('{place['key']}')")
    assert browser.value("document.querySelectorAll('#flash-picture svg image').length") == 1
    assert browser.value("document.querySelectorAll('#flash-picture .mark').length") == 3


def test_flashes_can_be_stepped_through_with_the_keyboard(opened: tuple[Browser, float, Path]) -> None:
    browser, _, _ = opened
    browser.value("document.getElementById('flash-after').focus()")
    before = browser.value("document.getElementById('flash-words').textContent")
    for kind in ("keyDown", "keyUp"):
        browser.call(
            "Input.dispatchKeyEvent", type=kind, key="Enter", code="Enter", windowsVirtualKeyCode=13, text="\r"
        )
    assert browser.value("document.getElementById('flash-words').textContent") != before


def test_it_can_be_seen(opened: tuple[Browser, float, Path]) -> None:
    browser, _, _ = opened
    picture = Image.open(io.BytesIO(browser.screenshot())).convert("L")
    grey = picture.histogram()
    # Neither blank nor black: paper over most of it, and ink on more than a hundredth.
    assert sum(grey[200:]) > 0.4 * picture.width * picture.height
    assert sum(grey[:100]) > 0.01 * picture.width * picture.height


def test_on_paper_the_picture_stands_for_the_curve_that_can_be_touched(pages: dict[str, Path]) -> None:
    with Browser(800, 1000) as browser:
        browser.open(pages["one"], DRAWN)
        assert browser.value("getComputedStyle(document.querySelector('.printed')).display") == "none"
        browser.call("Emulation.setEmulatedMedia", media="print")
        assert browser.value("getComputedStyle(document.querySelector('.printed')).display") == "block"
        assert browser.value("getComputedStyle(document.querySelector('.touch')).display") == "none"
        for width, height in ((8.27, 11.69), (8.5, 11.0)):  # A4 and Letter, inches
            answer = browser.call("Page.printToPDF", paperWidth=width, paperHeight=height)
            assert len(answer["data"]) > 50_000


def test_without_scripts_the_picture_is_there(pages: dict[str, Path]) -> None:
    with Browser(390, 844, mobile=True) as browser:
        browser.call("Emulation.setScriptExecutionDisabled", value=True)
        browser.open(pages["one"], "document.readyState === 'complete'")
        assert browser.value("getComputedStyle(document.querySelector('.printed')).display") == "block"
        assert browser.value("getComputedStyle(document.querySelector('.touch')).display") == "none"
