"""What-if questions: stored sittings under other rules."""
