"""Reports in the terminal: one sitting in full, many in one table, and the faults of what cannot be evaluated"""
