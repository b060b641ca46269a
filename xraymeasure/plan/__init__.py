"""What was planned, what was recorded in theatre, and the differences from both."""
