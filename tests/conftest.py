"""In CI nothing may be skipped: what a test needs is installed by the scripts."""

import os

import pytest


@pytest.hookimpl(hookwrapper=True)
def pytest_runtest_makereport(item):
    """Turn a skip into a failure that names its reason, where CI says so."""
    outcome = yield
    report = outcome.get_result()
    if report.skipped and os.environ.get("CI") and not hasattr(report, "wasxfail"):
        report.outcome = "failed"
        report.longrepr = f"{item.nodeid} was skipped in CI: {report.longrepr}"
