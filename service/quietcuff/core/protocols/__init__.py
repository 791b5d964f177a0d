"""The kinds of protocol: one sitting, a home series, an ambulatory recording, the test of standing up."""
