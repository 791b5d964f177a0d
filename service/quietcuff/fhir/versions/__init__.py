"""The resources that a version of a set shows, and their earlier states."""
