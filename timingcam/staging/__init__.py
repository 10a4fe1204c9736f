"""Rendered footage with known truth: an engine, a strobe, a phone camera and a file.

It imports nothing of ours but the engine file's data (and the errors), so that a mistake in the measurement's
geometry cannot be made here too and cancel.
"""
