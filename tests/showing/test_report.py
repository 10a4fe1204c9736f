"""The page: complete, self-contained, in order, and safe against what others wrote into an engine file."""

from __future__ import annotations

import itertools
import re
from dataclasses import replace
from html.parser import HTMLParser

import pytest

from timingcam.engine import Cylinder
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
    style = re.sub(r"data:[^\"')]*", "", report_html(measurement))
    assert "@import" not in style and "url(" not in style


def test_the_verdict_comes_first(measurement: Measurement, page: Page) -> None:
    text = page.text()
    sentence = verdict_sentence(measurement)
    assert sentence in text
    assert text.index(sentence) < text.index("Advance against speed")


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
    assert "<script>alert" not in text
    assert text.count("&lt;script&gt;") >= 4


def test_small_enough_to_mail(measurement: Measurement) -> None:
    assert len(report_html(measurement).encode()) < 3_000_000


def test_what_there_is_none_of_has_no_heading(measurement: Measurement) -> None:
    text = Page(report_html(replace(measurement, checks=(), warnings=(), budget=()))).text()
    assert "Checks" not in text and "Warnings" not in text and "doubt comes from" not in text
