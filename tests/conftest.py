"""The whole suite runs in as many processes as there are cores, where pytest-xdist is installed."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest

MOST = 4  # each takes up to 1 GB


@pytest.hookimpl(tryfirst=True)
def pytest_cmdline_main(config: pytest.Config) -> None:
    """Only for the whole suite: a file or two are through before other processes have started. -n 0 forbids it."""
    if "PYTEST_XDIST_WORKER" in os.environ:  # a worker starts none of its own
        return
    whole = config.args_source is pytest.Config.ArgsSource.TESTPATHS and not config.option.collectonly
    if whole and config.pluginmanager.hasplugin("xdist") and config.option.numprocesses is None:
        config.option.numprocesses = min(os.cpu_count() or 1, MOST)
        config.option.dist = "loadfile"


@pytest.fixture(scope="session", autouse=True)
def own_cache(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """Corners kept from one run to the next lie apart from the user's own, in this process and those it starts."""
    folder = tmp_path_factory.mktemp("cache")
    with pytest.MonkeyPatch.context() as m:
        m.setenv("RIGTRUE_CACHE", str(folder))
        yield folder


@pytest.fixture(scope="module", autouse=True)
def own_records(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """Vehicles' records lie apart from the sample, and begin anew with each file of tests."""
    folder = tmp_path_factory.mktemp("records")
    with pytest.MonkeyPatch.context() as m:
        m.setenv("RIGTRUE_RECORD", str(folder))
        yield folder
