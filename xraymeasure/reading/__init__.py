"""One reader's landmarks on one film, and the file they are kept in."""
