"""Queue, schedules, workers and the local API of an unattended bench."""
