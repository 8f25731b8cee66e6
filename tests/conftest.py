"""Settings for all tests."""

import calib.onethread  # noqa: F401  before numpy is loaded
