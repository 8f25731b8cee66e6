"""Cells of a CSV that a spreadsheet opens: text from outside must not run as a formula."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd

# OWASP, "CSV Injection": cells that begin with one of these may run; a single quote before them makes them text
_RUNS = ("=", "+", "-", "@", "\t", "\r")


def safe_text(text: str) -> str:
    """The text, with a single quote before it where a spreadsheet would run it; numbers such as -10 stay."""
    if not text.startswith(_RUNS):
        return text
    try:
        float(text)
    except ValueError:
        return "'" + text
    return text


def safe_cells(table: pd.DataFrame) -> pd.DataFrame:
    """The table with all its texts safe; the same one where there is nothing to change."""
    changed = {}
    for column in table.columns:
        if table[column].dtype.kind in "biufc":
            continue
        cells = table[column].to_numpy(object).tolist()
        told = {x: safe_text(x) for x in {v for v in cells if isinstance(v, str)}}
        if any(a != b for a, b in told.items()):
            changed[column] = [told[v] if isinstance(v, str) else v for v in cells]
    return table.assign(**changed) if changed else table
