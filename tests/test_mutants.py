"""The mutation run itself: a planted wrong sign is caught, a change that changes nothing is said to be alive."""

from __future__ import annotations

import ast
from collections import Counter
from pathlib import Path

import numpy as np
import pytest

from calib.linkage.rotations import perpendiculars
from tests.bench.mutants.__main__ import ROOT, STREETS
from tests.bench.mutants.changes import mutants
from tests.bench.mutants.live import Live
from tests.bench.mutants.trial import Candidate, Known, Tree, candidates, known_mutants, sample, tried

CODE = '''"""A module."""
import math


def height(length: float, angle: float) -> float:
    """Height of the end of a bar."""
    if length < 0:
        raise ValueError(f"a bar of {length + 1} mm")
    return length * math.sin(angle) + abs(length) * 0.0


def first(row: list[float]) -> float:
    return -row[0]
'''
CHECK = '''from calib.bar import first, height


def test_height() -> None:
    assert abs(height(2.0, 0.5) - 0.9588510772) < 1e-9


def test_first() -> None:
    assert first([1.0, 2.0]) == -1.0
'''


@pytest.fixture
def project(tmp_path: Path) -> Path:
    root = tmp_path / "project"
    for folder in ("calib", "tests"):
        (root / folder).mkdir(parents=True)
    (root / "calib" / "bar.py").write_text(CODE, encoding="utf-8")
    (root / "tests" / "test_bar.py").write_text(CHECK, encoding="utf-8")
    return root


def one(project: Path, kind: str, text: str) -> Candidate:
    (found,) = [c for c in candidates(project, "bars", ["calib/*.py"], ["tests/test_bar.py"])
                if c.mutant.kind == kind and text in c.mutant.now]
    return found


def test_a_wrong_sign_is_caught_and_a_change_of_nothing_is_not(project: Path, tmp_path: Path) -> None:
    wrong = [one(project, "negated", "length * -math.sin(angle)"), one(project, "index", "row[1]")]
    nothing = [one(project, "abs left out", "+ length * 0.0"), one(project, "term left out", "")]
    known = {nothing[1].mutant.key: Known("equivalent", "what is added is zero")}
    tree = Tree(project, tmp_path / "copy")
    fates = [fate for _, fate in tried(tree, [*wrong, *nothing], known)]
    assert fates == ["killed", "killed", "alive", "equivalent"]
    assert (tree.root / "calib" / "bar.py").read_text(encoding="utf-8") == CODE, "put back"


def test_tests_that_fail_anyway_show_nothing(project: Path, tmp_path: Path) -> None:
    check = project / "tests" / "test_bar.py"
    check.write_text(CHECK.replace("-1.0", "1.0"), encoding="utf-8")
    with pytest.raises(RuntimeError, match="do not pass"):
        next(tried(Tree(project, tmp_path / "copy"), [one(project, "function", "math.cos")], {}))
    with pytest.raises(ValueError, match="names no file"):
        candidates(project, "bars", ["calib/rod.py"], ["tests/test_bar.py"])


def test_no_change_to_words_errors_and_annotations() -> None:
    found = mutants(CODE + 'x: "list[int]" = ["a" + "b"]\n')
    assert {m.within for m in found} == {"height", "first"}
    assert not [m for m in found if "ValueError" in m.was]
    assert Counter(m.kind for m in found if m.within == "first") == {"index": 1, "minus left out": 1}


def test_every_mutant_of_the_code_is_python_and_differs() -> None:
    for street, (modules, tests) in STREETS.items():
        found = candidates(ROOT, street, modules, tests)
        assert len(found) > 100, street
        for c in sample(found, 5, seed=3):
            source = (ROOT / c.path).read_text(encoding="utf-8")
            assert ast.unparse(ast.parse(c.mutant.apply(source))) != ast.unparse(ast.parse(source)), c.mutant


def test_the_sample_is_the_same_for_a_seed() -> None:
    found = candidates(ROOT, "figures", *STREETS["figures"])
    assert sample(found, 20, 1) == sample(found, 20, 1) != sample(found, 20, 2)
    lines = [(c.path, c.mutant.line) for c in sample(found, 20, 1)]
    assert len(set(lines)) == 20


def test_known_mutants_give_their_reason() -> None:
    known = known_mutants()
    assert all(len(k.why) > 20 for k in known.values())
    assert all(any(c.isdigit() for c in k.why) for k in known.values() if k.fate == "chosen"), "its measured effect"


def test_a_known_mutant_stands_once(tmp_path: Path) -> None:
    entry = '[[{}]]\nwithin = "f"\nwas = "a"\nnow = "b"\n{} = "nothing shown changes"\n'
    path = tmp_path / "known.toml"
    path.write_text(entry.format("mutant", "why") + entry.format("chosen", "effect"), encoding="utf-8")
    with pytest.raises(ValueError, match="twice"):
        known_mutants(path)


def test_a_fork_catches_what_the_copied_tree_catches() -> None:
    found = candidates(ROOT, "turns", ["calib/linkage/rotations.py"], ["tests/test_shapes.py"])
    live = Live(ROOT)
    wrong = next(c for c in found if c.mutant.within == "perpendiculars" and "!= 3" in c.mutant.was)
    change = live.code(wrong)
    assert change is not None and live.passes(wrong.tests, 60.0) is True
    assert live.passes(wrong.tests, 60.0, change) is False
    assert perpendiculars(np.array([0.0, 0.0, 1.0])).shape == (3, 2), "nothing is changed outside the fork"
    assert live.passes(wrong.tests, 0.01) is None, "longer than allowed"
    outside = next(c for c in candidates(ROOT, "turns", ["calib/linkage/limits.py"], ["tests/test_shapes.py"])
                   if not c.mutant.within)
    assert live.code(outside) is None, "that is tried in the copied tree"
