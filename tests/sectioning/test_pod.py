import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tapscan.records.tables import json_text
from tapscan.sectioning.comparing import compare
from tapscan.sectioning.pod.data import pod_document
from tapscan.sectioning.pod.hit_miss import profile_bound_mm
from tapscan.sectioning.pod.study import study
from tapscan.sectioning.pod.trials import Trials, trials_of
from tests.sectioning.test_findings import found


def trials(size, hit, score=None, sound=(), called=(), parts=None):
    """One defect for each part; sound points spread over the parts."""
    size, hit = np.asarray(size, dtype=float), np.asarray(hit, dtype=bool)
    score = np.where(hit, 2.0, 0.5) if score is None else np.asarray(score, dtype=float)
    count = parts or size.size
    sound = np.asarray(sound, dtype=float)
    return Trials(
        method="tap",
        parts=tuple(f"P{i}" for i in range(count)),
        part=np.arange(size.size) % count,
        name=tuple(f"F{i}" for i in range(size.size)),
        size_mm=size,
        is_hit=hit,
        score=score,
        sound_part=np.arange(sound.size) % count,
        sound_score=sound,
        is_called=np.asarray(called, dtype=bool) if len(called) else sound >= 1,
        unread=0,
    )


def simulated(count=80, seed=1, low=4.0, high=30.0):
    rng = np.random.default_rng(seed)
    size = np.exp(rng.uniform(np.log(low), np.log(high), count))
    score = np.exp(np.log(size / 10) * 2 + 0.4 * rng.standard_normal(count))
    return trials(size, score >= 1, score, np.exp(rng.normal(-1, 0.3, 400)))


def test_a_usual_study():
    result = study(simulated())
    logit = result.curves["logit"]
    assert 8.5 < logit.a50_mm < 11.5
    assert logit.a50_mm < logit.a90_mm < logit.a90_95_mm
    assert logit.a90_95_mm == profile_bound_mm(logit.curve)
    assert result.response.a90_mm == pytest.approx(logit.a90_mm, rel=0.2)
    assert result.found.trials == 80
    assert result.false_calls.trials == 400
    assert result.roc.area > 0.75
    assert not any("few" in limit for limit in result.limits)


def test_nothing_is_carried_beyond_what_was_cut():
    result = study(simulated(low=4.0, high=11.0))
    logit = result.curves["logit"]
    assert logit.a90_mm is None
    assert logit.a90_95_mm is None
    assert any(
        "so that no size is given: nothing is extrapolated. Cut larger defects." in limit
        for limit in result.limits
    )


def test_a_bound_beyond_says_how_many_more():
    result = study(simulated(count=40, seed=3, high=12.5))
    logit = result.curves["logit"]
    assert logit.a90_mm is not None
    assert logit.a90_95_mm is None
    assert any("more sections of such sizes, or larger ones, are needed" in limit for limit in result.limits)


def test_where_no_number_of_cuts_would_do_none_is_reported():
    result = study(trials([4, 5, 6, 7, 8, 30], [0, 1, 0, 1, 1, 1]))
    assert result.curves["logit"].a90_mm is not None
    assert result.curves["logit"].a90_95_mm is None
    steep = study(trials([4, 5, 6, 7, 8, 8.001], [0, 1, 0, 1, 1, 1]))
    for one in (result, steep):
        assert all("inf" not in limit and "nan" not in limit for limit in one.limits)


@given(
    st.lists(
        st.tuples(st.floats(1.0, 50.0), st.booleans(), st.sampled_from([0.0, 0.1, 0.9, 1.2, 2.0, np.inf])),
        max_size=9,
    ),
    st.lists(st.floats(0.0, 1.5), max_size=30),
)
@settings(max_examples=12)
def test_any_cuts_at_all_are_reported_something(cases, sound):
    size, hit, score = (list(column) for column in zip(*cases, strict=True)) if cases else ([], [], [])
    result = study(trials(size, hit, score, sound=sound, parts=3))
    assert result.curves or result.why_no_curve
    assert result.response or result.why_no_response
    json_text(pod_document([result], []))


@pytest.mark.parametrize(
    ("size", "hit", "why"),
    [
        (
            [4, 6, 9, 12],
            [0, 0, 1, 1],
            "every defect from 9 mm up was found and every one up to 6 mm was missed",
        ),
        ([4, 6, 9, 12], [1, 1, 1, 1], "every defect was found"),
        ([4, 6, 9, 12], [0, 0, 0, 0], "every defect was missed"),
        ([4, 6, 9, 12, 15], [1, 0, 1, 0, 0], "larger defects were not found more often than small ones"),
        ([], [], "no delamination or disbond was cut"),
    ],
)
def test_where_there_is_no_curve_it_says_why_and_what_holds(size, hit, why):
    result = study(trials(size, hit))
    assert result.curves == {}
    assert result.why_no_curve == why
    for one in result.exact:
        inside = np.asarray(size) >= one.from_mm
        assert one.found.trials == inside.sum()
        assert one.found.hits == np.asarray(hit)[inside].sum()


def test_twenty_nine_of_twenty_nine_show_it_and_twenty_eight_do_not():
    for count, more in ((28, 1), (29, 0), (10, 19)):
        result = study(trials(np.full(count, 9.0) + np.arange(count) / 100, np.ones(count)))
        assert result.exact[0].more == more
        assert any("29 of 29" in limit for limit in result.limits) == (more > 0)


def test_one_missed_asks_for_forty_six():
    result = study(trials([5.0, *np.linspace(6, 9, 30)], [0, *np.ones(30)]))
    assert result.exact[0].found.trials == 31
    assert result.exact[0].more == 46 - 31


def test_few_are_called_few():
    result = study(simulated(count=20))
    assert any("20 defects are few" in limit and "40 more sections" in limit for limit in result.limits)


def test_sizes_hit_or_miss_make_no_curve_fall():
    result = study(trials([4, 6, 9, 12, 15, 18], [0, 1, 0, 1, 0, 1], sound=np.full(30, 0.2)))
    assert result.curves["logit"].a90_mm is None


def test_scores_at_their_top_are_taken_as_beyond():
    rng = np.random.default_rng(2)
    size = np.exp(rng.uniform(1, 3, 60))
    score = np.minimum(np.exp(np.log(size / 8) * 1.5 + 0.2 * rng.standard_normal(60)), 2.0)
    result = study(trials(size, score >= 1, score, np.full(40, 0.1)))
    assert result.response.ceiling == 2.0
    assert result.response.fit.slope == pytest.approx(1.5, abs=0.2)


def test_no_noise_known_no_line():
    result = study(trials([4, 6, 9, 12], [0, 1, 0, 1], sound=[0.2] * 5))
    assert result.response is None
    assert result.why_no_response == "fewer than 20 sound points were cut to measure noise"


def test_scores_that_fall_with_size_make_no_line():
    size = np.linspace(4, 20, 20)
    result = study(trials(size, size > 0, 20 / size + 0.01 * (np.arange(20) % 3), sound=[0.2] * 30))
    assert result.why_no_response == "larger defects did not score higher than small ones"


def test_all_in_the_noise_make_no_line():
    result = study(trials([4, 6, 9, 12], [0, 1, 0, 1], [0.1] * 4, sound=[0.2] * 30))
    assert result.why_no_response.startswith("a line needs three responses or more")


def test_trials_come_from_what_was_cut_alone(plan, screened):
    called = screened(indications=[("BM-03-05",)], lone=["BM-05-05"], unread=["BM-07-07"])
    rows = [
        found("delamination", "03-05", area_mm2=100.0),
        found("delamination", "06-05", area_mm2=50.0),
        found("delamination", "07-07", area_mm2=50.0),
        found("porosity", "02-02"),
        found("none", "05-01:05-12"),
    ]
    (one,) = trials_of([("A", [compare(plan, called, rows)]), ("B", [])])
    assert one.parts == ("A", "B")
    assert one.is_hit.tolist() == [True, False]
    np.testing.assert_allclose(one.size_mm, 2 * np.sqrt(np.array([100, 50]) / np.pi))
    assert one.unread == 1
    assert one.sound_score.size == 12
    assert one.is_called.sum() == 1
    assert one.name == ("F1", "F2")


def test_methods_are_kept_apart(plan, screened):
    rows = [found("delamination", "03-05", area_mm2=100.0)]
    both = [compare(plan, screened(method=method), rows) for method in ("ascan", "tap")]
    assert [one.method for one in trials_of([("A", both)])] == ["tap", "ascan"]


def test_the_document_is_plain_and_within_what_was_cut():
    document = json.loads(json_text(pod_document([study(simulated()), study(trials([4, 6], [0, 1]))], ["w"])))
    curve = document["studies"][0]["curves"]["logit"]
    assert None not in curve["pod"]
    assert None not in curve["pod_low_95"]
    assert curve["size_mm"][0] == pytest.approx(curve["smallest_mm"])
    assert document["studies"][1]["curves"] == {}
    assert document["warnings"] == ["w"]
