"""The hips of a study against their plans: table, plots and page."""
