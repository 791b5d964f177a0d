"""Which resources a version of a set shows, and how each stood before."""
