"""Shared set-up: hypothesis is the same on every machine."""

from hypothesis import settings

collect_ignore = ["fuzz_formats.py"]  # needs atheris, which is for those who fuzz

settings.register_profile("planish", derandomize=True, deadline=None)
settings.load_profile("planish")
