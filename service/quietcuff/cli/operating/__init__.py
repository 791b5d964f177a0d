"""Commands about the installation itself: its version, and whether all is well with it."""
