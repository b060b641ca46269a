"""Many films: the study folder, its batch runner, agreement and follow-up."""
