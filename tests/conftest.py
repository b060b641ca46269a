"""Settings for every test."""

from hypothesis import Phase, settings

# The machine that runs them may be busy: an example that takes long is no fault. Explaining a
# failure costs more than finding it, so that phase is left out.
settings.register_profile(
    "shared_machine",
    deadline=None,
    # The same examples each time: what passes once passes again.
    derandomize=True,
    phases=[Phase.explicit, Phase.reuse, Phase.generate, Phase.shrink],
)
settings.load_profile("shared_machine")
