"""One person over many sittings: office values, values from outside, and what they show together."""
