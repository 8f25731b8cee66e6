"""The commented rig.toml a builder starts from."""

from __future__ import annotations

import json
from pathlib import Path

from calib.rig.figures import targets
from calib.rig.schema import defaults
from capture.errors import UserError

_TEMPLATE = Path(__file__).with_name("starter_template.toml")


def starter_text(name: str = "my vehicle") -> str:
    """A commented rig.toml of an invented vehicle called ``name``; it loads as it is.

    >>> print(*[line for line in starter_text("Pipit").splitlines() if line.startswith("name")])
    name = "Pipit"
    """
    template = _TEMPLATE.read_text(encoding="utf-8")
    wanted = [f"#   {t:20s} {k.unit or 'plain':6s} {k.meaning}" for t, k in targets().items() if not k.of_one_side]
    split = sorted({t.rpartition("_")[0] for t, k in targets().items() if k.of_one_side})
    wanted.append(f"# {', '.join(split)} are means of both sides; with _left, _right or _difference (left less "
                  "right)\n# at the end of the name you judge each side.")
    assumed = [f"#   {path:30s} {default:13s} {what}" for path, default, what in defaults()
               if default != "left out"]
    text = template.replace("@NAME@", json.dumps(name, ensure_ascii=False))
    return text.replace("@TARGETS@", "\n".join(wanted)).replace("@DEFAULTS@", "\n".join(assumed))


def write_starter(path: Path, name: str = "my vehicle") -> None:
    """Write ``starter_text(name)``. Raises UserError where the file exists: it is never overwritten."""
    try:
        with Path(path).open("x", encoding="utf-8") as f:
            f.write(starter_text(name))
    except FileExistsError:
        raise UserError(f"{path}: exists already and was left as it is; choose another name",
                        "exists", str(path)) from None
    except OSError as exc:
        raise UserError(f"{path}: cannot be written ({exc.strerror}); name a folder that exists",
                        "cannot_write", str(path)) from None
