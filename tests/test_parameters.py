"""Names of parameters: the written form is taken apart in one place, and means the number it names."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from calib.rig.parameters import Kind, ParameterName, get_parameters, length_name, vector_names, with_parameters
from tests.moorhen import moorhen

WRITTEN = {
    "left_lever.pivot.y": ParameterName("left_lever", Kind.PIVOT, 1),
    "left_lever.axis.x": ParameterName("left_lever", Kind.AXIS, 0),
    "left_lever.rod@2.z": ParameterName("left_lever.rod", Kind.HOLE, 2, "2"),
    "rod@far hole.x": ParameterName("rod", Kind.HOLE, 0, "far hole"),
    "left_rod.length": ParameterName("left_rod", Kind.LENGTH),
    "left.centre.z": ParameterName("left", Kind.CENTRE, 2),
    "right.spin.y": ParameterName("right", Kind.SPIN, 1),
}


@pytest.mark.parametrize("text", WRITTEN)
def test_written_form_there_and_back(text):
    assert ParameterName.parse(text) == WRITTEN[text] and str(WRITTEN[text]) == text
    assert WRITTEN[text].direction == (".axis." in text or ".spin." in text)


@pytest.mark.parametrize("text", ["left_lever.pivot", "left_lever.place.x", "left_rod", "left_rod.length.x", "x",
                                  "left_lever.pivot.w", "left_lever.pivot.xy", "left_lever.pivot."])
def test_what_is_no_name_is_refused(text):
    with pytest.raises(KeyError):
        ParameterName.parse(text)


def test_each_name_sets_its_own_number_and_no_other():
    """Every number of a vehicle, set by name to a value of its own, stands where the name says."""
    rig = moorhen()
    names = [n for b in rig.bodies for n in vector_names(b, Kind.PIVOT)]
    names += [n for p in rig.points.values() for h in p.holes for n in vector_names(p.name, Kind.HOLE, h)]
    names += [length_name(r) for r in rig.rods] + [n for s in rig.wheels for n in vector_names(s, Kind.CENTRE)]
    values = np.arange(len(names)) + 0.5
    got = with_parameters(rig, names, values)
    assert get_parameters(got, names) == pytest.approx(values)
    body, rod = next(iter(rig.bodies)), next(iter(rig.rods))
    point = next(iter(rig.points.values()))
    at = dict(zip(names, values, strict=True))
    assert got.bodies[body].pivot == tuple(at[f"{body}.pivot.{c}"] for c in "xyz")
    assert got.rods[rod].length == at[f"{rod}.length"]
    assert got.points[point.name].holes[point.use] == tuple(at[f"{point.name}@{point.use}.{c}"] for c in "xyz")
    assert got.bodies[body].axis == pytest.approx(rig.bodies[body].axis)
    turned = with_parameters(rig, [f"{body}.axis.x"], np.array([rig.bodies[body].axis[0] + 0.3]))
    assert np.linalg.norm(turned.bodies[body].axis) == pytest.approx(1)


def test_no_other_module_takes_names_apart():
    """The twelve modules that did so now ask the name."""
    root = Path(__file__).parent.parent / "calib"
    apart = re.compile(r'split\("@"\)|rpartition\("\."\)|endswith\("\.length"\)|"\.axis\." in|"xyz"\.index')
    assert [p.name for p in root.rglob("*.py") if apart.search(p.read_text())] == ["parameters.py"]
