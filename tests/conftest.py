"""Shared set-up: hypothesis is the same on every machine."""

from hypothesis import settings

settings.register_profile("planish", derandomize=True, deadline=None)
settings.load_profile("planish")
