"""What was stored, sent on to the records that want it: at least once, in order for each person."""
