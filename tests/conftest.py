"""Options and fixtures shared by all tests."""

from __future__ import annotations

import os
from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import HealthCheck, settings
from running_order import longest_first
from weeks_kept import PLANNERS, WeeksKept

# how long a busy machine, or an emulated one, takes for a case is no fault of the code
unhurried = settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.register_profile("unhurried", unhurried)
# in CI the same cases each time: a new find belongs to whoever looks for one, not to an unrelated change
settings.register_profile("ci", unhurried, derandomize=True)
settings.load_profile("ci" if os.environ.get("CI") else "unhurried")


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--refresh-golden", action="store_true", help="write the golden files anew")


@pytest.fixture(scope="session", autouse=True)
def weeks_kept(tmp_path_factory: pytest.TempPathFactory) -> Iterator[WeeksKept]:
    """Commands that are run in this process plan each week once in a test run."""
    own = tmp_path_factory.getbasetemp()
    shared = own.parent if "PYTEST_XDIST_WORKER" in os.environ else own
    folder = shared / "weeks_kept"
    folder.mkdir(exist_ok=True)
    kept = WeeksKept(folder)
    with pytest.MonkeyPatch.context() as patch:
        for planner in PLANNERS:
            patch.setattr(planner, kept)
        yield kept


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    workers = int(os.environ.get("PYTEST_XDIST_WORKER_COUNT", "1"))
    items[:] = longest_first(items, workers, lambda item: item.nodeid)


def pytest_terminal_summary(terminalreporter: Any) -> None:
    """What a machine cannot play is said, not left out in silence."""
    reasons = {str(report.longrepr[2]) for report in terminalreporter.stats.get("skipped", ())}
    for reason in sorted(reason for reason in reasons if "not played here" in reason):
        terminalreporter.write_line(reason.removeprefix("Skipped: "), yellow=True, bold=True)


LEAST_TESTS = (
    4_100  # of a whole run; raised now and then: tests that are no longer collected must not go unseen
)


def pytest_sessionfinish(session: pytest.Session) -> None:
    """A whole run of fewer tests than there were fails."""
    config = session.config
    reporter = config.pluginmanager.get_plugin("terminalreporter")
    whole = config.args_source is pytest.Config.ArgsSource.TESTPATHS
    if reporter is None or not whole or config.option.keyword or config.option.markexpr:
        return
    outcomes = ("passed", "failed", "skipped", "xfailed", "xpassed")
    ran = len({report.nodeid for name in outcomes for report in reporter.stats.get(name, ())})
    if ran < LEAST_TESTS and session.exitstatus == pytest.ExitCode.OK:
        reporter.write_line(
            f"only {ran} tests ran, where there were {LEAST_TESTS} (tests/conftest.py)", red=True
        )
        session.exitstatus = pytest.ExitCode.TESTS_FAILED
