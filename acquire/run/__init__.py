"""Check the parts of one run against each other, run it, and store it."""
