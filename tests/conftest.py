"""Every run draws the same examples, and no example fails for being slow on a busy machine."""

from hypothesis import settings

settings.register_profile("tapscan", deadline=None, derandomize=True)
settings.load_profile("tapscan")
