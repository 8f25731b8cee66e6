"""The streets of the code are one-way: no import against the order, and no circle of modules."""

from __future__ import annotations

import ast
from collections.abc import Iterator, Mapping
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
# From the ground up. A street is named by its folders or modules; it sees itself and all floors below it. Two streets
# on one floor do not know each other.
FLOORS: tuple[tuple[tuple[str, ...], ...], ...] = (
    (("capture",),),
    (("calib.findings",), ("calib.remarks",), ("calib.uncertainty",), ("calib.second_process",), ("calib.onethread",),
     ("calib.progress",)),
    # plain data: the rig and what is known of it, which the writer puts into a file
    (("calib.rig", "calib.results", "calib.trust"),),
    (("calib.linkage",), ("calib.describe",)),
    (("calib.advice",), ("calib.estimation",)),
    (("calib.report",),),
    (("calib.run",), ("calib.shootplan", "calib.planning"), ("calib.checkup",)),
    (("calib.surveying",), ("calib.shooting",), ("calib.job",)),
    (("calib.phone",),),
    (("calib.cli", "calib.commands", "calib.terminal"),),
)
PLAIN = ("calib.results", "calib.trust")  # on the rig's floor, and not in the line written for developers
FACES = ("calib", "capture")  # for scripts: they know everything, and nothing inside goes through them
STREETS = {street: floor for floor, streets in enumerate(FLOORS) for street in streets}


@cache
def sources() -> Mapping[str, str]:
    """Text of every module by its name."""
    out = {}
    for path in (p for top in FACES for p in (ROOT / top).rglob("*.py")):
        parts = path.relative_to(ROOT).with_suffix("").parts
        out[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path.read_text(encoding="utf-8")
    return out


def street(module: str) -> tuple[str, ...] | None:
    """The street a module stands in; None where the table names none."""
    return next((s for s in STREETS for name in s if f"{module}.".startswith(f"{name}.")), None)


@cache
def named(text: str) -> tuple[tuple[str, str, bool], ...]:
    """Every import anywhere in a module: the longest name it may mean, the shorter one, whether for the types only."""
    nodes = list(ast.walk(ast.parse(text)))
    for_types = {id(n) for block in nodes if isinstance(block, ast.If) and isinstance(block.test, ast.Name)
                 and block.test.id == "TYPE_CHECKING" for s in block.body for n in ast.walk(s)}
    out = []
    for node in nodes:
        if isinstance(node, ast.Import):
            out += [(a.name, a.name, id(node) in for_types) for a in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0 and node.module, f"line {node.lineno}: an import names its module in full"
            out += [(f"{node.module}.{a.name}", node.module, id(node) in for_types) for a in node.names]
    return tuple(out)


def imports(text: str, known: Mapping[str, str]) -> Iterator[tuple[str, bool]]:
    """Modules of the project that a module imports; whether for the types only."""
    for long, short, for_types in named(text):
        if long in known or short in known:
            yield (long if long in known else short), for_types


def against_the_order(of: Mapping[str, str]) -> list[tuple[str, str]]:
    """Imports, those for types too, that go up, to a neighbour or through a face."""
    out = []
    for module, text in of.items():
        own = street(module)
        for seen, _ in imports(text, of):
            other = street(seen)
            allowed = module in FACES or (own is not None and other is not None and seen not in FACES
                                          and (own == other or STREETS[other] < STREETS[own]))
            if not allowed:
                out.append((module, seen))
    return out


def circles(of: Mapping[str, str]) -> set[str]:
    """Modules left when those that import nothing left are taken away again and again: circles and what needs one."""
    left = {m: {seen for seen, for_types in imports(text, of) if not for_types and seen != m}
            for m, text in of.items() if m not in FACES}
    while free := {m for m, seen in left.items() if not seen & left.keys()}:
        left = {m: seen for m, seen in left.items() if m not in free}
    return set(left)


def planted(module: str, line: str) -> dict[str, str]:
    assert module in sources()
    return {**sources(), module: f"{sources()[module]}\n\n{line}\n"}


def test_every_module_stands_in_a_street() -> None:
    assert not [m for m in sources() if m not in FACES and street(m) is None]
    assert all(any(street(m) == s for m in sources()) for s in STREETS), "a street without a module"


def test_imports_go_one_way() -> None:
    assert not against_the_order(sources())
    assert not circles(sources())


def test_the_order_is_the_one_written_for_developers() -> None:
    told = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").splitlines()
    (line,) = [s for s in told if s.startswith("cli, commands")]
    written = [{f"calib.{n.strip()}" for n in floor.replace("|", ",").split(",")} for floor in line.split("->")]
    table = [{name for s in streets for name in s if name not in PLAIN} for streets in FLOORS[2:]]
    assert written == table[::-1]


@pytest.mark.parametrize(("module", "line", "seen"), [
    ("capture.targets", "import calib.rig.model", "calib.rig.model"),  # what reads photos knows no rig
    ("calib.linkage.rotations", "from calib.advice.verdict import verdict", "calib.advice.verdict"),
    ("calib.estimation.camera", "from calib.advice import verdict", "calib.advice.verdict"),  # neighbours
    ("calib.report.tables", "def f():\n    from calib.run import measure", "calib.run"),  # inside a function
    ("calib.rig.units", "if TYPE_CHECKING:\n    from calib.linkage.limits import check_limits", "calib.linkage.limits"),
    ("calib.findings", "from calib.rig.model import Rig", "calib.rig.model"),
    ("calib.advice.hand", "from calib import Rig", "calib"),  # through the face
])
def test_an_import_the_wrong_way_is_found(module: str, line: str, seen: str) -> None:
    assert against_the_order(planted(module, line)) == [(module, seen)]


def test_a_circle_is_found() -> None:
    assert {"calib.rig.model", "calib.results", "calib.rig.writer"} <= circles(
        planted("calib.rig.model", "def f():\n    import calib.rig.writer"))
    types_only = planted("calib.rig.model", "if TYPE_CHECKING:\n    from calib.rig.writer import rig_to_toml")
    assert not circles(types_only), "a name for the types is not loaded"


def test_an_import_names_its_module_in_full() -> None:
    with pytest.raises(AssertionError, match="in full"):
        against_the_order(planted("calib.rig.units", "from . import model"))
