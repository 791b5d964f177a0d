"""How sure a label is: the prior, the visits, and what would settle it."""
