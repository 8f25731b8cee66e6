"""The rows of the one least-squares problem, one block for each kind.

A block is a few scalar equations: it says which unknowns it touches (``slots``), its residual in standard units and
the derivative of that. ``RigProblem`` only sums blocks. To add a kind of row: a frozen dataclass on ``RowBlock`` in a
module here, made in that module's ``..._blocks`` function, which ``calib.estimation.equations.row_blocks`` calls; its
finite-difference test comes by itself once ``tests/test_blocks.py`` meets it in a rig.
"""
