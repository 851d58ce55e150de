"""Property tests draw the same examples each time: a red run must be red again."""

from hypothesis import settings

settings.register_profile("linehold", derandomize=True, deadline=None, max_examples=100)
settings.load_profile("linehold")
