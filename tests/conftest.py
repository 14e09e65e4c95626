"""Shared set-up: hypothesis is the same on every machine."""

import os

# two workers that each let the linear algebra use both cores would wait for one another
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from hypothesis import settings

collect_ignore = ["fuzz_formats.py"]  # needs atheris, which is for those who fuzz

settings.register_profile("planish", derandomize=True, deadline=None)
settings.load_profile("planish")
