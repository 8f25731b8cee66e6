"""What a script imports: all of it is there, and nothing is loaded before it is asked for."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterator
from importlib import import_module
from pathlib import Path
from types import ModuleType

import pytest

import calib
import capture
from calib.cli import parser

ROOT = Path(__file__).resolve().parents[1]
HEAVY = ("numpy", "scipy", "pandas", "matplotlib", "cv2", "PIL")


def loaded_by(line: str) -> set[str]:
    code = f"import sys; {line}; print(*[m for m in {HEAVY + ('calib', 'capture')} if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    return set(done.stdout.split())


@pytest.mark.parametrize("face", [calib, capture])
def test_every_name_is_there_and_listed(face: ModuleType) -> None:
    for name in face.__all__:
        found = getattr(face, name)
        assert (found.__doc__ or "").strip(), f"{name} says nothing of itself"
        assert found.__name__ == name
    assert sorted(face._HOME) == list(face.__all__), "the names, and where each is"
    assert set(face.__all__) <= set(dir(face))
    with pytest.raises(AttributeError, match="has no attribute 'no_such_name'"):
        face.no_such_name  # noqa: B018
    with pytest.raises(ImportError):
        exec(f"from {face.__name__} import no_such_name")


def test_nothing_is_loaded_before_it_is_asked_for() -> None:
    assert loaded_by("import calib, capture") == {"calib", "capture"}
    assert loaded_by("from calib import UserError") == {"calib", "capture"}
    assert loaded_by("from calib import load_rig") <= {"calib", "capture", "numpy"}
    assert loaded_by("from capture import Board, Observations") == {"capture", "numpy"}
    assert not loaded_by("from calib import Linkage, estimate, compare, propose") & {"matplotlib"}


def test_a_submodule_is_not_hidden_by_a_name_of_the_face() -> None:
    for face in (calib, capture):
        (folder,) = face.__path__
        modules = {p.stem for p in Path(folder).iterdir() if p.suffix == ".py" or (p / "__init__.py").exists()}
        assert not modules & set(face.__all__)


# --- the page and the commands have no way in of their own ----------------------------------------------------

PLAIN = {  # what the page takes beside steps of the job, and why a script has no need of it
    "calib.shooting.known.summed_up": "words for what is known",
    "calib.shooting.around": "where things are in the sketch",
    "calib.shooting.store.check_room": "a full disk, before an upload is written",
    "calib.shooting.store.not_written": "what is said of a full disk",
    "capture.workers": "processes that end with this one",
}


def taken(text: str) -> Iterator[tuple[str, str]]:
    """What a module takes from the project, and where; names for types alone are of no use and left out."""
    nodes = list(ast.walk(ast.parse(text)))
    for_types = {id(n) for block in nodes if isinstance(block, ast.If) and isinstance(block.test, ast.Name)
                 and block.test.id == "TYPE_CHECKING" for s in block.body for n in ast.walk(s)}
    for node in (n for n in nodes if id(n) not in for_types):
        if isinstance(node, ast.ImportFrom):
            assert node.module
            yield from ((node.module, a.name) for a in node.names)
        elif isinstance(node, ast.Import):
            yield from ((a.name, "*") for a in node.names)


def reached(text: str) -> Iterator[str]:
    """Names with a leading underscore that a module takes from anything but its own object."""
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Attribute) and node.attr.startswith("_") and not (
                isinstance(node.value, ast.Name) and node.value.id in ("self", "cls")):
            yield node.attr


def private(text: str) -> list[str]:
    """What a module of the page takes that a script does not get from the face."""
    out = []
    for module, name in taken(text):
        top = module.split(".")[0]
        if top not in ("calib", "capture") or f"{module}.".startswith("calib.phone."):
            continue
        given = any(name in face.__all__ and getattr(face, name) is getattr(import_module(module), name, None)
                    for face in (calib, capture))
        if not given and module not in PLAIN and f"{module}.{name}" not in PLAIN:
            out.append(f"{module}.{name}")
    return [*out, *reached(text)]


def page() -> dict[str, str]:
    return {p.name: p.read_text(encoding="utf-8") for p in (ROOT / "calib" / "phone").glob("*.py")}


def test_the_page_takes_nothing_that_a_script_cannot_have() -> None:
    assert {n: found for n, text in page().items() if (found := private(text))} == {}
    used = {w for text in page().values() for m, n in taken(text) for w in (m, f"{m}.{n}")}
    assert set(PLAIN) <= used, "exceptions that nothing needs any more"
    assert {"calib.shooting.desk.Shoot", "calib.shooting.known.Knowing"} <= used


@pytest.mark.parametrize(("line", "seen"), [
    ("from calib.shooting.desk import judge_file", "calib.shooting.desk.judge_file"),
    ("from calib.estimation.bundle import estimated", "calib.estimation.bundle.estimated"),
    ("import calib.estimation.going", "calib.estimation.going.*"),
    ("def f():\n    from calib.shooting.store import keep", "calib.shooting.store.keep"),
    ("from calib.planning.predict import chosen_views as estimate", "calib.planning.predict.chosen_views"),
    ("from calib.shooting.desk import estimate", "calib.shooting.desk.estimate"),  # the name alone does not do
    ("def f(bench):\n    bench.shoot._next = 1", "_next"),
    ("def f(self):\n    return self.shoot._knowing.last", "_knowing"),
])
def test_a_private_way_in_is_found(line: str, seen: str) -> None:
    assert private(f"{page()['bench.py']}\n\n{line}\n") == [seen]


STEPS = {  # what each command does, by the names that do it
    "new": ("write_starter",), "check": ("check_up",), "print": ("print_targets", "PrintTag"),
    "plan": ("plan_shoots", "shoot_card"), "shoot": ("Shoot",), "watch": ("Watch",),
    "survey": ("load_survey", "survey"),
    "observe": ("write_observations",), "run": ("run_shoot",), "confirm": ("confirm_shoot",), "history": ("history",),
    "again": ("run_again",), "sheet": ("load_sheet",)}


def test_every_command_is_a_step_that_a_script_can_take() -> None:
    (commands,) = [a.choices for a in parser()._actions if a.dest == "command"]
    assert commands is not None and set(commands) == set(STEPS)
    used = set(taken((ROOT / "calib" / "commands.py").read_text(encoding="utf-8")))
    for name in {n for names in STEPS.values() for n in names}:
        (face,) = [f for f in (calib, capture) if name in f.__all__]
        assert (face._HOME[name], name) in used, f"{name} is not what the command does"
    assert not list(reached((ROOT / "calib" / "commands.py").read_text(encoding="utf-8")))
