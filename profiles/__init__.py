"""Scope models, probes, example benches and recipes that ship with the program, as data."""
