"""What there is to say of film and reading before its numbers are relied on."""
