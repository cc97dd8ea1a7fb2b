"""Made-up calls by two methods on one small grid, where it is plain what they share."""

from types import SimpleNamespace

import numpy as np

from tapscan.screening.areas.agreement import agreement


def _screened(method, rows, indications):
    words = {"c": "clear", "s": "suspect", "u": "unread", "k": "skipped"}
    return SimpleNamespace(
        zone=SimpleNamespace(code="BM"),
        method=method,
        status=np.array([[words[letter] for letter in row] for row in rows]),
        indications=tuple(SimpleNamespace(id=name, points=points) for name, points in indications.items()),
    )


TAP = _screened("tap", ["sscs", "ccuk"], {"BM-T1": ("BM-01-01", "BM-01-02"), "BM-T2": ("BM-01-04",)})
SCAN = _screened("ascan", ["scsu", "csck"], {"BM-A1": ("BM-01-01",), "BM-A2": ("BM-02-02",)})


def test_every_point_is_counted_once():
    (entry,) = agreement([TAP, SCAN])
    assert entry["points"] == {
        "both_suspect": 1,
        "both_clear": 1,
        "tap_alone_suspect": 1,
        "ascan_alone_suspect": 2,
        "only_tap_looked": 1,
        "only_ascan_looked": 1,
        "neither_looked": 1,
    }
    assert sum(entry["points"].values()) == TAP.status.size


def test_indications_are_paired_or_say_whether_the_other_looked():
    (entry,) = agreement([TAP, SCAN])
    assert entry["indications"] == {
        "both": [["BM-T1", "BM-A1"]],
        "tap_alone": [],
        "tap_not_looked_at": ["BM-T2"],
        "ascan_alone": ["BM-A2"],
        "ascan_not_looked_at": [],
    }


def test_a_zone_seen_by_one_method_alone_has_no_entry():
    assert agreement([TAP]) == []
