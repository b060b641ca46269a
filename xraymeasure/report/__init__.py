"""The figure, the page and the tables: what a person, or another program, is given."""
