"""Simulated instruments: the other end of the wire, with a circuit whose truth is known."""
