"""What stands in the dock: one panel a task."""
