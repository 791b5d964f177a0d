"""The report on how well blood pressure is measured: statistics over stored sets, what to mend first, and its page."""
