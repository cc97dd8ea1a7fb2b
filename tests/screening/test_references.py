from dataclasses import replace

import numpy as np

from tapscan.plan import Block
from tapscan.screening.areas.references import marked_damage, marked_inside, reference_doubts
from tests.report.fabricated import tapped, tube

GOOD = Block(1, 6, 6, 12)


def test_good_references_are_in_no_doubt():
    assert reference_doubts(tapped(tube(reference=(GOOD,))), 0.01) == []
    assert reference_doubts(tapped(tube()), 0.01) == []


def test_one_odd_reading_among_many_references_is_chance():
    screened = tapped(tube(reference=(GOOD,)), spots=((3, 8, 4.0),))
    assert (screened.is_reference & (screened.status == "suspect")).sum() == 1
    assert reference_doubts(screened, 0.01) == []


def test_references_that_stand_out_are_named():
    screened = tapped(tube(reference=(GOOD,)), spots=((3, 8, 11.0),))
    (found,) = reference_doubts(screened, 0.01)
    assert found == (
        "zone BM: 5 of 42 points marked as reference read unlike the rest of the zone: BM-02-08, BM-03-07, "
        "BM-03-08, BM-03-09, BM-04-08 (make sure that they are good, or take them out of reference)"
    )


def test_a_single_reference_inside_an_indication_is_named():
    """Too few for a doubt about the references as a whole, and still one of the two is wrong."""
    screened = tapped(tube(reference=(Block(3, 8, 3, 8), Block(20, 1, 40, 12))), spots=((3, 8, 11.0),))
    (indication,) = screened.indications
    assert "BM-03-08" in indication.points
    assert reference_doubts(screened, 0.01) == []
    assert marked_inside(screened) == [
        (
            f"zone BM: 1 point marked as reference is inside indication {indication.id}: BM-03-08 "
            "(check, or clear the mark)"
        )
    ]
    assert marked_inside(tapped(tube(), spots=((3, 8, 11.0),))) == []


def test_references_that_leave_most_of_the_rest_suspect_are_reported():
    screened = tapped(tube(reference=(GOOD,)), spots=())
    odd = replace(screened, status=np.where(screened.is_reference, screened.status, "suspect"))
    (found,) = reference_doubts(odd, 0.01)
    assert found.startswith(
        "zone BM: compared with its 42 reference points, 438 of the other 438 are suspect"
    )


def test_unread_references_say_nothing():
    screened = tapped(tube(reference=(GOOD,)))
    gone = replace(screened, status=np.where(screened.is_reference, "unread", screened.status))
    assert reference_doubts(gone, 0.01) == []


def test_damage_that_is_marked_as_good_is_reported():
    """Marked, it is what everything is compared with, and the map is clear."""
    unmarked = tapped(tube(), spots=((3, 8, 11.0),))
    assert unmarked.indications
    reference = tapped(tube(reference=(GOOD,))).is_reference
    (found,) = marked_damage(unmarked, reference)
    assert found.startswith("zone BM: compared with the zone itself, ")
    assert "are marked as reference: BM-" in found
    assert marked_damage(unmarked, np.zeros_like(reference)) == []
    assert marked_damage(tapped(tube()), reference) == []
