"""Settings for every test: hypothesis must not fail an example for being slow on a busy machine."""

from hypothesis import settings

settings.register_profile("sagline", deadline=None)
settings.load_profile("sagline")
