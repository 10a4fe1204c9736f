"""The page: complete, self-contained, in order, and safe against what others wrote into an engine file."""

from __future__ import annotations

import itertools
import re
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pytest
from made_measurement import make_measurement

from timingcam.engine import Adjuster, Cylinder
from timingcam.reckoning.adjust import advise
from timingcam.reckoning.compare import compare
from timingcam.reckoning.result import Check, Measurement
from timingcam.showing.report import report_html
from timingcam.showing.sentences import CAUTIONS, verdict_sentence


class Page(HTMLParser):
    """Just enough of a reader to ask a page what it holds."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.words.append(data)

    def text(self) -> str:
        return " ".join(" ".join(self.words).split())


@pytest.fixture(scope="module")
def page(measurement: Measurement) -> Page:
    return Page(report_html(measurement))


def test_nothing_is_asked_of_a_network(measurement: Measurement, page: Page) -> None:
    for tag, attributes in page.tags:
        for name in ("src", "href", "data", "action", "poster", "srcset"):
            target = attributes.get(name)
            assert target is None or target.startswith(("data:", "#")), (tag, target)
    (style,) = re.findall(r"<style>(.*?)</style>", report_html(measurement), re.S)
    assert "@import" not in style and "url(" not in style


def test_the_verdict_comes_first(measurement: Measurement, page: Page) -> None:
    text = page.text()
    head, _, rest = verdict_sentence(measurement).partition(": ")
    assert text.index(head) < text.index(rest[1:]) < text.index("Advance against speed")


def test_headings_are_in_order_and_pictures_have_words(page: Page) -> None:
    levels = [int(tag[1]) for tag, _ in page.tags if re.fullmatch(r"h[1-6]", tag)]
    assert levels[0] == 1 and levels.count(1) == 1
    assert all(b <= a + 1 for a, b in itertools.pairwise(levels))
    pictures = [attributes for tag, attributes in page.tags if tag == "img"]
    assert len(pictures) >= 3
    assert all(len(p.get("alt") or "") > 20 for p in pictures)
    ids = [a["id"] for _, a in page.tags if "id" in a]
    assert len(ids) == len(set(ids))


def test_it_tells_all(measurement: Measurement, page: Page) -> None:
    text = page.text()
    for words in (*CAUTIONS, *measurement.warnings, measurement.clip.path, measurement.clip.sha256, "clockwise"):
        assert words in text
    for row in measurement.budget:
        assert row.source in text
    for check in measurement.checks:
        assert check.name.capitalize().split()[0] in text
    assert "as the camera sees it" in text
    assert "394 used" in text


def test_names_of_others_are_text_and_never_markup(measurement: Measurement) -> None:
    evil = '<script>alert("x")</script>'
    engine = measurement.engine.model_copy(update={"name": evil, "cylinder": (Cylinder(name=evil, tdc_deg=0.0),)})
    m = replace(
        measurement,
        engine=engine,
        cylinder=evil,
        clip=replace(measurement.clip, path=evil),
        warnings=(evil,),
        checks=(Check(evil, 1.0, None, 2.0, "in"),),
    )
    text = report_html(m)
    # Neither in the page nor in the JSON that its script reads.
    assert "<script>alert" not in text
    assert text.count("&lt;script&gt;") >= 4


def test_two_that_were_compared(measurement: Measurement) -> None:
    right = make_measurement(n=200, cylinder="right", shift_deg=3.0, seed=8)
    compared = compare(measurement, right)
    text = report_html(measurement, right, compared)
    page = Page(text)
    said = page.text()
    for words in ("Test twin 415: left and right", "Right less left", "Further apart than the spec allows", "+3.00°"):
        assert words in said
    assert compared.finding in said
    ids = [a["id"] for _, a in page.tags if "id" in a]
    assert len(ids) == len(set(ids))
    assert len(text.encode()) < 3_000_000


def test_before_and_after(measurement: Measurement) -> None:
    after = make_measurement(n=200, seed=8)
    text = Page(report_html(measurement, after, compare(measurement, after))).text()
    assert "before and after" in text and "After less before, left cylinder" in text


def test_what_to_move_is_told_with_its_order(measurement: Measurement) -> None:
    plate = Adjuster(
        name="base plate",
        moves=("left", "right"),
        kind="turn",
        shaft="camshaft",
        shaft_turns="clockwise",
        advances="anticlockwise",
        rim_radius_mm=31.0,
        hand_sd_crank_deg=0.3,
    )
    engine = measurement.engine.model_copy(update={"adjuster": (plate,)})
    right = replace(make_measurement(n=200, cylinder="right", shift_deg=3.0, seed=8), engine=engine)
    left = replace(make_measurement(n=200, shift_deg=3.0), engine=engine)
    moves = advise(engine, {"left": left.curve, "right": right.curve})
    text = Page(report_html(left, right, compare(left, right), moves)).text()
    assert "What to move" in text and "base plate" in text and "clockwise" in text and "Ignition off" in text


def test_a_second_one_needs_its_comparison(measurement: Measurement) -> None:
    with pytest.raises(ValueError, match="belong together"):
        report_html(measurement, measurement)


def test_small_enough_to_mail(measurement: Measurement) -> None:
    """Also with a little picture of each of 500 flashes, and with large ones."""
    p = measurement.pictures
    every = np.arange(len(p.frame))
    crops = np.random.default_rng(1).integers(0, 255, (len(every), 220, 220)).astype(np.uint8)
    many = replace(p, crop_of=every, crops=crops, crop_origin_px=np.tile(p.crop_origin_px[:1], (len(every), 1)))
    assert len(report_html(replace(measurement, pictures=many)).encode()) < 3_000_000


def test_what_there_is_none_of_has_no_heading(measurement: Measurement) -> None:
    text = Page(report_html(replace(measurement, checks=(), warnings=(), budget=()))).text()
    assert "Checks" not in text and "Warnings" not in text and "doubt comes from" not in text
