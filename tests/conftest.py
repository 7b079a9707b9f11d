"""What holds for every test.

Hypothesis draws the same cases in CI, and new ones on a desk. Linear algebra takes one thread, as
it does in the program: two test processes on two cores would spin against each other.
"""

import gc
import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy is imported

import pytest
from hypothesis import settings

settings.register_profile("ci", derandomize=True, deadline=None)
if os.environ.get("CI"):
    settings.load_profile("ci")


@pytest.fixture
def swept(caplog):
    """Collect garbage before the test is over, while its own warning filters still hold."""
    yield
    caplog.get_records("call").clear()  # what is logged with an exception keeps its frames
    gc.collect()
