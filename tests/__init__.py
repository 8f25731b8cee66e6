"""Checks of rigtrue, most of them against something outside the project."""

import calib.onethread  # noqa: F401  before numpy is loaded, for tests and benches alike
