"""The page of one film: what it says, and how it is set on paper and screen."""
