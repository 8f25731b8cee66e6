"""A shoot card read back from its PDF by another program: texts, boxes, and what is written in the boxes."""

from __future__ import annotations

import ctypes
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pypdfium2
import pypdfium2.raw as raw

MM = 72 / 25.4
LEAST_BOX, LEAST_TEXT = 5.0, 9.0  # mm and points: to tick with a pencil, to read at arm's length


@dataclass(frozen=True)
class Seen:
    """Something on a page of the PDF: bounds in points, y up; a text's letters and size."""

    page: int
    left: float
    low: float
    right: float
    top: float
    said: str = ""
    size: float = 0.0

    @property
    def middle(self) -> tuple[float, float]:
        return (self.left + self.right) / 2, (self.low + self.top) / 2

    def holds(self, other: Seen) -> bool:
        x, y = other.middle
        return self.page == other.page and self.left < x < self.right and self.low < y < self.top


def read(path: Path) -> tuple[list[Seen], list[Seen], list[tuple[float, float]]]:
    """Texts, drawn paths and page sizes of a PDF, as another program reads them."""
    texts, paths, sizes = [], [], []
    with pypdfium2.PdfDocument(path) as pdf:
        for k, page in enumerate(pdf):
            sizes.append(page.get_size())
            on_page = page.get_textpage()
            for obj in page.get_objects():
                if obj.type == raw.FPDF_PAGEOBJ_TEXT:
                    texts.append(Seen(k, *obj.get_bounds(), said(obj, on_page), size(obj)))
                elif obj.type == raw.FPDF_PAGEOBJ_PATH:
                    paths.append(Seen(k, *obj.get_bounds()))
    return texts, [p for p in paths if p.right - p.left < 0.95 * sizes[0][0]], sizes  # without the paper


def said(obj: Any, on_page: Any) -> str:
    need = raw.FPDFTextObj_GetText(obj.raw, on_page.raw, None, 0)
    held = ctypes.create_string_buffer(need)
    raw.FPDFTextObj_GetText(obj.raw, on_page.raw, ctypes.cast(held, ctypes.POINTER(ctypes.c_ushort)), need)
    text = held.raw[:need].decode("utf-16-le").rstrip("\0").strip()
    return text.replace("\x02", "-")  # which at a line's end it takes for that of a divided word


def size(obj: Any) -> float:
    out = ctypes.c_float()
    raw.FPDFTextObj_GetFontSize(obj.raw, out)
    return out.value


def square(p: Seen) -> bool:
    wide, high = p.right - p.left, p.top - p.low
    return wide > LEAST_BOX * MM and abs(wide - high) < 0.2


def rows(texts: Sequence[Seen], paths: Sequence[Seen]) -> list[list[str]]:
    """What is written in the boxes to tick, line by line; the marks of the sketch are further left."""
    out: dict[tuple[int, int], list[str]] = {}
    for b in sorted((p for p in paths if square(p) and p.left > 100 * MM), key=lambda p: (p.page, -p.top, p.left)):
        (mark,) = [t.said for t in texts if b.holds(t)]
        out.setdefault((b.page, round(b.top)), []).append(mark)
    return list(out.values())
