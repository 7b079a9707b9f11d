"""Pure numerics: arrays and SI floats in, frozen results out; numpy and scipy only.

The door is `acquire.analysis.evaluate.evaluate`; `acquire.analysis.document` turns its result into
the document that other programs read, `acquire.analysis.digits` its numbers into text for people.
Nothing is imported here: whoever only shows a result need not load scipy.
"""
