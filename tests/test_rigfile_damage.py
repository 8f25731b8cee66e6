"""Rig files that somebody or something broke: a sentence within two seconds, or a rig that reads back the same."""

from __future__ import annotations

import time
from collections.abc import Sequence
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from calib.rig.reader import parse_rig
from calib.rig.writer import rig_to_toml
from capture.errors import UserError
from tests.moorhen import SAMPLE

TEXT = SAMPLE.read_text(encoding="utf-8")
LINES = TEXT.splitlines()
SHORT = (Path(__file__).parent / "rigs" / "moorhen_short.toml").read_text(encoding="utf-8").splitlines()
_files = st.sampled_from((LINES, SHORT))
CHAIN = "\n".join(f'[bodies.b{k}]\nparent = "{f"b{k - 1}" if k else "frame"}"\npivot = [0, 0, {k % 500}]\n'
                  "axis = [0, 0, 1]" for k in range(3000))
HOSTILE = {
    "brackets": "x = " + "[" * 20000 + "]" * 20000,
    "brackets on lines": "x = " + "[\n" * 20000 + "]\n" * 20000,
    "braces": "x = " + "{a=" * 20000 + "1" + "}" * 20000, "dots": ".".join("a" * 20000) + " = 1",
    "fewer dots": ".".join("a" * 900) + " = 1", "digits": TEXT.replace("size = ", "size = " + "9" * 5000, 1),
    "fewer digits": TEXT.replace("size = ", "size = " + "9" * 1000, 1),
    "sections": TEXT + "".join(f"\n[zz{k}]\na = 1" for k in range(30000)),
    "few sections": TEXT + "".join(f"\n[zz{k}]" for k in range(290)),
    "chain": TEXT + "\n" + CHAIN,
    "delete": TEXT.replace('name = "', 'name = "\\u007F', 1),
    "escape": TEXT.replace('name = "', 'name = "\\u001b[31m', 1),
    "next line": TEXT.replace('name = "', 'name = "\\u0085', 1),
    "separator": TEXT.replace('name = "', 'name = "\u2028', 1),
    "long name": TEXT.replace('name = "', 'name = "' + "x" * 100_000, 1),
    "long key": TEXT + "\n[" + "k" * 100_000 + "]\n",
    "date": TEXT.replace("size = ", "size = 2026-13-45 # ", 1),
}


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_rig_files_end_as_a_sentence_within_two_seconds(name: str) -> None:
    began = time.process_time()
    with pytest.raises(UserError) as caught:
        parse_rig(HOSTILE[name])
    assert time.process_time() - began < 2
    assert str(caught.value).startswith("rig.toml")
    if name != "few sections":  # each of those is named on a line of its own
        assert len(str(caught.value)) < 300


_cells = st.sampled_from(["0", "-1", "1e308", "-0.0", "nan", "inf", "9" * 400, '""', '"a\\u007Fb"', '"=1+1"',
                          "[]", "{}", "true", "[0, 0, 0]", "[1, 2]", '"frame"', '"7/8 in"', '"5 deg"', "1979-05-27",
                          "[[[]]]"])
_edits = st.lists(st.tuples(st.sampled_from(("value", "drop", "twice", "swap", "cut", "character")),
                            st.integers(0, len(LINES) - 1), st.integers(0, len(LINES) - 1), _cells,
                            st.characters(min_codepoint=1, max_codepoint=0x2FFF)), min_size=1, max_size=4)


def edited(file: Sequence[str], edits: list[tuple[str, int, int, str, str]]) -> str:
    """A rig file with some lines changed."""
    lines = list(file)
    for what, a, b, cell, character in edits:
        a, b = a % len(lines), b % len(lines)
        line = lines[a]
        if what == "value" and "=" in line:
            lines[a] = line.split("=")[0] + "= " + cell
        elif what == "drop" and len(lines) > 1:
            del lines[a]
        elif what == "twice":
            lines.insert(b, line)
        elif what == "swap":
            lines[a], lines[b] = lines[b], line
        elif what == "cut":
            lines[a] = line[:b % (len(line) + 1)]
        elif what == "character":
            at = b % (len(line) + 1)
            lines[a] = line[:at] + character + line[at:]
    return "\n".join(lines)


def refused_or_the_same_again(text: str) -> bool:
    """Whether a rig file is read; what is read must be written so that it reads back as the same rig."""
    try:
        rig = parse_rig(text)
    except UserError as e:
        assert str(e).startswith("rig.toml") and len(str(e)) < 100_000
        return False
    again = parse_rig(rig_to_toml(rig))
    assert again.rods == rig.rods and again.points == rig.points and again.bodies == rig.bodies
    assert again.name == rig.name and again.targets == rig.targets and again.tags == rig.tags
    return True


@settings(max_examples=150, derandomize=True, deadline=10_000, suppress_health_check=list(HealthCheck), database=None)
@given(_files, _edits)
def test_broken_rig_files(file: list[str], edits: list[tuple[str, int, int, str, str]]) -> None:
    refused_or_the_same_again(edited(file, edits))


@pytest.mark.slow
@settings(max_examples=20_000, deadline=10_000, suppress_health_check=list(HealthCheck), database=None)
@given(_files, _edits)
def test_many_broken_rig_files(file: list[str], edits: list[tuple[str, int, int, str, str]]) -> None:
    refused_or_the_same_again(edited(file, edits))
