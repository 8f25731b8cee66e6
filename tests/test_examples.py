"""The examples in the docstrings of what a script imports, run."""

from __future__ import annotations

import doctest
import inspect
import warnings
from collections.abc import Callable
from functools import cache
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest

import calib
import capture
from calib.linkage import rotations
from capture import shapes
from tests.render.shoot import simulate_observations
from tests.render.truth import sample_truth

ROOT = Path(__file__).resolve().parents[1]
A_SCRIPT_CALLS = {  # each has to show how
    "calib.load_rig", "calib.parse_rig", "calib.estimate", "calib.compare", "calib.propose", "calib.measure",
    "calib.plan_shoot", "calib.verdict", "calib.Linkage.solve", "calib.Linkage.sweep", "calib.wheel_headings",
    "calib.curve_figures", "calib.check_limits", "calib.sensitivity", "calib.with_parameters", "calib.rig_to_toml",
    "capture.read_shoot", "capture.saddle_points", "capture.Board.for_paper",
}
OPTIONS = doctest.NORMALIZE_WHITESPACE | doctest.ELLIPSIS


def examples() -> dict[str, doctest.DocTest]:
    """Every docstring with an example, by the name a script calls it by."""
    found: dict[str, doctest.DocTest] = {}
    finder = doctest.DocTestFinder(exclude_empty=True, recurse=True)
    for face in (calib, capture):
        things: dict[str, Any] = {f"{face.__name__}.{n}": getattr(face, n) for n in face.__all__}
        things[face.__name__] = face
        for name, thing in things.items():
            module = face if inspect.ismodule(thing) else inspect.getmodule(thing)
            for test in finder.find(thing, name, module=module, globs={}):
                if test.examples:
                    found[test.name] = test
    for module in (rotations, shapes):
        found |= {t.name: t for t in finder.find(module, module.__name__, globs={}) if t.examples}
    return found


EXAMPLES = examples()


@cache
def shoot() -> dict[str, Any]:
    """A shoot as the examples speak of it: the rig as drawn and the corners of simulated photos."""
    truth = sample_truth(ROOT / "sample_data" / "rig.toml", seed=7)
    rig = calib.load_rig(ROOT / "sample_data" / "rig.toml")
    return {"rig": rig, "observations": simulate_observations(truth, 0.05, np.random.default_rng(1))}


@cache
def fit() -> Any:
    return calib.estimate(**{"rig": shoot()["rig"], "obs": shoot()["observations"]})


def known(test: doctest.DocTest) -> dict[str, Any]:
    """What an example may use without making it."""
    words = " ".join(e.source for e in test.examples)
    names: dict[str, Any] = {"np": np}
    names |= {k: v for k, v in shoot().items()} if "observations" in words or "fit" in words else {}
    return names | ({"fit": fit()} if "fit" in words and "fit =" not in words else {})


@pytest.mark.parametrize("name", EXAMPLES)
def test_example(name: str) -> None:
    test = EXAMPLES[name]
    module: ModuleType | None = inspect.getmodule(_thing(name))
    test.globs = {**(vars(module) if module else {}), **known(test)}
    told: list[str] = []
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        result = doctest.DocTestRunner(optionflags=OPTIONS, verbose=False).run(test, out=told.append)
    assert result.attempted and not result.failed, "".join(told)


def _thing(name: str) -> Any:
    face: Any = {"calib": calib, "capture": capture}[name.split(".")[0]]
    for part in name.split(".")[1:]:
        face = getattr(face, part)
    return face


def test_what_a_script_calls_shows_how() -> None:
    assert A_SCRIPT_CALLS <= set(EXAMPLES), A_SCRIPT_CALLS - set(EXAMPLES)


def test_a_wrong_example_would_be_seen() -> None:
    wrong = doctest.DocTestParser().get_doctest(">>> 1 + 1\n3\n", {}, "wrong", None, 0)
    say: Callable[[str], object] = [].append
    assert doctest.DocTestRunner(verbose=False).run(wrong, out=say).failed == 1
