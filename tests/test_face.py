"""What a script imports: all of it is there, and nothing is loaded before it is asked for."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from types import ModuleType

import pytest

import calib
import capture

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
