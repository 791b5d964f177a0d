"""The routes: one controller in each module, with the descriptions of its operations."""
