"""Findings are codes and facts; only calib/findings.py makes sentences of them, and nobody reads sentences."""

from __future__ import annotations

import ast
import json
import pickle
from pathlib import Path

import pytest

from calib.findings import EVERYTHING, TABLE, Code, Finding
from capture.errors import UserError

ROOT = Path(__file__).parent.parent

# Facts of each code as its finder gives them, with words that must come out of them.
SAID = [
    (Finding(Code.TWO_CAMERAS, "a.jpg", facts={"camera": "Sample S-9", "width": 4000, "height": 3000}),
     ["a.jpg", "another camera (Sample S-9, 4000 x 3000)"]),
    (Finding(Code.RESIZED, "a.jpg", facts={"width": 1200, "height": 900, "usual_width": 4000, "usual_height": 3000}),
     ["1200 x 900", "the rest are 4000 x 3000"]),
    (Finding(Code.DIGITAL_ZOOM, "a.jpg", facts={"zoom_in_file": 1.4, "usual": 1.0}), ["digital zoom 1.4", "rest 1"]),
    (Finding(Code.DIGITAL_ZOOM, "a.jpg", facts={"zoom": 1.437}), ["1.44 times", "cropped. Take it again"]),
    (Finding(Code.DIGITAL_ZOOM, "a.jpg", facts={"zoom": 1.437, "camera_named": False}), ["another camera; the file"]),
    (Finding(Code.DIGITAL_ZOOM, "a.jpg", facts={"off": -0.021}), ["-2.1 %"]),
    (Finding(Code.NO_BOARD, "a.jpg"), ["too little of the board"]),
    (Finding(Code.FEW_PHOTOS, "back2", ("back2",), {"photos": 1, "least": 2}), ['"back2"', "only 1 usable", "least 2"]),
    (Finding(Code.NO_POSITION, "back2", ("back2",)), ['"back2"', "the rig file asks for"]),
    (Finding(Code.TAG_MISSING, "left", facts={"printed_code": 71}), ['"left" (code 71)']),
    (Finding(Code.WRONG_POSITION, "a.jpg", ("back1",), {"other": "back2"}), ['under "back1"', 'as in "back2"']),
    (Finding(Code.WRONG_POSITION, "a.jpg", ("back1",)), ['other photos of "back1"', "filed wrongly"]),
    (Finding(Code.TAG_MISREAD, "a.jpg: t", ("back1",), {"tag": "t", "photo": "a.jpg"}), ['"t" in photo a.jpg']),
    (Finding(Code.TAG_UNFIT, "t", ("back1", "ahead")), ['"t"', '"back1", "ahead"', "nearly everywhere"]),
    (Finding(Code.TAG_SLIPPED, "t", ("back1",)), ['at "back1"', "corner of it lifted"]),
    (Finding(Code.TAG_SLIPPED, "t", ("back1",), {"body": "b", "mm": 2.04, "deg": 0.46}), ["by about 2.0 mm and 0.5"]),
    (Finding(Code.TAG_SLIPPED, "t", ("back1",), {"body": "b", "one_of": ("t", "u")}), ['tags "t" or "u" of b']),
    (Finding(Code.TAG_SIZE, "t", facts={"mm": 57.04, "drawn_mm": 60.0}), ["57.0 mm wide", "not 60 mm"]),
    (Finding(Code.PART_TAGS_SIZE, "part tags", facts={"percent": 95.04}), ["95.0 % of the size", "100 %"]),
    (Finding(Code.PART_BENT, "b", ("back1",), {"mm": 2.04, "deg": 0.46}), ["All tags of b", "2.0 mm and 0.5 deg"]),
    (Finding(Code.PART_BENT, "b", ("back1",), {"or_tags": ("t",)}), ['or tag "t" slipped']),
    (Finding(Code.FRAME_BUMPED, "board", ("push1",), {"mm": 3.04, "deg": 0.123, "reference": "ahead",
                                                      "set_aside": True}),
     ["3.0 mm and 0.12 deg", 'at "push1" than at "ahead"', "were set aside"]),
    (Finding(Code.FRAME_BUMPED, "board", ("push1",), {"mm": 3.04, "deg": 0.123, "reference": "ahead",
                                                      "set_aside": False}), ["do not trust"]),
    (Finding(Code.SCALE_DISAGREES, "board", facts={"percent": 1.5, "u95": 0.31, "drawn_mm": 177.34,
                                                   "read_mm": 180.0}),
     ["+1.50 +/- 0.31 %", "measure 177.3 mm", "not 180.0 mm"]),
    (Finding(Code.SCALE_UNKNOWN, "board"), ["scale_bar"]),
    (Finding(Code.PHOTO_POOR, "a.jpg", facts={"lost": 0.314}), ["31%"]),
    (Finding(Code.CORNERS_ROUGH, "all photos", facts={"factor": 2.34}), ["2.3 times"]),
    (Finding(Code.REPEATS, "crank", facts={"mm": 0.084, "deg": 0.0612}), ["crank comes", "0.08 mm and 0.061 deg"]),
    (Finding(Code.REPEATS, "board", facts={"mm": 0.154, "deg": 0.0172}), ["frame between board", "0.15 mm", "fast"]),
    (Finding(Code.JOINT_LOOSE, "left_lever", facts={"mm": 0.244, "deg": 0.0992}), ["only to 0.24 mm", "0.099 deg"]),
    (Finding(Code.HAND_MOVED, "all photos", facts={"mm": 0.374, "deg": 0.0251}), ["0.37 mm and 0.025 deg"]),
    (Finding(Code.LENS_TERMS, "camera", facts={"px": 0.284}), ["more than five terms: up to 0.28 px"]),
    (Finding(Code.SPREAD_MISFIT, "all photos", facts={"factor": 1.62}), ["1.6 times"]),
    (Finding(Code.BOARD_BOWED, "board", facts={"mm": 1.26}), ["1.3 mm"]),
    (Finding(Code.ROD_MISFIT, "r", ("push1",), {"mm": -0.456}), ["-0.46 mm longer", '"push1"']),
    (Finding(Code.ANGLE_UNKNOWN, "b", ("push1",)), ['turn of b at "push1"']),
    (Finding(Code.TAG_UNSEEN, "crank_in", ("push1", "back2")), ['Tag "crank_in" is in no photo of "push1", "back2"']),
    (Finding(Code.LEVER_CREPT, "left_lever", ("push1",), {"deg": 0.314}),
     ['"push1"', "left lever moved by at least 0.31 deg"]),
    (Finding(Code.LEVER_STILL, "left_lever", facts={"deg": 0.314, "travel": 64.0}), ["within 0.3 deg", "of 64 deg"]),
    (Finding(Code.NOT_CONVERGED, "estimate", facts={"iterations": 60}), ["did not converge in 60 steps"]),
    (Finding(Code.HOLE_MISMATCH, "l.rod", facts={"hole": "C", "mm": 0.412, "file_hole": "D", "file_mm": 9.04,
                                                 "others": ()}),
     ["where hole C is drawn, 0.4 mm away; the file says D, 9.0 mm", 'in C, write use = "C"']),
    (Finding(Code.HOLE_MISMATCH, "l.rod", facts={"hole": "C", "mm": 0.412, "file_hole": "D", "file_mm": 9.04,
                                                 "others": ("B", "D"), "part": "lever", "part_mm": 8.04}),
     ["in D after all, then the whole of lever sits 8.0 mm", "Hole B and D cannot be ruled out"]),
    (Finding(Code.HOLE_UNCERTAIN, "l.rod", facts={"holes": ("C", "D"), "taken": "C", "file_hole": "C",
                                                  "apart_mm": 1.04}),
     ["holes C and D cannot be told apart", "1.0 mm apart): It is taken to be in C"]),
    (Finding(Code.HOLE_UNCERTAIN, "l.rod", facts={"holes": ("A", "C", "D"), "taken": "C", "file_hole": "C",
                                                  "apart_mm": 1.04}), ["holes A, C and D", "most likely it is in A"]),
    (Finding(Code.OFFSETS_TOGETHER, "bolt tags", facts={"mm": -2.47, "u95_mm": 1.31}),
     ["2.5 +/- 1.3 mm too large", "correct offset in the rig file"]),
    (Finding(Code.PLAY, "r", ("push1",), {"mm": 0.412, "u95_mm": 0.031, "joints": ("rod end", "hinge"), "deg": 0.3,
                                          "u95_deg": 0.02, "driven": "crank"}),
     ["r: 0.41 +/- 0.03 mm", "0.300 +/- 0.020 deg at crank", "rod end; hinge"]),
    (Finding(Code.REFERENCE_OFF, "line_front", facts={"times": 3.24}), ['"line_front"', "3.2 times"]),
    (Finding(Code.REFERENCES_TURN, "frame", facts={"deg": 0.512, "about": "about the vertical"}),
     ["+0.51 deg about the vertical"]),
    (Finding(Code.NOT_SEEN, "crank.left_in", facts={"why": "no tag seen on its bolt: stays as in the file +/- 30 mm"},
             touches=("crank",)), "crank, left in: no tag seen on its bolt: stays as in the file +/- 30 mm."),
    (Finding(Code.NOT_LOADED, "loaded", ("loaded",), {"why": "there is no photo of it."}),
     ['"loaded" does not tell', "no photo of it"]),
    (Finding(Code.PLAY, "r", ("push1",), {"mm": 0.412, "u95_mm": 0.031, "joints": ("rod end",)}), ['"push1". It can']),
    (Finding(Code.NOT_AS_DRAWN, "left_lever", facts={"what": "pivot", "along": "z", "off": -7.8, "u95": 0.09,
                                                     "tolerance": 4.0, "times": 1.95, "unit": "mm"}),
     ["left lever: its pivot sits 7.80 +/- 0.09 mm further down", "1.9 times the tolerance of 4 mm"]),
    (Finding(Code.NOT_AS_DRAWN, "left_lever.rod", facts={"what": "hole", "hole": "D", "along": "y", "off": 5.67,
                                                         "u95": 0.29, "tolerance": 3.0, "times": 1.89, "unit": "mm"}),
     ["left lever, rod: the rod end (hole D) sits 5.67 +/- 0.29 mm further to the left"]),
    (Finding(Code.NOT_AS_DRAWN, "crank", facts={"what": "axis", "along": "x", "off": -2.5, "u95": 0.1,
                                                "tolerance": 1.0, "times": 2.5, "unit": "deg"}),
     ["crank: its hinge points 2.50 +/- 0.10 deg further back", "2.5 times the tolerance of 1 deg"]),
    (Finding(Code.NOT_AS_DRAWN, "left_rod", facts={"what": "length", "off": 3.0, "u95": 0.1, "tolerance": 2.0,
                                                   "times": 1.5, "unit": "mm"}), ["left rod is 3.00", "mm longer"]),
    (Finding(Code.TOLERANCES_TIGHT, "drawing", facts={"factor": 4.63, "chi2": 900.0, "dof": 42.0, "outside": 17,
                                                      "of": 22}), ["4.6 times as much", "17 of 22 places"]),
    (Finding(Code.UNLIKE_DRAWING, "drawing", facts={"far": 11, "of": 12, "least_mm": 40.0, "mm": 166.4}),
     ["11 of 12 pivots and rod ends", "40 mm", "more than 166 mm", "tag by tag"]),
    (Finding(Code.NO_PLAY, "r and s", facts={"above_mm": 0.052}), ["r and s above 0.05 mm"]),
]


@pytest.mark.parametrize(("finding", "words"), SAID, ids=[f"{f.code}-{k}" for k, (f, _) in enumerate(SAID)])
def test_code_and_facts_make_a_sentence(finding: Finding, words: list[str]) -> None:
    assert finding.text.endswith(".") and "{" not in finding.text
    for w in words:
        assert w in finding.text
    data = json.loads(json.dumps(finding.as_data()))  # goes into files as it is
    assert data["code"] == str(finding.code) and data["text"] == finding.text and data["item"] == finding.item
    assert pickle.loads(pickle.dumps(finding)) == finding


def test_every_code_is_said_here() -> None:
    assert {f.code for f, _ in SAID} >= set(Code) == set(TABLE)


def test_defaults_are_the_codes_own() -> None:
    assert Finding(Code.BOARD_BOWED, "board", facts={"mm": 2.0}).serious is False
    assert Finding(Code.TAG_SLIPPED, "t").serious is True and Finding(Code.TAG_SLIPPED, "t").touches == ("t",)
    assert Finding(Code.FRAME_BUMPED, "board").touches == (EVERYTHING,)
    with pytest.raises(ValueError, match="no_such"):
        Finding("no_such", "t")  # type: ignore[arg-type]


def test_errors_carry_code_item_and_reasons() -> None:
    error = UserError("Photo a.jpg is empty.", "empty", "a.jpg", [Finding(Code.NO_BOARD, "a.jpg")])
    again = pickle.loads(pickle.dumps(error))  # the second process hands errors on
    for e in (error, again):
        assert (str(e), e.code, e.item) == ("Photo a.jpg is empty.", "empty", "a.jpg")
        assert [f.code for f in e.reasons] == [Code.NO_BOARD]


def test_every_error_has_a_code() -> None:
    for path in [*ROOT.glob("calib/**/*.py"), *ROOT.glob("capture/**/*.py")]:
        for call in ast.walk(ast.parse(path.read_text())):
            if isinstance(call, ast.Call) and getattr(call.func, "id", "") == "UserError":
                assert len(call.args) >= 2 or call.keywords, f"{path.name}, line {call.lineno}: no code"


def test_no_sentence_is_edited_or_searched() -> None:
    """Nothing outside the surface looks into ``.text`` or into words made for people."""
    for path in ROOT.glob("calib/**/*.py"):
        for node in ast.walk(ast.parse(path.read_text())):
            read = None
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
                read = node.func.value  # f.text.replace(...), f.text.startswith(...)
            elif isinstance(node, ast.Compare) and any(isinstance(op, ast.In | ast.NotIn) for op in node.ops):
                read = node.comparators[0]  # "cannot" in f.text
            elif isinstance(node, ast.Subscript):
                read = node.value  # f.text[:-1]
            assert not (isinstance(read, ast.Attribute) and read.attr in ("text", "why")), f"{path}, {node.lineno}"
