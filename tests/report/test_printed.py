"""The report on paper and on a phone, in a real Chromium: no page half empty, no label over another."""

from pathlib import Path
from typing import Any

import numpy as np
import pypdfium2
import pytest
from numpy.typing import NDArray

from sentinel.core.records import Outcome
from sentinel.jobs.replay import ReplayRequest, replay
from sentinel.jobs.report.page import write_report
from sentinel.jobs.report.path_plot import PathDrawing, draw_path
from tests.browser import CHROMIUM, phone
from tests.report.sessions import dark, forecast, frame, incident, journal_of

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="needs Chromium")

DATA = Path(__file__).parents[2] / "replay_data"
A4_PT = (595, 842)
FULL = 0.5
"""Of a page's height: less on any page but the last is a half-empty one."""
WHITE, MARGIN = 235, 0.06

LABELS = """
[...document.querySelectorAll('svg')].flatMap((svg, number) =>
  [...svg.querySelectorAll('text')].map(text => {
    const box = text.getBoundingClientRect()
    return [number, text.textContent, box.left, box.top, box.right, box.bottom]
  }).filter(one => one[4] > one[2] && one[5] > one[3]))
"""


def filled(page: NDArray[np.uint8]) -> float:
    """Return down to which part of its height something stands on a page; what is left is white.

    `page`: (height, width, 3).
    """
    height = len(page)
    inner = page[: round(height * (1 - MARGIN))].min(axis=2)
    # Background tints are no content.
    rows = np.flatnonzero((inner < WHITE).sum(axis=1) > 0)
    return float(rows[-1] + 1) / len(inner) if rows.size else 0.0


def pages_of(pdf: bytes) -> list[NDArray[np.uint8]]:
    with pypdfium2.PdfDocument(pdf) as document:
        for page in document:
            assert page.get_size() == pytest.approx(A4_PT, abs=1.5)
        return [np.asarray(page.render(scale=1).to_numpy(), np.uint8) for page in document]


def overlaps(labels: list[Any]) -> list[tuple[str, str]]:
    """Return which labels of one drawing cover each other by more than a hair."""
    found = []
    for k, (drawing, text, left, top, right, bottom) in enumerate(labels):
        for other, said, left2, top2, right2, bottom2 in labels[:k]:
            wide, high = min(right, right2) - max(left, left2), min(bottom, bottom2) - max(top, top2)
            # A text's box holds room for what no letter uses, above and below.
            if drawing == other and wide > 1 and high > 0.3 * min(bottom - top, bottom2 - top2):
                found.append((said, text))
    return found


@pytest.mark.parametrize(
    "kind",
    ["few", pytest.param("night", marks=pytest.mark.slow), pytest.param("days", marks=pytest.mark.slow)],
)
def test_paper_is_filled_and_no_label_collides_on_a_phone(kind: str, tmp_path: Path) -> None:
    folder = tmp_path / "session"
    if kind == "few":
        events = [dark(n) if 40 <= n < 60 else frame(n, y_px=480 - 0.3 * n) for n in range(240)]
        outcomes = {n: incident_at(n) for n in (39, 70)}
        journal_of(folder, events, outcomes)
    elif kind == "night":
        replay(ReplayRequest(DATA / "midnight-sun", folder))
    else:
        replay(ReplayRequest(DATA / "five-days" / "measurements.ecsv", folder))
    report = write_report(folder)
    with phone(tmp_path) as one:
        one.open(report.as_uri())
        labels = one.find(LABELS)
        pages = pages_of(one.printed())
    assert len(labels) > 20
    assert overlaps(labels) == []
    assert len(pages) > 1
    shares = [round(filled(page), 2) for page in pages]
    assert [share for share in shares[:-1] if share < FULL] == [], f"of {len(pages)} pages: {shares}"


def incident_at(number: int) -> Outcome:
    return Outcome(forecast=forecast(number, exit_h=3.0), incidents=(incident(number),))


def test_what_is_measured_of_a_page() -> None:
    page = np.full((1000, 700, 3), 255, np.uint8)
    assert filled(page) == 0.0
    page[300:400, 100] = 0
    assert filled(page) == pytest.approx(0.4 / (1 - MARGIN), abs=0.01)
    page[990] = 0  # the page's own foot
    assert filled(page) < FULL


def test_stretches_that_begin_at_one_place_have_one_label(tmp_path: Path) -> None:
    """Somebody who puts the disc back to the same place each time."""
    places = [(700.0, 500.0), (704.0, 503.0), (1300.0, 480.0), (690.0, 497.0), (770.0, 500.0), (702.0, 499.0)]
    begins = [np.array(place) for place in places]
    drawing = PathDrawing(
        width_px=1500,
        height_px=1000,
        margin_px=0.0,
        radius_px=78.0,
        strokes=[np.array([place, (place[0] + 300, place[1] - 200)]) for place in places],
        begins=begins,
        astray=(),
        ahead=(),
        ends=((begins[0], "first 06-20 10:00"), (begins[-1], "last 06-24 10:00")),
    )
    narrow = draw_path(drawing, 380.0).finished("words", "narrow")
    page = tmp_path / "drawing.html"
    page.write_text(
        f"<meta name=viewport content='width=device-width'><style>svg {{ width: 100% }}</style>{narrow}",
        encoding="utf-8",
    )
    with phone(tmp_path) as one:
        one.open(page.as_uri())
        labels = one.find(LABELS)
    said = [words for _, words, *_ in labels]
    assert "1, 2, 4, …" in said
    assert {"3", "5"} <= {*said}
    assert overlaps(labels) == []


def test_what_counts_as_a_collision() -> None:
    one, beside, over = [0, "a", 0, 0, 30, 10], [0, "b", 30, 0, 60, 10], [0, "c", 20, 4, 50, 14]
    elsewhere = [1, "d", 0, 0, 30, 10]
    assert overlaps([one, beside, elsewhere]) == []
    assert overlaps([one, over]) == [("a", "c")]
