"""What holds for every test.

Hypothesis draws the same cases in CI, and new ones on a desk. Linear algebra takes one thread, as
it does in the program: two test processes on two cores would spin against each other.
"""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy is imported

from hypothesis import settings

settings.register_profile("ci", derandomize=True, deadline=None)
if os.environ.get("CI"):
    settings.load_profile("ci")
