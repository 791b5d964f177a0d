"""Who must be seen: the follow-up list, person by person."""
