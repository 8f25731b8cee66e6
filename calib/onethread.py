"""Import first: keeps BLAS to one thread, unless the environment says otherwise.

The estimate multiplies very many small matrices. Threads only wait for each other there, and on a busy machine they
cost ten times the work. Photos are read side by side by processes instead.
"""

from __future__ import annotations

import os

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
