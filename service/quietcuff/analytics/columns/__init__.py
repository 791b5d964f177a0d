"""Many sittings at once: the rules of one sitting over columns, equal to the core set by set."""
