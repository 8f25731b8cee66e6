"""Found rates beside other readers' on the same pictures, and no part tag in clutter (tests/bench/detection.py).

References: OpenCV's ArucoDetector (defaults and tuned) and the apriltag library (pupil-apriltags).
"""

from __future__ import annotations

import pytest

from tests.bench.detection import CASES, READERS, Reader, false_tags, run_case

BY_NAME = {c.name: c for c in CASES}


def readers(*names: str) -> dict[str, Reader]:
    return {n: READERS[n] for n in names}


@pytest.mark.parametrize("name", ["tilt 30 deg, 138 px", "tilt 60 deg, 72 px", "distance 4 m (60 mm: 45 px)",
                                  "blur 2 px", "noise 20", "JPEG 30"])
def test_every_tag_found(name: str) -> None:
    """Three pictures a case: every tag found and its saddles read, no wrong code, as often as by any reference."""
    scores = run_case(BY_NAME[name], 3, seed=7)
    best = max(s.found for n, s in scores.items() if not n.endswith("_tags"))
    for ours in ("find_tags", "read_tags"):
        assert scores[ours].there == 3 and scores[ours].wrong == 0
        assert scores[ours].found == 3 >= best, (ours, scores)


@pytest.mark.parametrize("name", ["tilt 75 deg, 138 px", "tilt 70 deg, 72 px", "half shaded", "half shaded, tilt 60",
                                  "blur 3 px", "blur 4 px", "grey 60 on 85", "noise 30"])
def test_hard_views(name: str) -> None:
    """Strong tilt, a shadow's edge across the code, blur, faint print: six of eight, and no fewer than any reader."""
    scores = run_case(BY_NAME[name], 8, seed=7, readers=readers("find_tags", *(n for n in READERS if n != "read_tags")))
    assert scores["find_tags"].found >= max(6, *(s.found for s in scores.values())), scores
    assert scores["find_tags"].wrong == 0


def test_small_tags_found_more_often_than_by_the_references() -> None:
    """Sides of 35 to 25 px, codes 18 to 13 px wide: more tags than any reference and at least three quarters."""
    names = [n for n in READERS if n != "read_tags"]
    total = dict.fromkeys(names, 0)
    for name in ("side 35 px", "side 30 px", "side 25 px"):
        for reader, score in run_case(BY_NAME[name], 6, seed=7, readers=readers(*names)).items():
            total[reader] += score.found
    ours = total.pop("find_tags")
    assert ours >= 14 and ours >= max(total.values()), (ours, total)


def test_no_part_tag_in_clutter() -> None:
    """Twenty pictures of every kind of clutter, all part codes allowed: none is read."""
    count, looked = false_tags(20, readers("find_tags"))
    assert sum(looked.values()) >= 17
    assert sum(count["find_tags"].values()) == 0, count
