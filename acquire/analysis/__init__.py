"""Pure numerics: arrays and SI floats in, frozen results out; numpy and scipy only.

The door is `evaluate`; `acquire.analysis.document` turns its result into the document that other
programs read, `acquire.analysis.digits` its numbers into text for people.
"""

from acquire.analysis.evaluate import evaluate

__all__ = ["evaluate"]
