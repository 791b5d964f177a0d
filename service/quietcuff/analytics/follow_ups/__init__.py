"""The follow-up list: people who must be seen, one by one."""
