"""Settings for every test."""

from hypothesis import settings

# The machine that runs them may be busy: an example that takes long is no fault.
settings.register_profile("shared_machine", deadline=None)
settings.load_profile("shared_machine")
