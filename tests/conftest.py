"""What holds for every test: hypothesis draws the same cases in CI, and new ones on a desk."""

import os

from hypothesis import settings

settings.register_profile("ci", derandomize=True, deadline=None)
if os.environ.get("CI"):
    settings.load_profile("ci")
