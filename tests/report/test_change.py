"""The page on change and its maps: what they hold, asked of the figures and the words."""

from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from tapscan.plan.zones import Part
from tapscan.report.maps.figures import drawing
from tapscan.report.pages.change import as_screened, change_document, draw_change, page_text
from tapscan.report.pages.change_words import KINDS, counts, lead, tally
from tapscan.report.pages.html import Picture
from tests.screening.test_changes import ACROSS, FAR, LARGE, SMALL, changed, screened

PICTURE = Picture("change_BM_tap.png", b"\x89PNG\r\n\x1a\n" + bytes(20), "alt", "caption")


@pytest.fixture(scope="module")
def change():
    """Grown, gone across the seam, and a few points not read before."""
    before = screened(SMALL, (*ACROSS[:1], slice(10, 13)), unread=((slice(0, 1), slice(0, 3)),))
    return changed(before, screened(LARGE), LARGE, (slice(8, 11), slice(10, 13)))


def gids(figure) -> list[str]:
    return [str(artist.get_gid()) for artist in figure.findobj() if artist.get_gid()]


def test_a_map_shows_what_is_what_was_and_what_was_not_compared(change):
    with drawing():
        figure = draw_change(change, Path())
    found = gids(figure)
    assert "faint outline" in found
    assert any(gid.startswith("indication BM-T1") for gid in found)
    assert "unread" in found
    words = {text.get_text() for legend in figure.legends for text in legend.get_texts()}
    assert {"indication now", "indication before", "changed point", "unread point"} <= words
    written = {text.get_text() for axes in figure.axes for text in axes.texts}
    assert "T1 grown" in written
    assert any(text.endswith(" gone") for text in written)


def test_without_indications_before_the_key_holds_none():
    with drawing():
        figure = draw_change(changed(screened(), screened(FAR), FAR), Path())
    words = {text.get_text() for legend in figure.legends for text in legend.get_texts()}
    assert "indication before" not in words
    assert "faint outline" not in gids(figure)


def test_changed_points_are_marked_as_such(change):
    drawn = as_screened(change)
    assert ((drawn.status == "suspect") == (change.status == "changed")).all()
    assert ((drawn.status == "unread") == (change.status == "unread")).all()


def test_the_sentences_count_what_could_not_be_compared(change):
    text = counts(change)
    assert "of 240 planned points" in text
    assert "3 could not be compared" in text


def test_the_lead_names_what_got_worse_and_never_calls_it_sound(change):
    result = " ".join(lead([change]))
    assert "grown" in result
    assert "1 gone" in result
    assert "not proof that the part is sound" in result
    quiet = " ".join(lead([changed(screened(FAR), screened(FAR))]))
    assert quiet.startswith("1 area: 1 unchanged (BM-CT1). Readings changed at 0 of ")
    assert "1 unchanged" in quiet


def test_every_kind_has_words_and_the_tally_shows_the_zeros():
    assert all(len(text) > 10 for text in KINDS.values())
    assert dict(tally([])) == dict.fromkeys(("new", "grown", "elsewhere", "unchanged", "shrunk", "gone"), 0)


def page(change, folder="last-year") -> tuple[str, dict]:
    summary = {
        "version": "0",
        "false_call_rate": 0.01,
        "before": {"folder": folder, "inputs": {"inspection.toml": "aa"}},
        "after": {"inputs": {"inspection.toml": "bb"}},
        "counts": [],
        "warnings": ["zone <b>: message"],
    }
    plan = SimpleNamespace(part=Part(name="Boom <1>"))
    inspection = SimpleNamespace(plan=plan)
    comparison = SimpleNamespace(before=inspection, after=inspection, zones=(change,), summary=summary)
    return page_text(comparison, [PICTURE]), change_document(comparison)


def test_the_page_holds_words_cautions_warnings_and_checksums(change):
    text, _ = page(change)
    assert "Boom &lt;1&gt;" in text
    assert "zone &lt;b&gt;: message" in text
    assert "Unchanged is not sound." in text
    assert "Do not use a part under suspicion" in text
    assert "last-year: inspection.toml" in text
    assert text.count('<span class="badge">') == len(change.changes) == 2
    assert "across the datum line" in text
    assert "http" not in text.replace('http-equiv="Content-Security-Policy"', "")


def test_the_document_lists_every_change(change):
    _, document = page(change)
    assert [one["kind"] for one in document["changes"]] == ["grown", "gone"]
    grown = document["changes"][0]
    assert grown["before"][0]["area_low_mm2"] <= grown["area_before_mm2"]
    assert len(grown["changed_points"]) == np.count_nonzero(change.score[7:12, 3:8] > 1)
